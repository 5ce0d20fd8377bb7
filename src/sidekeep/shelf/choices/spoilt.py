"""A file of choices that a hand broke so that nobody can read it: what stood in it before comes back, and the broken one stays
beside it under another name."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

from sidekeep.errors import ParameterError, ShelfError
from sidekeep.files.atomic import whole_file, write_text
from sidekeep.shelf.choices.choice_files import CUTS, RECIPE, RECORD, SLEEVE, new_text, read_state, read_text
from sidekeep.shelf.choices.journal import State


def spoilt_files(folder: Path, written: State) -> tuple[str, ...]:
    """Names of the files of marks and settings that are there and cannot be understood. ``written`` is what the journal says.
    ``record.toml`` is none of them: what else a person keeps in it stands nowhere else."""
    found = []
    for name in (CUTS, RECIPE):
        try:
            blank = dict.fromkeys((CUTS, RECIPE, RECORD, SLEEVE))
            read_state(folder, {**blank, name: read_text(folder, name)}, written)
        except (ParameterError, ShelfError):
            found.append(name)
    return tuple(found)


def put_back(folder: Path, name: str, written: State) -> str:
    """Write a file as the journal has it; the name under which the broken one is kept."""
    aside = f"{Path(name).stem}.spoilt-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.toml"
    with whole_file(folder / aside) as part:
        shutil.copyfile(folder / name, part)
    # Always a whole file in its place: one that is not there would be choices taken back by hand.
    write_text(folder / name, new_text(name, written, None) or "", replace=True)
    return aside
