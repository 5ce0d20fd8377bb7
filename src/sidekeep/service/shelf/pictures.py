"""The pictures of a record: ``art/front.jpg``, ``art/back.jpg``, ``art/label.jpg`` and what a person put there by hand.

A picture that came in here keeps its original, byte for byte, in ``art/originals``; the corners of the sleeve in it
are a choice of the record (``shelf.choices.picture_corners``), noted beside it, with history and undo. The picture is drawn anew
whenever the corners are newer than it is. What is replaced or taken away goes to ``art/.bin``. Whoever changes anything there
holds the record's lock for choices, so that two processes cannot mix one picture with the corners of another.
"""

from __future__ import annotations

import contextlib
import io
import os
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sidekeep.errors import CopyError, NotThere, ParameterError, ShelfError
from sidekeep.files.atomic import write_bytes, write_text
from sidekeep.files.bounded import read_bounded
from sidekeep.files.pictures.artwork import PictureKind, open_upright
from sidekeep.files.pictures.straighten import check_corners, straighten
from sidekeep.shelf.art import KINDS, PICTURES, art_files
from sidekeep.shelf.choices.choices import change_choices
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.choices.picture_corners import PLACE, corner_file, corner_path, corner_state, corner_texts
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import choices_lock

if TYPE_CHECKING:
    from PIL import Image

KEPT_PX = 2400
LARGEST_UPLOAD = 60_000_000
"""Bytes of a picture, however it comes: a photograph of 80 million pixels as JPEG is half of it (chosen here)."""
_ONE_AT_A_TIME = threading.RLock()
"""A large photograph unpacks to a quarter of a gigabyte. Always taken before the lock of a record."""


@dataclass(frozen=True, kw_only=True)
class KeptPicture:
    """One picture of a record as copies will carry it, and the photograph it was made from, if any. ``is_sure`` False, of one
    that was just sent: its corners may be those of a shadow."""

    kind: PictureKind
    path: Path
    original: Path | None
    corners: tuple[tuple[float, float], ...]
    is_straightened: bool
    is_sure: bool = True

    def view(self) -> dict[str, Any]:
        """Facts for a page."""
        width, height = _size(self.path)
        return {
            "kind": self.kind,
            "width": width,
            "height": height,
            "changed": str(self.path.stat().st_mtime_ns),
            "has_original": self.original is not None,
            "corners": self.corners or None,
            "straightened": self.is_straightened,
            "sure": self.is_sure,
        }


def kept_pictures(folder: RecordFolder) -> list[KeptPicture]:
    """At most one of every kind, the front first, each as its corners stand now."""
    kept = [_kept(folder.path, kind, path) for kind, path in art_files(folder.path).items()]
    for picture in kept:
        _redraw_if_stale(folder.path, picture)
    return kept


def _kept(record: Path, kind: PictureKind, path: Path) -> KeptPicture:
    known = corner_state(dict(corner_texts(record))).get(corner_path(kind)) if path.stem == kind else None
    if known is None:
        return KeptPicture(kind=kind, path=path, original=None, corners=(), is_straightened=False)
    original = record / PLACE / f"{kind}.picture"
    return KeptPicture(
        kind=kind,
        path=path,
        original=original if original.exists() else None,
        corners=tuple(tuple(point) for point in known["corners"]),
        is_straightened=known["straightened"],
    )


def _redraw_if_stale(record: Path, picture: KeptPicture) -> None:
    """Draw a picture whose corners were changed since, by a person, an undo or a hand in the file. One that cannot be
    drawn, on a shelf that is only read for instance, stays as it was."""
    if picture.original is None:
        return
    corners = record / corner_file(corner_path(picture.kind))
    with contextlib.suppress(ParameterError, CopyError, ShelfError, OSError):
        if _is_newer(picture.path, corners):
            return
        with _changing(record):
            changed_ns = corners.stat().st_mtime_ns
            now = _kept(record, picture.kind, picture.path)
            if _is_newer(picture.path, corners) or now.original is None:
                return
            photograph = read_bounded(now.original, "photograph", most_bytes=LARGEST_UPLOAD)
            _draw(now.path, open_upright(photograph, "the picture"), now.corners, now.is_straightened)
            if now.path.stat().st_mtime_ns <= changed_ns:  # drawn within one tick of the disk's clock
                os.utime(now.path, ns=(changed_ns + 1, changed_ns + 1))


def _is_newer(picture: Path, corners: Path) -> bool:
    return picture.stat().st_mtime_ns > corners.stat().st_mtime_ns


@contextlib.contextmanager
def _changing(record: Path) -> Iterator[None]:
    with _ONE_AT_A_TIME, choices_lock(record):
        yield


def kind_of(word: str) -> PictureKind:
    """A kind of picture by its name. Raises ``ParameterError``."""
    for kind in KINDS:
        if kind == word:
            return kind
    raise ParameterError("picture-kind-unknown", kind=word[:20], known=KINDS)


def keep_picture(folder: RecordFolder, kind: PictureKind, data: bytes) -> KeptPicture:
    """Keep a picture that was sent: its original as it came, and beside it the sleeve in it, straightened and squared
    where its four corners stand out."""
    from sidekeep.files.pictures.sleeve_corners import find_corners

    with _ONE_AT_A_TIME:
        picture = open_upright(data, "the picture")
        found = find_corners(np.asarray(picture))
        corners = found.corners.tolist()
        with _changing(folder.path):
            (folder.path / PLACE).mkdir(parents=True, exist_ok=True)
            _set_aside(folder.path, kind)
            write_bytes(folder.path / PLACE / f"{kind}.picture", data)
            _note(folder, kind, {"corners": corners, "straightened": found.is_found})
            _draw(folder.path / "art" / f"{kind}.jpg", picture, corners, found.is_found)
    return replace(picture_of(folder, kind), is_sure=found.is_sure)


def move_corners(
    folder: RecordFolder, kind: PictureKind, corners: Any, *, expected_revision: int | None = None
) -> KeptPicture:
    """Straighten a kept photograph anew, by corners that a person put; a change like any other, that can be undone."""
    points = check_corners(corners)
    if picture_of(folder, kind).original is None:
        raise NotThere("no-original")

    def change(state: State) -> State:
        state[corner_path(kind)] = {"corners": points.tolist(), "straightened": True}
        return state

    facts = {"picture": kind}
    change_choices(folder.path, "picture-corners", facts, change, expected_revision=expected_revision)
    return picture_of(folder, kind)


def drop_picture(folder: RecordFolder, kind: PictureKind) -> None:
    """Take a picture away; it and its original stay in ``art/.bin``."""
    with _changing(folder.path):
        kept = picture_of(folder, kind)
        _set_aside(folder.path, kind)
        if kept.path.exists():
            _to_bin(folder.path / "art", kept.path)
        _note(folder, kind, None)


def _note(folder: RecordFolder, kind: PictureKind, corners: dict[str, Any] | None) -> None:
    """Keep the corners of a picture that came, or forget those of one that went."""

    def change(state: State) -> State:
        state.pop(corner_path(kind), None)
        return state if corners is None else state | {corner_path(kind): corners}

    change_choices(
        folder.path, "picture" if corners else "picture-away", {"picture": kind}, change, by="upload"
    )


def _draw(path: Path, picture: Image.Image, corners: Sequence[Any], is_straightened: bool) -> None:
    if is_straightened:
        picture = straighten(picture, np.array(corners), KEPT_PX)
    elif max(picture.size) > KEPT_PX:
        picture.thumbnail((KEPT_PX, KEPT_PX))
    held = io.BytesIO()
    picture.save(held, "JPEG", quality=92)
    write_bytes(path, held.getvalue(), replace=True)


def _set_aside(record: Path, kind: PictureKind) -> None:
    """What had this name before goes to the bin, its corners as a copy: nothing that was put here is overwritten."""
    art = record / "art"
    for path in (*(art / f"{kind}{suffix}" for suffix in PICTURES), record / PLACE / f"{kind}.picture"):
        if path.exists():
            _to_bin(art, path)
    text = corner_texts(record).get(corner_file(corner_path(kind)))
    if text is not None:
        write_text(_free_name(art, f"{kind}.json"), text)


def _to_bin(art: Path, path: Path) -> None:
    os.rename(path, _free_name(art, path.name))


def _free_name(art: Path, name: str) -> Path:
    (art / ".bin").mkdir(exist_ok=True)
    stem, suffix, number = Path(name).stem, Path(name).suffix, 1
    while (target := art / ".bin" / f"{stem}-{number}{suffix}").exists():
        number += 1
    return target


def picture_of(folder: RecordFolder, kind: str) -> KeptPicture:
    """The picture of a kind. Raises ``NotThere``."""
    for picture in kept_pictures(folder):
        if picture.kind == kind:
            return picture
    raise NotThere("no-picture", kind=kind if kind in KINDS else "")


def _size(path: Path) -> tuple[int, int]:
    from PIL import Image

    try:
        with Image.open(path) as picture:
            return picture.size
    except (OSError, ValueError, Image.DecompressionBombError):
        return (0, 0)
