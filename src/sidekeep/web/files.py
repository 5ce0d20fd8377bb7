"""The page's own files, from the package's ``page`` folder and from nowhere else.

A path is looked up among the names of the files that are there, so that no spelling of it can lead outside. The page itself
names the modules that the place of the address needs, so that they come at once and nothing else comes before them.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import os
import re
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from sidekeep.errors import NotThere
from sidekeep.web.answers import answer_to

PAGE = Path(__file__).parent / "page"
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
    ".txt": "text/plain; charset=utf-8",
    ".md": "text/plain; charset=utf-8",
    ".woff2": "font/woff2",
}
_PLACES = {"": "shelf", "new": "sleeve", "turntable": "turntable", "phone": "phone"}
_RECORD_PLACES = ("sleeve", "turntable", "side", "copies", "later")
_MODULE = re.compile(rb'<link rel="modulepreload"[^>]* data-for="([^"]*)"[^>]*>\n')
_PRESSED = {".html", ".css", ".js", ".mjs", ".json", ".svg", ".webmanifest", ".txt", ".md"}


class PageFiles:
    """Serves the folder; what was read and compressed is kept until the file changes."""

    def __init__(self, folder: Path = PAGE) -> None:
        self._folder = folder
        self._names: dict[str, Path] = {}
        self._kept: dict[str, tuple[tuple[int, int], bytes, bytes, str]] = {}

    def names(self) -> dict[str, Path]:
        """Every file by its path from the folder, with slashes."""
        return {
            path.relative_to(self._folder).as_posix(): path
            for path in self._folder.rglob("*")
            if path.suffix in _TYPES and path.is_file() and not path.is_symlink()
        }

    def _look_up(self, name: str) -> tuple[Path | None, os.stat_result | None]:
        """The file of that name; the folder is read anew only where the name is not known or its file is gone."""
        for _ in range(2):
            path = self._names.get(name)
            with contextlib.suppress(OSError):
                if path is not None:
                    return path, path.stat()
            self._names = self.names()
            if name not in self._names:
                break
        return None, None

    def place(self, request: Request, address: str) -> Response:
        """The page for an address, with the modules its place needs named up front."""
        return self.answer(request, "index.html", _place_of(address))

    def answer(self, request: Request, name: str, place: str = "") -> Response:
        """The file of that name; the page itself for a place."""
        path, stat = self._look_up(name)
        if path is None or stat is None:
            return answer_to(NotThere("no-such-file"))
        stamp = (stat.st_mtime_ns, stat.st_size)
        kept = self._kept.get(name + place)
        if kept is None or kept[0] != stamp:
            data = path.read_bytes()
            if place:
                data = _MODULE.sub(
                    lambda found: found[0] if place.encode() in found[1].split() else b"", data
                )
            pressed = gzip.compress(data, 9, mtime=0) if path.suffix in _PRESSED and len(data) > 500 else b""
            tag = f'"{hashlib.sha256(data).hexdigest()[:20]}"'
            kept = self._kept[name + place] = (stamp, data, pressed, tag)
        _, data, pressed, tag = kept
        headers = {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        if pressed and "gzip" in request.headers.get("accept-encoding", ""):
            return Response(
                pressed, media_type=_TYPES[path.suffix], headers={**headers, "Content-Encoding": "gzip"}
            )
        return Response(data, media_type=_TYPES[path.suffix], headers=headers)


def _place_of(address: str) -> str:
    """The place that an address leads to, as the page itself reads it; what leads nowhere is like the shelf."""
    first, _, rest = address.strip("/").partition("/")
    if first != "record":
        return _PLACES.get(first, "shelf")
    place = rest.split("/")[1] if "/" in rest else "sleeve"
    return place if place in _RECORD_PLACES else "shelf"
