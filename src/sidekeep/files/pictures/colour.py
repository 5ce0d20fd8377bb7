"""The one colour that a sleeve is known by: of its spine and its labels wherever they are drawn."""

from __future__ import annotations

from sidekeep.files.pictures.artwork import open_upright


def sleeve_colour(picture: bytes) -> str:
    """``#rrggbb``: the strongest colour that covers a good part of a picture. Raises ``ParameterError`` for what is none."""
    few = open_upright(picture).resize((48, 48)).quantize(8)
    palette = few.getpalette() or []
    counts = few.getcolors() or []
    best, most = (128, 128, 128), -1.0
    for count, index in counts:
        assert isinstance(index, int)
        red, green, blue = palette[3 * index : 3 * index + 3]
        high, low = max(red, green, blue), min(red, green, blue)
        weight = count * (0.15 + (high - low) / 255.0)
        if weight > most:
            best, most = (red, green, blue), weight
    return "#{:02x}{:02x}{:02x}".format(*best)


def writing_on(colour: str) -> str:
    """Black or white, whichever stands out more on ``#rrggbb``: never below 4.5 to 1 (relative luminance of WCAG 2.2)."""
    shares = (int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5))
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return "#000000" if luminance > 0.179 else "#ffffff"
