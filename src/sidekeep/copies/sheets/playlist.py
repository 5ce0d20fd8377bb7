"""Playlists: extended M3U in UTF-8 (``.m3u8``; the form is described in RFC 8216, section 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sidekeep.files.tags import TagSet


def playlist_text(entries: Sequence[tuple[str, float, TagSet]]) -> bytes:
    """Relative path, length in seconds and tags of every file, in order."""
    lines = ["#EXTM3U"]
    for path, length_s, tags in entries:
        artist = ", ".join(tags.artists)
        title = f"{artist} - {tags.title}" if artist else tags.title
        lines += [f"#EXTINF:{math.floor(length_s + 0.5)},{title}", path if path[0] != "#" else f"./{path}"]
    return ("\n".join(lines) + "\n").encode("utf-8")
