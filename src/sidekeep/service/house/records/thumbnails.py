"""Pictures of a record made small for a page, and the colour of its cover."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path

from sidekeep.errors import ParameterError
from sidekeep.files.pictures.artwork import load_picture
from sidekeep.files.pictures.colour import sleeve_colour
from sidekeep.service.shelf.pictures import kept_pictures
from sidekeep.shelf.record_folder import RecordFolder

SMALLEST_PX, LARGEST_PX = 64, 2000
_THUMBS_KEPT = 200


class Thumbnails:
    """Pictures made small, the newest few hundred kept in memory."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[Path, int, int], bytes] = OrderedDict()

    def get(self, path: Path, size_px: int) -> bytes:
        """JPEG bytes, at most ``size_px`` a side."""
        if not SMALLEST_PX <= size_px <= LARGEST_PX:
            raise ParameterError("size-range", size_px=size_px, least_px=SMALLEST_PX, most_px=LARGEST_PX)
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
            _colours[key] = sleeve_colour(load_picture(front, maximum_side_px=64).data)
        except ParameterError:
            _colours[key] = None
    return _colours[key]
