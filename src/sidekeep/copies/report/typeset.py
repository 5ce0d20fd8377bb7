"""Sentences as a printed page sets them: a number stays with its unit at the end of a line, and a minus is one.

For the reports; a terminal and JSON get sentences as they are. ``tight`` in the page's ``words.js`` does the same.
"""

from __future__ import annotations

import re

_UNITS = r"(?:%|(?:dB(?:FS|TP)?|LUFS|LU|kHz|Hz|ms|s|ppm|rpm|kB|MB|GB|bits?)\b)"
_BEFORE_UNIT = re.compile(rf"(?<=\d) (?={_UNITS})")
_MINUS = re.compile(r"(?<![^\s(])-(?=\d)")


def tight(text: str) -> str:
    """The sentence with no-break spaces before units, and minus signs where hyphens stood for them."""
    return _MINUS.sub("−", _BEFORE_UNIT.sub("\u00a0", text))
