"""Playlists: extended M3U in UTF-8 (``.m3u8``; the form is described in RFC 8216, section 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sidekeep.copies.tracks.naming import safe_name


@dataclass(frozen=True, kw_only=True)
class PlaylistEntry:
    """One file: its path from the playlist, its length and the line that is shown."""

    path: str
    length_s: float
    label: str


def playlist_path(folder: str, title: str) -> str:
    """Where the playlist of a folder of tracks stands."""
    return f"{folder}/" + safe_name(title or "Record", ".m3u8")


def playlist_text(entries: Sequence[PlaylistEntry]) -> bytes:
    """The playlist of files in the order given."""
    lines = ["#EXTM3U"]
    for entry in entries:
        path = entry.path if entry.path[0] != "#" else f"./{entry.path}"
        lines += [f"#EXTINF:{math.floor(entry.length_s + 0.5)},{entry.label}", path]
    return ("\n".join(lines) + "\n").encode("utf-8")
