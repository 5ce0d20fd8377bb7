"""The pictures of a record: ``art/front.jpg``, ``art/back.jpg``, ``art/label.jpg`` and what a person put there by hand.

A picture that came in here keeps its original, byte for byte, in ``art/originals``; the corners of the sleeve in it
are noted beside it. What is replaced or taken away goes to ``art/.bin``.
"""

from __future__ import annotations

import io
import os
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sidekeep.errors import NotThere, ParameterError
from sidekeep.files.atomic import write_bytes, write_json
from sidekeep.files.bounded import read_bounded, read_json_bounded
from sidekeep.files.pictures import PictureKind, load_picture, open_upright
from sidekeep.files.sleeve_corners import check_corners, find_corners, straighten
from sidekeep.shelf.art import KINDS, ORIGINALS, PICTURES, art_files
from sidekeep.shelf.record_folder import RecordFolder

if TYPE_CHECKING:
    from PIL import Image

KEPT_PX = 2400
LARGEST_UPLOAD = 60_000_000
_ONE_AT_A_TIME = threading.Lock()
SMALLEST_PX, LARGEST_PX = 64, 2000
_THUMBS_KEPT = 200


@dataclass(frozen=True, kw_only=True)
class KeptPicture:
    """One picture of a record as copies will carry it, and the photograph it was made from, if any."""

    kind: PictureKind
    path: Path
    original: Path | None
    corners: tuple[tuple[float, float], ...]
    is_straightened: bool

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
        }


def kept_pictures(folder: RecordFolder) -> list[KeptPicture]:
    """At most one of every kind, the front first."""
    return [_kept(folder.path, kind, path) for kind, path in art_files(folder.path).items()]


def _kept(record: Path, kind: PictureKind, path: Path) -> KeptPicture:
    originals = record / "art" / ORIGINALS
    facts: dict[str, Any] = {}
    original = None
    if path.stem == kind:
        try:
            facts = read_json_bounded(originals / f"{kind}.json", "the corners")
            original = originals / f"{kind}.picture"
            corners = tuple((float(x), float(y)) for x, y in facts["corners"])
            return KeptPicture(
                kind=kind,
                path=path,
                original=original if original.exists() else None,
                corners=corners,
                is_straightened=bool(facts["straightened"]),
            )
        except (ParameterError, ValueError, KeyError, TypeError):
            pass
    return KeptPicture(kind=kind, path=path, original=None, corners=(), is_straightened=False)


def kind_of(word: str) -> PictureKind:
    """A kind of picture by its name. Raises ``ParameterError``."""
    for kind in KINDS:
        if kind == word:
            return kind
    raise ParameterError(f"kind={word[:20]!r} must be one of {', '.join(KINDS)}")


def keep_picture(folder: RecordFolder, kind: PictureKind, data: bytes) -> KeptPicture:
    """Keep a picture that was sent: its original as it came, and beside it the sleeve in it, straightened and squared
    where its four corners stand out."""
    with _ONE_AT_A_TIME:  # a large photograph unpacks to a quarter of a gigabyte
        picture = open_upright(data, "the picture")
        found = find_corners(np.asarray(picture))
        art = folder.path / "art"
        (art / ORIGINALS).mkdir(parents=True, exist_ok=True)
        _set_aside(art, kind)
        write_bytes(art / ORIGINALS / f"{kind}.picture", data)
        return _draw(folder, kind, picture, found.corners.tolist(), found.is_found)


def move_corners(folder: RecordFolder, kind: PictureKind, corners: Any) -> KeptPicture:
    """Straighten a kept photograph anew, by corners that a person put."""
    points = check_corners(corners)
    kept = picture_of(folder, kind)
    if kept.original is None:
        raise NotThere(
            "this picture was not sent here, so there is no photograph to straighten", code="no-original"
        )
    with _ONE_AT_A_TIME:
        picture = open_upright(
            read_bounded(kept.original, "the photograph", most_bytes=LARGEST_UPLOAD), "the picture"
        )
        return _draw(folder, kind, picture, points.tolist(), True)


def drop_picture(folder: RecordFolder, kind: PictureKind) -> None:
    """Take a picture away; it and its original stay in ``art/.bin``."""
    kept = picture_of(folder, kind)
    art = folder.path / "art"
    _set_aside(art, kind)
    if kept.path.exists():
        _to_bin(art, kept.path)


def _draw(
    folder: RecordFolder, kind: PictureKind, picture: Image.Image, corners: list[Any], is_straightened: bool
) -> KeptPicture:
    art = folder.path / "art"
    if is_straightened:
        picture = straighten(picture, np.array(corners), KEPT_PX)
    elif max(picture.size) > KEPT_PX:
        picture.thumbnail((KEPT_PX, KEPT_PX))
    held = io.BytesIO()
    picture.save(held, "JPEG", quality=92)
    write_bytes(art / f"{kind}.jpg", held.getvalue(), replace=True)
    facts = {"corners": corners, "straightened": is_straightened}
    write_json(art / ORIGINALS / f"{kind}.json", facts, replace=True)
    return picture_of(folder, kind)


def _set_aside(art: Path, kind: PictureKind) -> None:
    """What had this name before goes to the bin: nothing that was put here is overwritten."""
    for path in (
        *(art / f"{kind}{suffix}" for suffix in PICTURES),
        art / ORIGINALS / f"{kind}.picture",
        art / ORIGINALS / f"{kind}.json",
    ):
        if path.exists():
            _to_bin(art, path)


def _to_bin(art: Path, path: Path) -> None:
    (art / ".bin").mkdir(exist_ok=True)
    number = 1
    while (target := art / ".bin" / f"{path.stem}-{number}{path.suffix}").exists():
        number += 1
    os.rename(path, target)


def picture_of(folder: RecordFolder, kind: str) -> KeptPicture:
    """The picture of a kind. Raises ``NotThere``."""
    for picture in kept_pictures(folder):
        if picture.kind == kind:
            return picture
    raise NotThere(f"this record has no {kind if kind in KINDS else 'such'} picture")


class Thumbnails:
    """Pictures made small, the newest few hundred kept in memory."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[Path, int, int], bytes] = OrderedDict()

    def get(self, path: Path, size_px: int) -> bytes:
        """JPEG bytes, at most ``size_px`` a side."""
        if not SMALLEST_PX <= size_px <= LARGEST_PX:
            raise ParameterError(f"size={size_px} must lie between {SMALLEST_PX} and {LARGEST_PX}")
        key = (path, path.stat().st_mtime_ns, size_px)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        data = load_picture(path, maximum_side_px=size_px).data
        with self._lock:
            self._kept[key] = data
            while len(self._kept) > _THUMBS_KEPT:
                self._kept.popitem(last=False)
        return data


_colours: dict[tuple[Path, int], str | None] = {}


def cover_colour(folder: RecordFolder) -> str | None:
    """The sleeve's own colour as ``#rrggbb``: the strongest one that covers a good part of the front."""
    front = next((picture.path for picture in kept_pictures(folder) if picture.kind == "front"), None)
    if front is None:
        return None
    key = (front, front.stat().st_mtime_ns)
    if key not in _colours:
        if len(_colours) > 5000:
            _colours.clear()
        try:
            _colours[key] = _strongest(load_picture(front, maximum_side_px=64).data)
        except ParameterError:
            _colours[key] = None
    return _colours[key]


def _strongest(jpeg: bytes) -> str:
    from PIL import Image

    with Image.open(io.BytesIO(jpeg)) as picture:
        few = picture.convert("RGB").resize((48, 48)).quantize(8)
        palette = few.getpalette() or []
        counts = few.getcolors() or []
    best, most = (128, 128, 128), -1.0
    for count, index in counts:
        assert isinstance(index, int)
        red, green, blue = palette[3 * index : 3 * index + 3]
        high, low = max(red, green, blue), min(red, green, blue)
        weight = count * (0.15 + (high - low) / 255.0)
        if weight > most:
            best, most = (red, green, blue), weight
    return "#{:02x}{:02x}{:02x}".format(*best)


def _size(path: Path) -> tuple[int, int]:
    from PIL import Image

    try:
        with Image.open(path) as picture:
            return picture.size
    except (OSError, ValueError, Image.DecompressionBombError):
        return (0, 0)
