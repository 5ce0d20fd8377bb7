"""Speeds of records stand in one list, ``units.py``: the page draws discs by the same one, and has it once."""

from __future__ import annotations

import re

from sidekeep.units import LP_RPM
from sidekeep.web.files import PAGE


def test_the_page_turns_long_playing_records_as_everything_else_does() -> None:
    sources = {
        path.name: path.read_text("utf-8") for path in PAGE.rglob("*.js") if "vendor" not in path.parts
    }
    given = re.search(r"export const LP_RPM = (\d+) / (\d+);", sources["light.js"])
    assert given is not None
    assert int(given[1]) / int(given[2]) == LP_RPM
    own = [
        name for name, text in sources.items() if re.search(r"33\.33|100 / 3|NOMINAL_TURN_S = \d+\.", text)
    ]
    assert own == ["light.js"]
