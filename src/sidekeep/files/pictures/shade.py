"""The table in shade beside a sleeve in a photograph: strips of it, and whether they are a shadow that falls aside.

Pictures are (height, width, 3) float32, figures (4, 2) float64 of x and y in pixels, their corners in order around. Sides are
counted from 0, each from its own corner to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.files.pictures.straighten import areas

_ELSEWHERE, _LONGEST_SHADOW = 0.012, 0.15
"""How far a shadow's edge may lie from the sleeve's, as a share of a side."""
_NEAR_SHADOW = 0.04
"""A shadow so near is looked for in the large picture."""
_ASIDE_PX = np.arange(3, 8)
"""How far within and beyond a side of the large picture the colours beside it are taken."""
_BLACK, _SHADED, _ANY = 0.25, 0.8, 1.08
"""Shade is so much darker than what lies beside it, as a share (where it is looked at closely, none is enough) ..."""
_SAME_COLOUR, _MUCH_THE_SAME = 0.08, 0.12
"""... and in all three colours alike, within this (where grain is not yet averaged away, within that)."""
_STRIP = np.linspace(0.003, 0.997, 160)[:, None]
_BRIGHT, _MOSTLY = 0.12, 0.8
"""A shadow that is cast leaves the table at the end of its strip as bright as beyond, within so much, and darkens most of what is
left."""
_NEAR_PX, _NEAR_WIDTH = 8.0, 0.25
"""Of the large picture: how near what a shadow leaves bare must come to what it covers, which a slant makes uneven."""
_OTHER_COLOUR = 12.0
"""Of 255: farther from the table's than grain and light make it."""


def is_shade_between(
    small: NDArray[np.float32], figure: NDArray[np.float64], within: NDArray[np.float64]
) -> bool:
    """Whether a strip of the table in shade lies between a side of the one and that of the other, which is farther in."""
    return bool(_shaded_sides(small, figure, within))


def _shaded_sides(
    small: NDArray[np.float32], figure: NDArray[np.float64], within: NDArray[np.float64]
) -> list[int]:
    """Which sides those are."""
    found = []
    side_px = float(np.sqrt(areas(figure)))
    middle = figure.mean(axis=0)
    outer, inner = (_side_points(each) for each in (figure, within))
    apart = np.linalg.norm(outer - inner, axis=-1).mean(axis=-1) / side_px
    is_outside = np.linalg.norm(outer - middle, axis=-1).mean(axis=-1) > np.linalg.norm(
        inner - middle, axis=-1
    ).mean(axis=-1)
    for side in np.nonzero((apart > _ELSEWHERE) & (apart < _LONGEST_SHADOW) & is_outside)[0]:
        between = _colour_at(small, 0.5 * (outer[side] + inner[side]))
        beyond = _colour_at(small, outer[side] + 0.5 * (outer[side] - inner[side]))
        shade = between / np.maximum(beyond, 1.0)
        if shade.min() > _BLACK and shade.max() < _SHADED and np.ptp(shade) < _SAME_COLOUR:
            found.append(int(side))
    return found


@dataclass(frozen=True)
class Strip:
    """Shade beside one side: how wide, and how much of the table is bare at its beginning and at its end; in pixels."""

    width: float
    bare: tuple[float, float]


def strips_between(
    small: NDArray[np.float32],
    large: NDArray[np.float32],
    figure: NDArray[np.float64],
    within: NDArray[np.float64],
) -> dict[int, Strip]:
    """The strips of shade between two figures, by side. One that is not dark all along, but for its bare ends, has a width that
    fits nothing."""
    finer = np.array([large.shape[1] / small.shape[1], large.shape[0] / small.shape[0]])
    outer, inner = ((each + 0.5) * finer - 0.5 for each in (figure, within))
    found = {}
    for side in _shaded_sides(small, figure, within):
        (first, last), (start, stop) = ((each[side], each[(side + 1) % 4]) for each in (outer, inner))
        away, along = first + _STRIP * (last - first), start + _STRIP * (stop - start)
        between, beyond = (_colours_near(large, along + share * (away - along)) for share in (0.5, 1.5))
        shade = between / np.maximum(beyond, 1.0)
        bright = np.abs(shade.mean(axis=1) - 1.0) < _BRIGHT
        dark = (shade.min(axis=1) > _BLACK) & (shade.mean(axis=1) < _SHADED)
        ends = [int(np.argmin(np.append(each, False))) for each in (bright, bright[::-1])]
        length = float(np.linalg.norm(last - first))
        is_dark = dark.sum() > _MOSTLY * (len(dark) - sum(ends))
        width = float(np.linalg.norm(away - along, axis=1).mean()) if is_dark else np.inf
        found[side] = Strip(width, (ends[0] / len(dark) * length, ends[1] / len(dark) * length))
    return found


def is_cast(strips: dict[int, Strip]) -> bool:
    """Whether strips on two sides that meet are a shadow that falls aside: the farther it is moved along one side, the more table
    it leaves bare there, at the end away from where they meet; and so far it reaches beyond the other side."""
    if len(strips) != 2:
        return False
    one, other = sorted(strips)
    if other - one == 3:
        one, other = other, one
    if (other - one) % 4 != 1:
        return False
    before, after = strips[one], strips[other]
    return _is_near(before.bare[0], after.width) and _is_near(after.bare[1], before.width)


def _is_near(one: float, other: float) -> bool:
    return abs(one - other) < _NEAR_PX + _NEAR_WIDTH * min(one, other)


def is_part_of(strips: dict[int, Strip], cast: dict[int, Strip]) -> bool:
    """Whether these are strips of that shadow and no others."""
    return all(side in cast and _is_near(strip.width, cast[side].width) for side, strip in strips.items())


def _colours_near(picture: NDArray[np.float32], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """(points, 3): the middle of the pixels beside each point; grain has less to say then."""
    near = [_pixels_at(picture, points + np.array([x, y])) for x in (-2, 0, 2) for y in (-2, 0, 2)]
    return np.asarray(np.median(near, axis=0))


def is_shade_within(picture: NDArray[np.float32], quad: NDArray[np.float64]) -> bool:
    """Whether just within one of the sides lies the table, in shade or not, and the sleeve farther in: so near that the edges are
    one line in a small picture, or with the edge of a shadow that a line of the wood runs into."""
    side_px = float(np.sqrt(areas(quad[None])[0]))
    middle = quad.mean(axis=0)
    steps = np.arange(-round(_NEAR_SHADOW * side_px), _ASIDE_PX[-1] + 1)
    for points in _side_points(quad):
        along = points[-1] - points[0]
        normal = np.array([along[1], -along[0]]) / max(1e-9, float(np.hypot(*along)))
        if (points.mean(axis=0) - middle) @ normal < 0.0:
            normal = -normal
        colours = np.array([_colour_at(picture, points + step * normal) for step in steps])
        beyond, between = (np.median(colours[np.isin(steps, at)], axis=0) for at in (_ASIDE_PX, -_ASIDE_PX))
        shade = between / np.maximum(beyond, 1.0)
        if shade.min() > _BLACK and shade.max() < _ANY and np.ptp(shade) < _MUCH_THE_SAME:
            away = np.abs(colours[steps < -_ASIDE_PX[-1]] - between).max(initial=0.0)
            if away > max(_OTHER_COLOUR, np.abs(beyond - between).max()):
                return True
    return False


def _side_points(quad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Places along the four sides, away from the corners: (4, places, 2)."""
    along = np.roll(quad, -1, axis=0) - quad
    return quad[:, None, :] + np.linspace(0.15, 0.85, 30)[None, :, None] * along[:, None, :]


def _colour_at(small: NDArray[np.float32], points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.median(_pixels_at(small, points), axis=0))


def _pixels_at(picture: NDArray[np.float32], points: NDArray[np.float64]) -> NDArray[np.float64]:
    x = np.clip(np.round(points[:, 0]).astype(int), 0, picture.shape[1] - 1)
    y = np.clip(np.round(points[:, 1]).astype(int), 0, picture.shape[0] - 1)
    return picture[y, x].astype(np.float64)
