"""A sleeve text as it is typed: what was understood, and what every line was read as."""

from __future__ import annotations

from typing import Any

from sidekeep.service.house.records.record_view import sleeve_view
from sidekeep.shelf.sleeve.reading import read_text


def read_sleeve_lines(text: str) -> dict[str, Any]:
    """The record as understood, and every line with its doubts. Raises SleeveError for a text far too long."""
    reading = read_text(text)
    lines = [
        {
            "number": line.number,
            "text": line.text,
            "reads_as": line.reads_as,
            "side": line.side,
            "track": line.track,
            "doubts": [
                {"code": doubt.code, "facts": dict(doubt.facts), "text": doubt.text} for doubt in line.doubts
            ],
        }
        for line in reading.lines
    ]
    return {"record": sleeve_view(reading.record), "lines": lines}
