"""Text for places that hold plain signs only: what has no place there is written with letters that sound alike.

Every name stands in full somewhere else beside it (ID3, UTF-8 cue sheet, iXML); this is for readers that know less.
"""

from __future__ import annotations

import unicodedata

_SILENT = ("Cc", "Cf", "Mn", "Mc", "Me")
"""Kinds of signs that stand for no letter of their own."""


def ascii_text(text: str) -> str:
    """Text in ASCII (ISO/IEC 646): accents dropped, other letters and signs transliterated, ``?`` for what has nothing
    alike; control characters dropped but CR and LF."""
    from anyascii import anyascii

    kept = []
    for sign in _whole(text):
        plain = sign if sign.isascii() else anyascii(sign)
        kept.append(plain or ("" if unicodedata.category(sign) in _SILENT else "?"))
    return "".join(sign for sign in "".join(kept) if sign in "\r\n" or 32 <= ord(sign) < 127)


def latin_1_text(text: str) -> str:
    """Text whose every sign is in ISO/IEC 8859-1, the alphabet of CD-Text and of most burners' cue sheets."""
    return "".join(
        sign if ord(sign) < 127 or 160 <= ord(sign) < 256 else ascii_text(sign) for sign in _whole(text)
    )


def _whole(text: str) -> str:
    """One sign for a letter with its accent, where there is one."""
    return unicodedata.normalize("NFC", text)
