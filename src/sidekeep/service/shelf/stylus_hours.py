"""Hours of every stylus, from the takes on the shelf and what a person knows besides."""

from __future__ import annotations

from pathlib import Path

from sidekeep.errors import ParameterError
from sidekeep.service.shelf.records import make_shelf, open_catalogue
from sidekeep.shelf.styluses import Stylus, StylusHours, read_styluses, stylus_log, write_styluses


def stylus_hours(shelf: Path) -> list[StylusHours]:
    """How long each stylus has played."""
    with open_catalogue(shelf) as catalogue:
        return stylus_log(read_styluses(shelf), catalogue.stylus_hours())


def keep_stylus(shelf: Path, name: str, *, hours_before: float, remind_at_h: float) -> None:
    """Add a stylus to the house, or change what is known of it."""
    if not (0.0 <= hours_before < 1e6 and 0.0 < remind_at_h < 1e6):
        raise ParameterError("stylus-hours", hours_before=hours_before, remind_at_h=remind_at_h)
    if not name.strip() or not name.isprintable():
        raise ParameterError("stylus-name", name=name)
    make_shelf(shelf)
    stylus = Stylus(name=name, hours_before=hours_before, remind_at_h=remind_at_h)
    others = [known for known in read_styluses(shelf) if known.name != stylus.name]
    write_styluses(shelf, sorted([*others, stylus], key=lambda known: known.name))
