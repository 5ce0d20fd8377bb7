"""The page's own files, from the package's ``page`` folder and from nowhere else.

A path is looked up among the names of the files that are there, so that no spelling of it can lead outside.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import os
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from sidekeep.web.answers import error_answer

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

    def answer(self, request: Request, name: str) -> Response:
        """The file of that name."""
        path, stat = self._look_up(name)
        if path is None or stat is None:
            return error_answer(404, "not-there", "the page has no such file")
        stamp = (stat.st_mtime_ns, stat.st_size)
        kept = self._kept.get(name)
        if kept is None or kept[0] != stamp:
            data = path.read_bytes()
            pressed = gzip.compress(data, 6, mtime=0) if path.suffix in _PRESSED and len(data) > 500 else b""
            tag = f'"{hashlib.sha256(data).hexdigest()[:20]}"'
            kept = self._kept[name] = (stamp, data, pressed, tag)
        _, data, pressed, tag = kept
        headers = {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        if pressed and "gzip" in request.headers.get("accept-encoding", ""):
            return Response(
                pressed, media_type=_TYPES[path.suffix], headers={**headers, "Content-Encoding": "gzip"}
            )
        return Response(data, media_type=_TYPES[path.suffix], headers=headers)
