"""How an Ogg file ends: with its marked last page, with a page like any other, or in the middle of one.

A page tells its own length, and the last one of a stream carries a flag (RFC 3533, section 6); nothing in an Ogg file says how
long it should be. Some writers never set the flag, so that a file without it may be whole.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

OggEnd = Literal["marked", "unmarked", "torn"]

_CAPTURE = b"OggS"
_HEAD_BYTES = 27
_LAST_PAGE_FLAG = 0x04
_MOST_PAGE_BYTES = _HEAD_BYTES + 255 + 255 * 255


def ogg_end(file: Path) -> OggEnd | None:
    """How the file ends; None for what is no Ogg file. Something else may follow the last page (tags of another kind)."""
    with open(file, "rb") as handle:
        if handle.read(4) != _CAPTURE:
            return None
        size = handle.seek(0, os.SEEK_END)
        # A torn page and the whole one before it lie within the length of two.
        handle.seek(max(0, size - 2 * _MOST_PAGE_BYTES))
        tail = handle.read()
    flags, is_torn = 0, True
    at = tail.find(_CAPTURE)
    while at >= 0:
        length = _page_bytes(tail[at:])
        if (
            not length
        ):  # the capture pattern may stand in the sound by chance: then a whole page begins further on
            is_torn, at = True, tail.find(_CAPTURE, at + 1)
            continue
        flags, is_torn = tail[at + 5], _begins_page(tail[at + length :])
        at = tail.find(_CAPTURE, at + length)
    if is_torn:
        return "torn"
    return "marked" if flags & _LAST_PAGE_FLAG else "unmarked"


def _page_bytes(data: bytes) -> int:
    """Length of the whole page that begins here; 0 where none does, or not all of it is there."""
    if len(data) < _HEAD_BYTES or data[4] != 0:
        return 0
    body = _HEAD_BYTES + data[26]
    length = body + sum(data[_HEAD_BYTES:body])
    return length if len(data) >= length else 0


def _begins_page(rest: bytes) -> bool:
    """Whether what follows a page is the beginning of another."""
    return bool(rest) and rest[:4] == _CAPTURE[: len(rest)]
