"""The README's picture of the demo's report, and the figures that can be read on it: ``./run pictures --readme``, or
``./run demo`` and ``./run pictures --report FILE`` for this picture alone.

``docs/images/report.json`` stands beside it with its checksum; ``tests/test_docs.py`` compares both with the demo.
"""

from __future__ import annotations

import hashlib
import html
import json
import re
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

IMAGES = Path(__file__).parent / "images"
SEEN = {"width": 1200, "height": 1196}
"""The page as it is opened, in pixels: down to the end of the first side's strip."""
WIDTH = 1000


def figures(page: str) -> dict[str, Any]:
    """What the top of a report says: title, the few numbers under it, the tracks with their lengths."""
    facts = re.findall(r"<dt>([^<]*)</dt><dd>([^<]*)</dd>", page.partition("</header>")[0])
    tracks = re.findall(
        r'<li><span>\d+</span><span class="title">([^<]*)(?:<small>.*?</small>)?</span><span class="time">([\d:]+)</span>',
        page,
    )
    return {
        "title": html.unescape(re.findall(r"<h1>([^<]*)</h1>", page)[0]),
        "facts": {html.unescape(what): html.unescape(value) for what, value in facts},
        "tracks": [[html.unescape(title), length] for title, length in tracks],
    }


def heard_by() -> str:
    """What decides the mended places and the gain: version and weights of the mender, and the version of the survey."""
    from sidekeep.flow.mend import mender_identity
    from sidekeep.flow.passes.survey import SURVEY_VERSION

    return f"mender {mender_identity()}, survey {SURVEY_VERSION}"


def make_report_picture(report: Path, chromium: Any) -> None:
    """Photograph the top of a report as the README shows it, and note its figures."""
    browser = chromium.new_page(viewport=SEEN)
    browser.goto(report.resolve().as_uri())
    with tempfile.TemporaryDirectory() as folder:
        shot = Path(folder) / "report.png"
        browser.screenshot(path=str(shot))
        picture = Image.open(shot).convert("RGB").resize((WIDTH, WIDTH * SEEN["height"] // SEEN["width"]))
        picture.save(IMAGES / "report.jpg", quality=84, optimize=True, progressive=True)
    browser.close()
    told = figures(report.read_text("utf-8"))
    told["heard_by"] = heard_by()
    told["picture_sha256"] = hashlib.sha256((IMAGES / "report.jpg").read_bytes()).hexdigest()
    (IMAGES / "report.json").write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n", "utf-8")
