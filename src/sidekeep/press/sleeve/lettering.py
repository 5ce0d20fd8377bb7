"""Lettering for generated pictures, with the scalable font that comes with Pillow.

Sizes and places are pixels; ``spacing`` is extra room between letters in parts of the size.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from typing import Any

from sidekeep.press.sleeve.chart import Colour


def _font(size_px: float) -> Any:
    from PIL import ImageFont

    return ImageFont.load_default(max(6.0, size_px))


_PLAIN = {
    "\u00d8": "O",
    "\u00f8": "o",
    "\u00c6": "AE",
    "\u00e6": "ae",
    "\u00df": "ss",
    "\u2019": "'",
    "\u2013": "-",
}


@lru_cache(maxsize=4096)
def _plain(char: str) -> str:
    """The character if the built-in font has it, else its plain letters, else nothing."""
    if char.isascii():
        return char
    font = _font(20.0)
    if bytes(font.getmask(char)) != bytes(font.getmask("\uffff")):
        return char
    return _PLAIN.get(char) or unicodedata.normalize("NFKD", char).encode("ascii", "ignore").decode()


def drawable(text: str) -> str:
    """Only what the font can draw, single-spaced."""
    return " ".join("".join(_plain(char) for char in text).split())


def write(
    draw: Any, place: tuple[float, float], text: str, size_px: float, colour: Colour, *,
    spacing: float = 0.0, anchor: str = "ls",
) -> float:  # fmt: skip
    """One line of text with letter spacing (in parts of the size); returns its width in pixels."""
    font = _font(size_px)
    text = drawable(text)
    advances = [font.getlength(char) + spacing * size_px for char in text]
    width = max(0.0, sum(advances) - spacing * size_px)
    x = place[0] - {"l": 0.0, "m": width / 2.0, "r": width}[anchor[0]]
    if spacing == 0.0:
        draw.text((x, place[1]), text, font=font, fill=colour, anchor="l" + anchor[1])
        return float(font.getlength(text))
    for char, advance in zip(text, advances):
        draw.text((x, place[1]), char, font=font, fill=colour, anchor="l" + anchor[1])
        x += advance
    return width


def text_width(text: str, size_px: float, spacing: float) -> float:
    text = drawable(text)
    return float(_font(size_px).getlength(text)) + spacing * size_px * max(0, len(text) - 1)


def fit(text: str, wanted_px: float, room_px: float, spacing: float = 0.0) -> float:
    """The largest letter size up to ``wanted_px`` that keeps the text inside ``room_px``."""
    width = text_width(text, wanted_px, spacing)
    return wanted_px if width <= room_px else wanted_px * room_px / width


def wrap(text: str, size_px: float, room_px: float) -> list[str]:
    lines: list[str] = []
    for word in drawable(text).split():
        if lines and text_width(lines[-1] + " " + word, size_px, 0.0) <= room_px:
            lines[-1] += " " + word
        else:
            lines.append(word)
    return lines
