"""The styluses of the house as a page shows them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sidekeep.service.shelf.stylus_hours import keep_stylus, stylus_hours
from sidekeep.shelf.styluses import REMIND_AT_H, read_styluses

__all__ = ["REMIND_AT_H", "keep_stylus", "stylus_views"]


def stylus_views(shelf: Path) -> list[dict[str, Any]]:
    """Every stylus with its hours; none on a shelf that is not there yet."""
    if not shelf.is_dir():
        return []
    before = {each.name: each.hours_before for each in read_styluses(shelf)}
    return [
        {
            "name": each.name,
            "hours": round(each.hours, 2),
            "hours_before": before.get(each.name, 0.0),
            "remind_at_h": each.remind_at_h,
            "is_due": each.is_due,
        }
        for each in stylus_hours(shelf)
    ]
