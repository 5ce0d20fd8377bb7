"""Generated pictures for a record that has none: a sleeve front and a round label.

Style: a chart of an unknown coast, drawn from the record's own words. Heights come from seeded noise, so
the same titles always give the same coast; the ring around it is the record itself, one arc a track, as
long as the track; the numbers in the water are the printed minutes. Colours are one of a few quiet sets.
Lettering is the scalable font that comes with Pillow; letters it lacks are reduced to plain ones.

Pictures are square PNG bytes; sizes are pixels.
"""

from __future__ import annotations

import hashlib
import io
import math
from typing import Any

import numpy as np

from sidekeep.errors import ParameterError
from sidekeep.model.record import Record
from sidekeep.press.sleeve.chart import PALETTES, Array, Colour, Palette, draw_chart
from sidekeep.press.sleeve.lettering import fit, wrap, write
from sidekeep.units import clock_text


def _seed(record: Record) -> list[int]:
    words = [
        record.artist,
        record.title,
        str(record.year),
        *(t.title for s in record.sides for t in s.tracks),
    ]
    return list(hashlib.sha256("\n".join(words).encode()).digest()[:16])


def _check_size(size_px: int) -> None:
    if not 100 <= size_px <= 4000:
        raise ParameterError("art-size", size_px=size_px)


def _png(image: Any) -> bytes:
    held = io.BytesIO()
    image.save(held, "PNG", optimize=True)
    return held.getvalue()


def _arcs(record: Record) -> list[tuple[str, float, float, float | None]]:
    """(position, start, stop in degrees clockwise from the top, printed seconds), side after side."""
    tracks = [(side.name, track) for side in record.sides for track in side.tracks]
    if not tracks:
        return [("", 0.0, 360.0, None)]
    known = [track.duration_s for _, track in tracks if track.duration_s]
    usual = sum(known) / len(known) if known else 1.0
    gap, between_sides = 1.6, 5.0
    room = 360.0 - gap * len(tracks) - between_sides * len(record.sides)
    total = sum(track.duration_s or usual for _, track in tracks)
    # The gap between the last side and the first sits right at the top.
    arcs, angle, before = [], -0.5 * (gap + between_sides), ""
    for side, track in tracks:
        angle += gap + (between_sides if side != before else 0.0)
        sweep = room * (track.duration_s or usual) / total
        arcs.append((f"{side}{track.number}", angle, angle + sweep, track.duration_s))
        angle += sweep
        before = side
    return arcs


def sleeve_picture(record: Record, size_px: int = 1200) -> bytes:
    """The front of a sleeve as PNG, ``size_px`` square; the same record always gives the same picture."""
    from PIL import Image, ImageDraw

    _check_size(size_px)
    rng = np.random.default_rng(_seed(record))
    palette = PALETTES[int(rng.integers(len(PALETTES)))]
    big = 2 * size_px
    image = Image.new("RGB", (big, big), palette.paper)
    centre_x, centre_y, radius = 0.5 * big, 0.432 * big, 0.335 * big

    across = round(2 * radius) + 4
    colours, height = draw_chart(rng, across, palette)
    disc = Image.fromarray(np.clip(colours, 0, 255).astype(np.uint8), "RGB")
    mask = Image.new("L", (across, across), 0)
    ImageDraw.Draw(mask).ellipse((2, 2, across - 3, across - 3), fill=255)
    image.paste(disc, (round(centre_x - across / 2), round(centre_y - across / 2)), mask)

    draw = ImageDraw.Draw(image)

    def ring(scale: float, width: float, colour: Colour, start: float = 0.0, stop: float = 360.0) -> None:
        reach = radius * scale
        box = (centre_x - reach, centre_y - reach, centre_x + reach, centre_y + reach)
        draw.arc(box, start - 90.0, stop - 90.0, fill=colour, width=max(1, round(width * big)))

    ring(1.004, 0.0022, palette.ink)
    for step in range(180):
        angle = math.radians(2.0 * step)
        inner, outer = 1.022, 1.034 if step % 5 else 1.044
        x, y = math.sin(angle), -math.cos(angle)
        draw.line(
            (centre_x + radius * inner * x, centre_y + radius * inner * y,
             centre_x + radius * outer * x, centre_y + radius * outer * y),
            fill=palette.ink, width=max(1, round(0.0011 * big)),
        )  # fmt: skip
    arcs = _arcs(record)
    first_side = arcs[0][0][:1]
    for position, start, stop, _ in arcs:
        ring(1.085, 0.0095, palette.accent if position[:1] == first_side else palette.ink, start, stop)
    _soundings(draw, rng, height, arcs, (centre_x, centre_y, radius), big, palette)
    _front_lettering(draw, record, big, palette)
    return _png(image.resize((size_px, size_px), Image.Resampling.LANCZOS))


def _soundings(
    draw: Any, rng: np.random.Generator, height: Array, arcs: list[tuple[str, float, float, float | None]],
    circle: tuple[float, float, float], big: int, palette: Palette,
) -> None:  # fmt: skip
    """Printed times as depths in the water, each with its track mark, none on land or on another."""
    centre_x, centre_y, radius = circle
    placed: list[tuple[float, float]] = []
    across = height.shape[0]
    spot = 0.0036 * big
    reach_across = np.arange(-12.0, 15.0) * spot
    dark, pale = sorted((palette.paper, palette.ink), key=sum)
    for position, start, stop, seconds in arcs:
        if seconds is None:
            continue
        best = (-math.inf, 0.0, 0.0, 0.0)
        for _ in range(220):
            angle = math.radians(rng.uniform(start - 8.0, stop + 8.0))
            reach = radius * rng.uniform(0.28, 0.84)
            x, y = math.sin(angle) * reach, -math.cos(angle) * reach
            row = int(across / 2 + y)
            columns = np.clip(across / 2 + x + reach_across, 0, across - 1).astype(np.int64)
            ground = float(np.max(height[row, columns]))
            crowd = min((math.hypot(0.45 * (x - px), y - py) for px, py in placed), default=radius)
            fitness = min(-ground, 0.3) * 3.0 + min(crowd / radius, 0.5)
            best = max(best, (fitness, x, y, ground))
        _, x, y, ground = best
        crowd = min((math.hypot(0.45 * (x - px), y - py) for px, py in placed), default=radius)
        if ground > -0.01 or crowd < 0.1 * radius:
            continue
        placed.append((x, y))
        at_x, at_y = centre_x + x, centre_y + y
        letters = pale if ground < -0.16 else dark
        draw.ellipse((at_x - spot, at_y - spot, at_x + spot, at_y + spot), fill=palette.accent)
        write(
            draw,
            (at_x + 2.4 * spot, at_y),
            clock_text(seconds),
            0.0155 * big,
            letters,
            anchor="lm",
            spacing=0.04,
        )
        write(draw, (at_x - 2.4 * spot, at_y), position, 0.0115 * big, letters, anchor="rm", spacing=0.04)


def _front_lettering(draw: Any, record: Record, big: int, palette: Palette) -> None:
    left, right = 0.075 * big, 0.925 * big
    room = right - left
    artist = record.artist.upper()
    year = str(record.year) if record.year else ""
    title_size = 0.056 * big
    lines = wrap(record.title, title_size, room)
    if len(lines) > 1:
        title_size = fit(record.title, 0.04 * big, 1.7 * room)
        lines = wrap(record.title, title_size, room)[:2]
    title_size = min([title_size, *(fit(line, title_size, room) for line in lines)])
    base = 0.942 * big
    small = fit(artist, 0.0195 * big, room - 0.12 * big, 0.16)
    draw.line(
        (left, base - 0.036 * big, right, base - 0.036 * big),
        fill=palette.ink,
        width=max(1, round(0.0012 * big)),
    )
    write(draw, (left, base), artist, small, palette.ink, spacing=0.16)
    write(draw, (right, base), year, 0.0195 * big, palette.accent, spacing=0.16, anchor="rs")
    for above, line in enumerate(reversed(lines)):
        write(
            draw,
            (left - 0.04 * title_size, base - 0.058 * big - 1.12 * title_size * above),
            line,
            title_size,
            palette.ink,
        )


def label_picture(record: Record, side: str = "A", size_px: int = 600) -> bytes:
    """The round paper label of one side as PNG with a clear background, ``size_px`` square.

    Raises ``ParameterError`` for a side the record does not have.
    """
    from PIL import Image, ImageDraw

    _check_size(size_px)
    found = record.side(side)
    if found is None:
        raise ParameterError("art-side", side=side, known=[each.name for each in record.sides])
    rng = np.random.default_rng(_seed(record))
    palette = PALETTES[int(rng.integers(len(PALETTES)))]
    big = 2 * size_px
    middle = big / 2
    colours, _ = draw_chart(rng, big, palette)
    mask = Image.new("L", (big, big), 0)
    mask_draw = ImageDraw.Draw(mask)
    mask_draw.ellipse((4, 4, big - 5, big - 5), fill=255)
    hole = 0.036 * big
    mask_draw.ellipse((middle - hole, middle - hole, middle + hole, middle + hole), fill=0)
    image = Image.new("RGB", (big, big), palette.paper)
    # The chart fills the upper half, down to a horizon; the lower half is paper for the words.
    horizon = round(0.40 * big)
    image.paste(Image.fromarray(np.clip(colours[:horizon], 0, 255).astype(np.uint8), "RGB"), (0, 0))
    draw = ImageDraw.Draw(image)
    fine = max(1, round(0.003 * big))
    draw.line((0, horizon, big, horizon), fill=palette.ink, width=fine)
    rim = 0.485 * big
    draw.ellipse((middle - rim, middle - rim, middle + rim, middle + rim), outline=palette.ink, width=fine)
    pin = 0.07 * big
    draw.ellipse(
        (middle - pin, middle - pin, middle + pin, middle + pin),
        fill=palette.paper,
        outline=palette.ink,
        width=fine,
    )
    write(draw, (0.115 * big, 0.5 * big), found.name, 0.12 * big, palette.accent, anchor="lm")
    speed = f"{record.rpm:.3g}" if record.rpm else ""
    write(
        draw,
        (0.885 * big, 0.5 * big),
        speed or str(record.year or ""),
        0.04 * big,
        palette.ink,
        anchor="rm",
        spacing=0.1,
    )
    title_size = fit(record.title, 0.05 * big, 0.72 * big)
    write(draw, (middle, 0.655 * big), record.title, title_size, palette.ink, anchor="ms")
    artist = record.artist.upper()
    write(
        draw,
        (middle, 0.695 * big),
        artist,
        fit(artist, 0.024 * big, 0.66 * big, 0.14),
        palette.ink,
        spacing=0.14,
        anchor="ms",
    )
    rows = min(len(found.tracks), 8)
    step = min(0.042 * big, 0.21 * big / max(rows, 1))
    for row, track in enumerate(found.tracks[:rows]):
        y = 0.745 * big + step * row
        half = math.sqrt(max(0.0, (0.45 * big) ** 2 - (y - middle) ** 2))
        time = f" \u00b7 {clock_text(track.duration_s)}" if track.duration_s else ""
        line = f"{track.number} \u00b7 {track.title}{time}"
        write(
            draw,
            (middle, y),
            line,
            fit(line, min(0.028 * big, 0.72 * step), 1.8 * half),
            palette.ink,
            anchor="ms",
        )
    image.putalpha(mask)
    return _png(image.resize((size_px, size_px), Image.Resampling.LANCZOS))
