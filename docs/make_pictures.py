"""``./run pictures [DIR]``: every place of the page in light, dark and phone size, as PNG files to look at.

A shelf is made of the pressed demo and a few records that never were; nothing on it is real. The evening at the turntable
is told to the page as the server would tell it, from the levels of the pressed side, because no record plays here.
``--readme`` also writes the three pictures of the README; ``--report FILE`` only the one of the demo's report.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pictured_evening import INPUTS, evening
from pictured_shelf import make_shelf, make_year_later
from PIL import Image

ROOT = Path(__file__).parents[1]
KEPT = ROOT / ".cache" / "pictures-shelf"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
]
SIZES = {
    "light": {"color_scheme": "light", "viewport": {"width": 1280, "height": 860}},
    "dark": {"color_scheme": "dark", "viewport": {"width": 1280, "height": 860}},
    "phone": {
        "color_scheme": "light",
        "viewport": {"width": 360, "height": 740},
        "device_scale_factor": 2,
        "has_touch": True,
        "is_mobile": True,
    },
}


@contextmanager
def running(shelf: Path) -> Iterator[Any]:
    """A server on that shelf."""
    sys.path.insert(0, str(ROOT))
    from tests.web.conftest import RunningServer

    server = RunningServer(shelf)
    try:
        yield server
    finally:
        server.close()


def take_pictures(server: Any, out: Path, only: str) -> None:
    """All places at all sizes; ``only`` keeps those with that word in their name."""
    from playwright.sync_api import sync_playwright

    records = server.get("/api/records")["records"]
    demo = next(each for each in records if each["title"].startswith("Charts"))
    other = next(each for each in records if each["title"] == "Salt Hours")
    record = server.get(f"/api/records/{demo['id']}")
    here = f"/record/{demo['id']}"
    places: dict[str, tuple[str, str]] = {
        "1-shelf": ("/", ""),
        "2-sleeve": (f"{here}/sleeve", ""),
        "2-sleeve-new": ("/new", ""),
        "3-set-up": ("/turntable", ""),
        "3-turntable-ready": (f"/record/{other['id']}/turntable", ""),
        "3-turntable-armed": (f"{here}/turntable", "armed"),
        "3-turntable-recording": (f"{here}/turntable", "recording"),
        "3-turntable-flip": (f"{here}/turntable", "flip"),
        "4-side": (f"{here}/side/A#t=93", ""),
        "4-side-disc": (f"{here}/side/A#t=60", "disc"),
        "4-side-turns": (f"{here}/side/A#t=45&from=36&to=58", ""),
        "4-side-groove": (f"{here}/side/A#t=50&from=50&to=50.03", ""),
        "4-side-samples": (f"{here}/side/B#t=50&from=50&to=50.001", ""),
        "5-copies": (f"{here}/copies", ""),
        "6-later": (f"{here}/later", ""),
        "7-phone": ("/phone", ""),
    }
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(headless=True, executable_path=browser_path(), args=ARGUMENTS)
        for size, options in SIZES.items():
            context = browser.new_context(**options)
            for name, (path, phase) in places.items():
                if only not in f"{name}-{size}":
                    continue
                page = context.new_page()
                page.on("pageerror", lambda error, at=name: print(f"{at}: {error}", file=sys.stderr))
                if phase and phase != "disc":
                    told = evening(server, record, phase)
                    page.route_web_socket(
                        "**/api/events",
                        lambda socket, told=told: [socket.send(json.dumps(each)) for each in told],
                    )
                if name.startswith("3-"):
                    page.route("**/api/inputs", lambda route: route.fulfill(json=INPUTS))
                if name == "2-sleeve-new":
                    page.add_init_script(
                        "localStorage.setItem('sidekeep draft new', "
                        "'The Wicker Boats - Tallow Wharf Almanac (1971)\\nLabel: Osprook\\n\\nSide A\\nA1 Lamp Oil 3:45\\n"
                        "A2 Grüße vom Kai 4:10\\nA4 Rope Walk 3:75\\n\\nSide B\\nB1 Slack Water 5:02\\nB2 The Long Pier 7:19')"
                    )
                page.goto(f"http://{server.host}{path}")
                page.wait_for_selector("main h1, main .disc-view")
                page.wait_for_load_state("networkidle")
                for _ in range(7 if phase == "disc" else 0):  # so close that each turn is seen
                    page.get_by_role("button", name="Closer to the disc").click()
                page.wait_for_timeout(900)
                page.screenshot(path=out / f"{name}-{size}.png", full_page=True)
                page.close()
            context.close()
        browser.close()


def readme_pictures(out: Path) -> None:
    """The two of the README, as JPEG of the visible part; with ``--only`` those of them that were made."""
    for name, picture in (("turntable", "3-turntable-recording-light"), ("side", "4-side-turns-light")):
        if not (out / f"{picture}.png").exists():
            continue
        shown = Image.open(out / f"{picture}.png").convert("RGB")
        shown = shown.crop((0, 0, shown.width, min(shown.height, 1010)))
        shown.save(ROOT / "docs" / "images" / f"{name}.jpg", quality=84, optimize=True, progressive=True)


def browser_path() -> str | None:
    """Debian's Chromium; with or without windows the pictures are the same."""
    return shutil.which("chromium") or shutil.which("chromium-headless-shell")


def report_picture(report: Path) -> None:
    """The README's picture of a report of the demo."""
    from playwright.sync_api import sync_playwright

    sys.path.insert(0, str(ROOT / "docs"))
    from report_picture import make_report_picture

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=browser_path(), args=ARGUMENTS)
        make_report_picture(report, chromium)
        chromium.close()


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="./run pictures", description="Every place of the page as pictures."
    )
    parser.add_argument("out", nargs="?", type=Path, default=ROOT / ".cache" / "pictures", metavar="DIR")
    parser.add_argument(
        "--only", default="", metavar="WORD", help="only pictures with this word in their name"
    )
    parser.add_argument(
        "--shelf", type=Path, metavar="DIR", help="a shelf with the demo on it, instead of making one"
    )
    parser.add_argument("--readme", action="store_true", help="also write the pictures of the README")
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="only the README's picture of this report.html of the demo",
    )
    options = parser.parse_args()
    if browser_path() is None:
        print("./run pictures: Chromium is needed (Debian: apt install chromium)", file=sys.stderr)
        return 2
    if options.report:
        report_picture(options.report)
        return 0
    shelf = options.shelf or KEPT
    if not shelf.exists():
        make_shelf(shelf)
    if shelf == KEPT:
        make_year_later(shelf)
    options.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "My shelf"
        shutil.copytree(shelf, copy, symlinks=True)
        with running(copy) as server:
            take_pictures(server, options.out, options.only)
    if options.readme:
        readme_pictures(options.out)
        (report,) = shelf.glob("*/copies/*/report.html")
        report_picture(report)
    print(options.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
