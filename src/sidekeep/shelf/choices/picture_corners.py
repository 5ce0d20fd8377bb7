"""Where the sleeve is in a kept photograph, as a choice like any other: ``art/originals/front.json`` and the state ``art/front``.

The photograph itself lies beside it; the picture that copies carry is drawn from both (``service.shelf.pictures``). A file that
cannot be understood counts as absent: nothing is lost with it but four corners.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import msgspec

from sidekeep.errors import ShelfError
from sidekeep.files.bounded import decode_json, read_text_bounded
from sidekeep.files.pictures.artwork import PictureKind
from sidekeep.shelf.art import KINDS, ORIGINALS

PLACE = f"art/{ORIGINALS}"
"""Folder of the originals, from the record's folder."""
_PATH = "art/"


class PictureCorners(msgspec.Struct, frozen=True, kw_only=True):
    """Four points [x, y] from 0 to 1, and whether the picture is made square by them."""

    corners: tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
    straightened: bool


def corner_path(kind: PictureKind) -> str:
    """Where the corners of a picture stand in the state."""
    return _PATH + kind


def corner_file(path: str) -> str:
    """The file of a path of the state, by its name in the record's folder."""
    return f"{PLACE}/{path.removeprefix(_PATH)}.json"


def is_of_a_picture(path: str) -> bool:
    """Whether a path of the state is that of a picture."""
    return path.startswith(_PATH)


def corner_texts(folder: Path) -> dict[str, str]:
    """The texts of the files that are there and can be read."""
    texts = {}
    for kind in KINDS:
        name = corner_file(corner_path(kind))
        if os.path.lexists(folder / name):
            try:
                texts[name] = read_text_bounded(folder / name, "corners", error=ShelfError)
            except ShelfError:
                continue
    return texts


def corner_state(texts: dict[str, Any]) -> dict[str, Any]:
    """What the texts say, for the state."""
    state = {}
    for kind in KINDS:
        text = texts.get(corner_file(corner_path(kind)))
        if text is not None:
            try:
                known: PictureCorners = decode_json(text, PictureCorners)
                corners = [list(point) for point in known.corners]
                state[corner_path(kind)] = {"corners": corners, "straightened": known.straightened}
            except ValueError:
                continue
    return state


def corner_text(value: dict[str, Any] | None) -> str | None:
    """The text of a file for a value of the state."""
    return (
        None if value is None else msgspec.json.format(msgspec.json.encode(value), indent=2).decode() + "\n"
    )
