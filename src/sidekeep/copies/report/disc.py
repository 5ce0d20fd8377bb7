"""The two pictures of a side, as SVG: the disc under a lamp, and the side unrolled.

Loud grooves swing wide and scatter the light, quiet ones and gaps stay dark: so the brightness of a ring is the
level of the music there. Damage is drawn where it is on the disc: the radius from the time, the angle from the
turn. A scratch, which comes back once a turn, makes a line.

Sizes are those of a record in millimetres (a 12 inch disc: radius 150, grooves from 146 in to 60, label 50;
IEC 60098; the others in proportion to their size), but the spacing of the grooves is taken as even.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterator
from html import escape

import numpy as np
from numpy.typing import NDArray

from sidekeep.copies.report.data import RepairView, SideView
from sidekeep.model.record import Record
from sidekeep.units import LP_RPM, count

_RING_STOPS = 240
_STRIP_STOPS = 400
_MOST_MARKS = 1500
_MARK_WIDTH = {"crackle": 0.8, "tick": 1.2, "pop": 1.9, "thump": 2.7}
_LAMP_ANGLES = (-58.0, 122.0)
_LAMP = tuple((38.0 - 2.25 * step, 0.022 + 0.0065 * step) for step in range(17))
"""The sheen, from nested sectors: half angle in degrees and opacity."""
_STRIP_WIDTH, _STRIP_HEIGHT = 1000.0, 132.0
_DARKEST_DB = -46.0
"""Under the side's loud parts, where the groove is drawn black: a quiet passage shows, groove noise does not (by eye)."""


def brightness(side: SideView, points: int) -> NDArray[np.float64]:
    """Level of the side in ``points`` equal parts between needle down and up, 0 (dark) to 1, shape (points,).

    The envelope's larger side, against the side's own loud parts; clicks are narrower than a part and are
    taken out by the median of three neighbours.
    """
    count = len(side.envelope)
    if count == 0 or side.length_s <= 0.0:
        return np.zeros(points)
    peak = np.abs(side.envelope).max(axis=1)
    around = np.stack(
        (peak[np.maximum(np.arange(count) - 1, 0)], peak, peak[np.minimum(np.arange(count) + 1, count - 1)])
    )
    peak = np.median(around, axis=0)
    start_s, stop_s = played(side)
    time_s = start_s + (np.arange(points) + 0.5) / points * (stop_s - start_s)
    place = np.clip((time_s / side.length_s * count).astype(np.int64), 0, count - 1)
    loud = max(float(np.percentile(peak, 95)), 1e-6)
    level_db = 20.0 * np.log10(np.maximum(peak[place] / loud, 1e-6))
    return np.clip(1.0 - level_db / _DARKEST_DB, 0.0, 1.0)


def played(side: SideView) -> tuple[float, float]:
    """Seconds from needle down to needle up, in order and inside the take."""
    start_s = min(max(side.needle_down_s, 0.0), side.length_s)
    stop_s = side.length_s if side.needle_up_s is None else min(side.needle_up_s, side.length_s)
    return start_s, max(stop_s, start_s + 1e-3)


def _shade(light: float, bright: bool) -> str:
    """Vinyl under little or much light."""
    dark, lit = ((22, 23, 28), (70, 72, 82)) if not bright else ((44, 46, 54), (238, 234, 226))
    mixed = [round(a + (b - a) * light**1.7) for a, b in zip(dark, lit)]
    return f"#{mixed[0]:02x}{mixed[1]:02x}{mixed[2]:02x}"


def _stops(light: NDArray[np.float64], place: Callable[[float], float], bright: bool) -> str:
    """Gradient stops in two-step bands, so that gaps keep their edges; ``place`` maps 0..1 to an offset."""
    count = len(light)
    marks: list[tuple[float, str]] = []
    for index, value in enumerate(light):
        colour = _shade(float(value), bright)
        marks.append((place(index / count), colour))
        marks.append((place((index + 1) / count), colour))
    marks.sort(key=lambda mark: mark[0])
    return "".join(f'<stop offset="{at:.4f}" stop-color="{colour}"/>' for at, colour in marks)


class _Disc:
    """Radii of one side, in millimetres."""

    def __init__(self, side: SideView, record: Record) -> None:
        size_inch = record.size_inch or 12
        scale = size_inch / 12.0
        self.edge = 150.0 * scale
        self.outer = self.edge - 4.0
        inner = 60.0 * scale if size_inch > 7 else 53.0
        self.label = 50.0 * scale if size_inch > 7 else 45.0
        start_s, stop_s = played(side)
        full_s = 1440.0 * (self.outer - inner) / 86.0 * LP_RPM / (record.rpm or LP_RPM)
        share = min(1.0, max(0.6, (stop_s - start_s) / full_s))
        self.inner = self.outer - (self.outer - inner) * share
        self._start_s, self._length_s = start_s, stop_s - start_s

    def radius(self, time_s: float) -> float:
        share = min(max((time_s - self._start_s) / self._length_s, 0.0), 1.0)
        return self.outer + (self.inner - self.outer) * share


def turn_period_s(side: SideView, record: Record) -> float:
    """Seconds of a turn: measured, else from what the record says, else of an LP."""
    if side.turn is not None and side.turn.source != "none" and side.turn.period_s > 0.0:
        return side.turn.period_s
    return 60.0 / (record.rpm or LP_RPM)


def _marks(side: SideView) -> list[RepairView]:
    """The repairs to draw: the largest when there are very many."""
    if len(side.repairs) <= _MOST_MARKS:
        return list(side.repairs)
    return sorted(side.repairs, key=lambda repair: -repair.size_db)[:_MOST_MARKS]


def _dots(
    repairs: list[RepairView], place: Callable[[RepairView], tuple[float, float]], unit: float
) -> Iterator[str]:
    """One path per kind: round caps on strokes of no length are dots."""
    for kind, width in _MARK_WIDTH.items():
        points = [place(repair) for repair in repairs if repair.kind == kind]
        if points:
            path = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in points)
            yield f'<path class="damage {kind}" d="{path}" stroke-width="{width * unit:.2f}"/>'


def _sector(radius: float, middle_degrees: float, half_degrees: float) -> str:
    angles = [math.radians(middle_degrees + sign * half_degrees) for sign in (-1.0, 1.0)]
    (x0, y0), (x1, y1) = [(radius * math.cos(angle), radius * math.sin(angle)) for angle in angles]
    return f"M0 0L{x0:.1f} {y0:.1f}A{radius:.0f} {radius:.0f} 0 0 1 {x1:.1f} {y1:.1f}Z"


def disc_picture(side: SideView, record: Record, *, number: int) -> str:
    """The disc under a lamp; ``number`` keeps the ids of several pictures apart."""
    disc = _Disc(side, record)
    light = brightness(side, _RING_STOPS)
    inner, outer = disc.inner / disc.edge, disc.outer / disc.edge

    def place(share: float) -> float:
        return outer + (inner - outer) * share

    period_s = turn_period_s(side, record)

    def spot(repair: RepairView) -> tuple[float, float]:
        # Seen from above the needle runs against the clock round the disc.
        angle = 2.0 * math.pi * (repair.time_s / period_s % 1.0)
        radius = disc.radius(repair.time_s)
        return radius * math.cos(angle), -radius * math.sin(angle)

    smooth = _shade(0.0, False), _shade(0.12, True)
    grooves = []
    for name, bright in (("dim", False), ("lit", True)):
        ends = (
            f'<stop offset="{inner:.4f}" stop-color="{smooth[bright]}"/>'
            + _stops(light, place, bright)
            + f'<stop offset="{outer:.4f}" stop-color="{smooth[bright]}"/>'
        )
        grooves.append(
            f'<radialGradient id="{name}{number}" gradientUnits="userSpaceOnUse" cx="0" cy="0" '
            f'r="{disc.edge:.0f}">{ends}</radialGradient>'
        )
    lamp = "".join(
        f'<path d="{_sector(disc.edge, middle, half)}" fill="url(#lit{number})" opacity="{strength}"/>'
        for middle in _LAMP_ANGLES
        for half, strength in _LAMP
    )
    seams = "".join(
        f'<circle r="{disc.radius(track.start_s):.1f}" class="seam"/>'
        for track in side.tracks[1:]
        if track.boundary != "segue"
    )
    unit = disc.label / 50.0
    title = _label_lines(record.title, 20, -29.0 * unit, 6.0 * unit)
    artist = _label_lines(record.artist, 26, 29.0 * unit, 4.8 * unit)
    edge = disc.edge
    box = f"{-edge - 2:.0f} {-edge - 2:.0f} {2 * edge + 4:.0f} {2 * edge + 4:.0f}"
    return (
        f'<svg class="disc" viewBox="{box}" role="img" aria-label="{escape(_said(side))}">'
        f"<defs>{''.join(grooves)}</defs>"
        f'<circle r="{edge:.0f}" fill="url(#dim{number})"/>{lamp}{seams}'
        f'<circle r="{edge - 0.6:.1f}" class="rim"/>'
        f'<g class="damages">{"".join(_dots(_marks(side), spot, 1.0))}</g>'
        f'<circle r="{disc.label:.0f}" class="label"/><circle r="{disc.label - 3:.0f}" class="label-ring"/>'
        f'<g class="label-text" text-anchor="middle">{title}{artist}'
        f'<text x="{-27 * unit:.1f}" y="{7 * unit:.1f}" class="letter" font-size="{20 * unit:.1f}">'
        f"{escape(side.name)}</text></g>"
        f'<circle r="3.6" class="spindle"/></svg>'
    )


def _label_lines(text: str, width: int, y: float, size: float) -> str:
    """Up to two centred lines of a label, the rest left out."""
    lines = textwrap.wrap(text, width, max_lines=2, placeholder=" …")
    return "".join(
        f'<text y="{y + 1.15 * size * index:.1f}" font-size="{size:.1f}">{escape(line)}</text>'
        for index, line in enumerate(lines)
    )


def _said(side: SideView) -> str:
    tracks, places = count(len(side.tracks), "track"), count(len(side.repairs), "mended place")
    return f"Side {side.name} as a disc under a lamp: {tracks}, {places}"


def strip_picture(side: SideView, record: Record, *, number: int) -> str:
    """The side unrolled: time from left to right, once round the disc from bottom to top."""
    start_s, stop_s = played(side)
    width, height = _STRIP_WIDTH, _STRIP_HEIGHT
    period_s = turn_period_s(side, record)

    def across(time_s: float) -> float:
        return min(max((time_s - start_s) / (stop_s - start_s), 0.0), 1.0) * width

    def spot(repair: RepairView) -> tuple[float, float]:
        return across(repair.time_s), height - 3.0 - (repair.time_s / period_s % 1.0) * (height - 6.0)

    tracks = []
    for track in side.tracks:
        left, right = across(track.start_s), across(track.stop_s)
        if track is not side.tracks[0]:
            kind = "segue" if track.boundary == "segue" else "gap"
            tracks.append(f'<path class="cut {kind}" d="M{left:.1f} 0V{height:.0f}"/>')
        if right - left > 24.0:
            tracks.append(f'<text x="{left + 6:.1f}" y="20">{track.number}</text>')
    return (
        f'<svg class="strip" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-label="Side {escape(side.name)} unrolled, with its mended places">'
        f'<defs><linearGradient id="strip{number}">'
        f"{_stops(brightness(side, _STRIP_STOPS), lambda share: share, True)}</linearGradient>"
        f'<linearGradient id="fall{number}" x2="0" y2="1"><stop offset="0" stop-color="#101115" '
        'stop-opacity=".55"/><stop offset=".42" stop-color="#101115" stop-opacity=".2"/>'
        '<stop offset="1" stop-color="#101115" stop-opacity=".86"/></linearGradient></defs>'
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="url(#strip{number})"/>'
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="url(#fall{number})"/>'
        f'<g class="strip-tracks">{"".join(tracks)}</g>'
        f'<g class="damages">{"".join(_dots(_marks(side), spot, 2.0))}</g></svg>'
    )
