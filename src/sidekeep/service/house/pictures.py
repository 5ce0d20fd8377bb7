"""The pictures of a record: ``art/front.jpg``, ``art/back.jpg``, ``art/label.jpg`` and what a person put there by hand.

A picture that came in here keeps its original, byte for byte, in ``art/originals``; the corners of the sleeve in it
are noted beside it. Files somebody else put into ``art`` count as before: one with ``back`` or ``label`` in its name
is that, the first other one is the front.
"""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sidekeep.errors import NotThere, ParameterError
from sidekeep.files.pictures import PictureKind, load_picture
from sidekeep.service.copies import PICTURES
from sidekeep.shelf.record_folder import RecordFolder

KINDS: tuple[PictureKind, ...] = ("front", "back", "label", "other")
SMALLEST_PX, LARGEST_PX = 64, 2000
_THUMBS_KEPT = 200


@dataclass(frozen=True, kw_only=True)
class KeptPicture:
    """One picture of a record, as copies will carry it."""

    kind: PictureKind
    path: Path

    def view(self) -> dict[str, Any]:
        """Facts for a page."""
        width, height = _size(self.path)
        return {"kind": self.kind, "width": width, "height": height}


def kept_pictures(folder: RecordFolder) -> list[KeptPicture]:
    """At most one of every kind, the front first."""
    art = folder.path / "art"
    paths = sorted(path for path in art.iterdir() if path.suffix.lower() in PICTURES) if art.is_dir() else []
    found: dict[PictureKind, Path] = {}
    for path in paths:
        stem = path.stem.lower()
        kind: PictureKind = "back" if "back" in stem else "label" if "label" in stem else "front"
        if stem == "other":
            kind = "other"
        found.setdefault(kind, path)
    return [KeptPicture(kind=kind, path=found[kind]) for kind in KINDS if kind in found]


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
