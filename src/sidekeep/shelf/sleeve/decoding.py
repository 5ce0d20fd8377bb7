"""From the bytes of a sleeve file to its text, with a bound on both.

Conventions: a sleeve has a few thousand characters. What is far longer is another file, and is refused before it costs
time; a single line that is far too long is told and passed over.
"""

from __future__ import annotations

import codecs

from sidekeep.errors import SleeveError

MAX_BYTES = 1 << 20
MAX_CHARACTERS = 256 * 1024
MAX_LINE = 1000
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def decode_sleeve(raw: bytes, name: str = "sleeve") -> str:
    """The text in UTF-8, UTF-16 or UTF-32 (with a mark, or without one where every second byte is zero), else Windows
    Latin. Raises SleeveError for what is no text, or far too long."""
    if len(raw) > MAX_BYTES:
        raise SleeveError("sleeve-file-too-long", name=name, most_mb=MAX_BYTES >> 20)
    for mark, encoding in _MARKS:
        if raw.startswith(mark):
            return checked(raw.decode(encoding, errors="replace"), name)
    head = raw[:4096]
    if b"\0" in head:
        for encoding, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
            if zeros.count(0) > 0.4 * len(zeros):
                return checked(raw.decode(encoding, errors="replace"), name)
        raise SleeveError("sleeve-not-text", name=name)
    try:
        return checked(raw.decode("utf-8"), name)
    except UnicodeDecodeError:
        return checked(raw.decode("cp1252", errors="replace"), name)


def checked(text: str, name: str = "the sleeve text") -> str:
    """The text, when it is not far too long to be a sleeve. Raises SleeveError."""
    if len(text) > MAX_CHARACTERS:
        raise SleeveError("sleeve-too-many-characters", name=name, characters=len(text), most=MAX_CHARACTERS)
    return text
