"""The styluses of the house and how long they have played: ``styluses.toml`` beside the records.

Hours come from the takes; the file holds what the takes cannot know: hours played before, and when to
look at the tip. Usual life: 400 to 800 hours are quoted, about 500 often (a dealer's page); a 2019 review of
older studies found no agreement (check with a microscope or a dealer; common practice).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import msgspec
import tomlkit

from sidekeep.errors import ShelfError
from sidekeep.files.atomic import write_text
from sidekeep.files.bounded import read_text_bounded
from sidekeep.shelf.toml_text import new_toml, parse_toml, put, read_toml

STYLUSES = "styluses.toml"
REMIND_AT_H = 400.0
"""The low end of what is usually quoted (see above): a look under a microscope costs little, a worn tip costs records."""


@dataclass(frozen=True, kw_only=True)
class Stylus:
    """One stylus. ``remind_at_h`` is when the tool begins to ask for a look at the tip."""

    name: str
    hours_before: Annotated[float, msgspec.Meta(ge=0.0, lt=1e6)] = 0.0
    remind_at_h: Annotated[float, msgspec.Meta(gt=0.0, lt=1e6)] = REMIND_AT_H


def read_styluses(shelf: Path) -> list[Stylus]:
    """All styluses the person has told of."""
    path = shelf / STYLUSES
    if not path.exists():
        return []
    try:
        values = read_toml(read_text_bounded(path, "list-of-styluses", error=ShelfError), STYLUSES)
        return msgspec.convert(values.get("stylus", []), list[Stylus])
    except msgspec.ValidationError as error:
        raise ShelfError("styluses-unread", path=path, reason=error) from error


def write_styluses(shelf: Path, styluses: list[Stylus]) -> None:
    """Keep the list."""
    path = shelf / STYLUSES
    if path.exists():
        text = _changed(read_text_bounded(path, "list-of-styluses", error=ShelfError), styluses)
    else:
        text = new_toml(
            {"stylus": [vars(stylus) for stylus in styluses]},
            comment="Styluses: hours played before this shelf knew them, and when to look at the tip.",
        )
    write_text(shelf / STYLUSES, text, replace=True)


def _changed(text: str, styluses: list[Stylus]) -> str:
    """The list that is there with what is different changed: a person's comments and entries stay."""
    document = parse_toml(text, STYLUSES)
    tables = {str(table.get("name")): table for table in document.get("stylus", [])}
    if "stylus" not in document:
        document.append("stylus", tomlkit.aot())
    for stylus in styluses:
        table = tables.get(stylus.name)
        if table is None:
            table = tomlkit.table()
            document["stylus"].append(table)
            table = document["stylus"][-1]
        for name, value in vars(stylus).items():
            put(table, name, value)
    return tomlkit.dumps(document)


@dataclass(frozen=True, kw_only=True)
class StylusHours:
    """How long one stylus has played."""

    name: str
    hours: float
    remind_at_h: float

    @property
    def is_due(self) -> bool:
        """Time to look at the tip."""
        return self.hours >= self.remind_at_h


def stylus_log(styluses: list[Stylus], taken_hours: Mapping[str, float]) -> list[StylusHours]:
    """Hours per stylus: those before, and those of the takes. Names only takes know are listed too."""
    known = {stylus.name: stylus for stylus in styluses}
    for name in taken_hours:
        known.setdefault(name, Stylus(name=name))
    return [
        StylusHours(
            name=name,
            hours=stylus.hours_before + taken_hours.get(name, 0.0),
            remind_at_h=stylus.remind_at_h,
        )
        for name, stylus in sorted(known.items())
    ]
