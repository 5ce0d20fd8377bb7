"""A sleeve text as it is typed: what was understood, and the lines that were not."""

from __future__ import annotations

from typing import Any

from sidekeep.errors import SleeveError
from sidekeep.service.house.library import LONGEST_SLEEVE
from sidekeep.service.house.views import sleeve_view
from sidekeep.shelf.sleeve_text import read_sleeve


def read_sleeve_lines(text: str) -> dict[str, Any]:
    """The record as understood, and every line with its doubts."""
    if len(text) > LONGEST_SLEEVE:
        raise SleeveError(f"the sleeve text has {len(text)} letters; at most {LONGEST_SLEEVE} are read")
    record, problems = read_sleeve(text)
    by_line = {problem.line_number: problem for problem in problems}
    lines = []
    for number, line in enumerate(text.splitlines(), start=1):
        problem = by_line.get(number)
        doubts = [{"code": "unread", "facts": {}, "text": problem.reason}] if problem else []
        lines.append(
            {"number": number, "text": line, "reads_as": "unread" if problem else "read", "doubts": doubts}
        )
    return {"record": sleeve_view(record), "lines": lines}
