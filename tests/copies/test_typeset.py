"""Numbers keep their units and their sign on a page; names, takes and ranges are not touched."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from sidekeep.copies.report.typeset import tight
from tests.outside import not_here

WORDS_JS = Path(__file__).parents[2] / "src/sidekeep/web/page/words.js"
SENTENCES = {
    "left -2.2 dB at 12.6 kHz": "left −2.2\u00a0dB at 12.6\u00a0kHz",
    "(-6 dBFS, 0.3 dBTP, -18 LUFS, 3 LU)": "(−6\u00a0dBFS, 0.3\u00a0dBTP, −18\u00a0LUFS, 3\u00a0LU)",
    "4 % would have been seen": "4\u00a0% would have been seen",
    "within 10 ppm of 33.333 rpm, 20 ms": "within 10\u00a0ppm of 33.333\u00a0rpm, 20\u00a0ms",
    "take A-2 of side 1-2, 3 sides in 5 songs": "take A-2 of side 1-2, 3 sides in 5 songs",
    "Stone-9 - Two Hz": "Stone-9 - Two Hz",
}


@pytest.mark.parametrize(("said", "set_so"), SENTENCES.items())
def test_a_sentence_is_set(said: str, set_so: str) -> None:
    assert tight(said) == set_so
    assert tight(set_so) == set_so


def test_the_page_sets_sentences_alike() -> None:
    node = shutil.which("node")
    if node is None:
        not_here("node is not installed")
    script = (
        f"import {{ tight }} from {json.dumps(WORDS_JS.as_uri())};"
        f"console.log(JSON.stringify({json.dumps(list(SENTENCES))}.map(tight)))"
    )
    said = subprocess.run(
        [str(node), "--input-type=module", "-e", script], capture_output=True, text=True, check=True
    )
    assert json.loads(said.stdout) == list(SENTENCES.values())
