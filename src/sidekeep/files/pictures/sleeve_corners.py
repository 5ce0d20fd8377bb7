"""The sleeve in a photograph: its four corners found.

Pixels are (height, width, 3) uint8. Corners are (4, 2) float64 of x and y, 0 to 1 of the whole picture, in the order
top left, top right, bottom right, bottom left as the picture lies.

How it is found: straight lines are voted for by edges that run their way (the Hough transform with the direction of
the gradient: Duda and Hart, Communications of the ACM 15 (1972); O'Gorman and Clowes (1973)); every two pairs of
opposite lines make a four-sided figure, and the one whose sides are edges all along, sharp, and which is large, is
the sleeve: frames printed on it are smaller, shadows beside it are soft or of the table's colour, and boards of the table go
on where a sleeve ends. Its sides are then fitted anew, closer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from sidekeep.files.pictures.plausible import is_cut, is_frame_line, may_be_square
from sidekeep.files.pictures.shade import (
    is_cast,
    is_part_of,
    is_shade_between,
    is_shade_within,
    strips_between,
)
from sidekeep.files.pictures.straighten import WHOLE, areas, in_order

_WORK_PX = 420
_SQUARE = 0.03
"""A picture that is square within this share is taken as cropped already: a scan."""
_ANGLES = 180
_LINES = 56
_JUDGED = 2000
_SURE = 0.55
"""How much of every side must be an edge."""
_SMALLEST_SHARE = 0.08
_ALONG = np.linspace(0.02, 0.98, 50)
"""Where along a side it is looked for an edge."""
_BEYOND = np.linspace(0.02, 0.10, 8)
"""How far beyond a corner it is looked whether the line of the side goes on, as shares of the side."""
_BOARD = 0.15
"""What a side loses when its line goes on beyond both corners. Little: a sleeve may lie along a joint of the table, and a
frame printed within a tenth of its edge must not win then."""
_NO_TIP = 0.4
"""What is left of a side that does not reach one of its corners."""
_RIVAL = 0.9
"""From this share of the best score on, another figure may be the sleeve as well."""
_NEARLY, _NO_LIMIT = 0.7, 1e9
"""The same for one that is cut by the picture's border, whose sides there have no edge that could be too short."""
_AS_STEEP, _PARTS = 0.4, 5
"""How steep every fifth of its own sides is beside those of the best: the side of a whole sleeve ends before the border."""
_RIVALS = 80
_SIDES = 4
"""A shadow lies beside two sides at most; as many steps inward again for lines that are found twice."""


@dataclass(frozen=True, kw_only=True)
class FoundCorners:
    """``is_found`` False: no sleeve stands out (or the picture is square already), and the corners are the picture's. ``is_sure``
    False: another figure, as of a hard shadow beside the sleeve, is nearly as good, or this may be a part of the sleeve only."""

    corners: NDArray[np.float64]
    is_found: bool
    is_sure: bool = True


def find_corners(pixels: NDArray[np.uint8]) -> FoundCorners:
    """Look for a sleeve that lies in the picture, whole."""
    height, width = pixels.shape[:2]
    nothing = FoundCorners(corners=WHOLE.copy(), is_found=False)
    if min(height, width) < 40 or abs(width / height - 1.0) < _SQUARE:
        return nothing
    small = _shrunk(pixels, _WORK_PX)
    slopes = _Slopes(small)
    lines = np.array(_lines(slopes)).reshape(-1, 3)
    figures = _figures(slopes, lines)
    scores = _scores(slopes, figures) if len(figures) else np.zeros(1)
    if scores.max() <= 0.0:
        return nothing
    large = _shrunk(pixels, 4 * _WORK_PX) if max(height, width) > _WORK_PX else small
    best, is_clear = _out_of_shade(small, large, figures, scores)
    fine = _Slopes(large) if max(height, width) > _WORK_PX else slopes
    finer = fine.size / slopes.size
    fitted = _fitted(fine, (best + 0.5) * finer - 0.5, reach=3.0 * float(finer.max()))
    corners = (fitted + 0.5) / fine.size
    is_sure = (
        is_clear
        and not is_shade_within(large, fitted)
        and not is_cut(corners)
        and may_be_square(fitted, fine.size)
        and not is_frame_line(large, fitted)
        and not _is_part_of_a_cut_one(slopes, lines, best, float(scores.max()))
    )
    return FoundCorners(corners=np.clip(corners, 0.0, 1.0), is_found=True, is_sure=is_sure)


def _out_of_shade(
    small: NDArray[np.float32],
    large: NDArray[np.float32],
    figures: NDArray[np.float64],
    scores: NDArray[np.float64],
) -> tuple[NDArray[np.float64], bool]:
    """The best figure, and whether it is clear of shadows. Another may be nearly as good, and what lies between one of its sides
    and that of the best look like the table in shade: the same colour, darker. Then the sleeve is the inner one, as long as
    nothing says so of that one, too. It is sure only where the shade is cast: what is printed on a sleeve may look like the table
    in shade by chance, but it reaches the sleeve's corners."""
    good = np.argsort(scores)[::-1][:_RIVALS]
    rivals = figures[good[scores[good] >= _RIVAL * scores.max()]]
    best = outermost = rivals[0]
    for _ in range(_SIDES):
        inner = next((rival for rival in rivals if is_shade_between(small, best, rival)), None)
        if inner is None:
            break
        best = inner
    first = strips_between(small, large, outermost, best)
    shades = [strips for strips in (strips_between(small, large, rival, best) for rival in rivals) if strips]
    if not shades:
        return best, best is outermost
    cast = next((strips for strips in [first, *shades] if is_cast(strips)), None)
    is_explained = best is outermost or bool(first)
    return best, is_explained and cast is not None and all(is_part_of(strips, cast) for strips in shades)


def _shrunk(pixels: NDArray[np.uint8], longest_px: int) -> NDArray[np.float32]:
    """The picture no longer than that, by whatever rate: lines are then as thick and as far apart for every camera. In
    float32, for whole steps would draw lines of their own where the light fades."""
    height, width = pixels.shape[:2]
    rate = min(1.0, longest_px / max(height, width))
    size = (max(1, round(width * rate)), max(1, round(height * rate)))
    colours = (Image.fromarray(pixels[..., colour].astype(np.float32)) for colour in range(3))
    return np.stack(
        [np.asarray(colour.resize(size, Image.Resampling.HAMMING)) for colour in colours], axis=-1
    )


class _Slopes:
    """Where the picture changes and which way: of the three colours the one that changes most."""

    def __init__(self, small: NDArray[np.float32]) -> None:
        self.height, self.width = small.shape[:2]
        self.size = np.array([self.width, self.height], np.float64)
        blurred = ndimage.gaussian_filter(small, (1.0, 1.0, 0.0))
        # One colour at a time: of all three at once it would smooth them into each other before the strongest is chosen.
        across, down = (
            np.stack([ndimage.sobel(blurred[..., colour], axis=axis) for colour in range(3)], axis=-1) / 2.0
            for axis in (1, 0)
        )
        size = across**2 + down**2
        self.x, self.y, strongest = across[..., 0], down[..., 0], size[..., 0]
        for colour in (1, 2):
            is_stronger = size[..., colour] > strongest
            self.x = np.where(is_stronger, across[..., colour], self.x)
            self.y = np.where(is_stronger, down[..., colour], self.y)
            strongest = np.maximum(size[..., colour], strongest)
        self.strength = np.hypot(self.x, self.y)
        # Print and grain change everywhere a little: an edge stands above that.
        self.floor = max(0.35, 1.2 * float(np.median(self.strength)))


def _lines(slopes: _Slopes) -> list[tuple[float, float, float]]:
    """The most voted lines as (angle of the normal, distance from the middle, votes), each once."""
    ys, xs = np.nonzero(slopes.strength > 0.7 * slopes.floor)
    if len(xs) < 50:
        return []
    # A long faint edge counts more than a short strong one.
    weight = np.minimum(slopes.strength[ys, xs], 2.0 * slopes.floor)
    normal = np.arctan2(slopes.y[ys, xs], slopes.x[ys, xs]) % np.pi
    x, y = xs - (slopes.width - 1) / 2, ys - (slopes.height - 1) / 2
    reach = int(np.hypot(slopes.width, slopes.height) / 2) + 2
    votes = np.zeros((_ANGLES, 2 * reach + 1))
    own = np.round(normal / np.pi * _ANGLES).astype(int)
    for off in range(-7, 8):
        angle = own + off
        theta = angle * np.pi / _ANGLES
        distance = np.round(x * np.cos(theta) + y * np.sin(theta)).astype(int)
        distance = np.where(angle % (2 * _ANGLES) >= _ANGLES, -distance, distance)
        votes += np.bincount(angle % _ANGLES * votes.shape[1] + distance + reach, weight, votes.size).reshape(
            votes.shape
        )
    votes = ndimage.gaussian_filter(votes, (0.8, 1.0), mode=("wrap", "constant"))
    found = []
    for _ in range(_LINES):
        at, distance = np.unravel_index(int(np.argmax(votes)), votes.shape)
        if votes[at, distance] <= 0.0:
            break
        found.append((float(at) * np.pi / _ANGLES, float(distance - reach), float(votes[at, distance])))
        # The line's neighbours are the same line. Angles go round: past the end the distance changes its sign.
        for off in range(-4, 5):
            row, middle = int(at) + off, int(distance)
            if not 0 <= row < _ANGLES:
                row, middle = row % _ANGLES, 2 * reach - middle
            votes[row, max(0, middle - 5) : middle + 6] = 0.0
    return found


def _figures(
    slopes: _Slopes, lines: NDArray[np.float64], *, most_uneven: float = 2.0, borders: int = 0
) -> NDArray[np.float64]:
    """Four-sided figures (n, 4, 2) of two pairs of opposite lines that could be a square seen at a slant: corners in
    the picture, convex, no side much longer than another, a good part of the picture. The ``_JUDGED`` likeliest. The last
    ``borders`` of the lines are the picture's own, of which a figure then has one or two."""
    one, other = np.triu_indices(len(lines), 1)
    opposite = _apart(lines[one, 0], lines[other, 0]) < 0.6
    one, other = one[opposite], other[opposite]
    first, second = np.triu_indices(len(one), 1)
    quads = np.stack((one[first], one[second], other[first], other[second]), axis=1)  # in turn around
    angles = lines[quads, 0]
    across = np.ones(len(quads), bool)
    for side in range(4):
        across &= _apart(angles[:, side], angles[:, (side + 1) % 4]) > 0.8
    quads = quads[across]
    if borders:
        quads = quads[np.isin((quads >= len(lines) - borders).sum(axis=1), (1, 2))]
    if not len(quads):
        return np.zeros((0, 4, 2))
    corners = np.stack(
        [_crossings(lines[quads[:, side - 1]], lines[quads[:, side]]) for side in range(4)], axis=1
    )
    corners += np.array([(slopes.width - 1) / 2, (slopes.height - 1) / 2])
    size = np.array([slopes.width, slopes.height])
    inside = ((corners > -0.02 * size) & (corners < 1.02 * size)).all(axis=(1, 2))
    edges = np.roll(corners, -1, axis=1) - corners
    bends = (
        edges[..., 0] * np.roll(edges, -1, axis=1)[..., 1]
        - edges[..., 1] * np.roll(edges, -1, axis=1)[..., 0]
    )
    convex = (bends > 0.0).all(axis=1) | (bends < 0.0).all(axis=1)
    sides = np.hypot(edges[..., 0], edges[..., 1])
    even = sides.max(axis=1) <= most_uneven * sides.min(axis=1)
    good = np.flatnonzero(inside & convex & even)
    good = good[areas(corners[good]) > _SMALLEST_SHARE * slopes.width * slopes.height]
    # Votes for the length of a side tell how much of it can be an edge.
    full = (lines[quads[good], 2] / np.maximum(sides[good], 1.0)).min(axis=1)
    best = good[np.argsort(-full)[:_JUDGED]]
    return in_order(corners[best])


def _is_part_of_a_cut_one(
    slopes: _Slopes, lines: NDArray[np.float64], best: NDArray[np.float64], score: float
) -> bool:
    """Whether round the best figure lies one of two or three lines and the picture's border that is nearly as good: a sleeve
    that was cut by the frame, of which something printed on it was found. It has a corner in the picture, and there both its
    lines end: joints of the table run on."""
    right, down = (slopes.width - 1) / 2, (slopes.height - 1) / 2
    own = [(0.0, -right), (0.0, right), (np.pi / 2, -down), (np.pi / 2, down)]
    borders = np.array([(angle, distance, _NO_LIMIT) for angle, distance in own])
    figures = _figures(slopes, np.concatenate([lines, borders]), most_uneven=4.0, borders=4)
    if len(figures):
        figures = figures[_is_inside(figures, best.mean(axis=0)) & (areas(figures) > float(areas(best)))]
    if not len(figures):
        return False
    is_border = _on_border(slopes, figures)
    parts = np.median(
        _steepness(slopes, figures, _ALONG).reshape(-1, 4, _PARTS, len(_ALONG) // _PARTS), axis=-1
    )
    steep = np.where(is_border, np.inf, parts.min(axis=-1)).min(axis=1)
    usual = float(np.median(_steepness(slopes, best[None], _ALONG), axis=-1).min())
    scores = _scores(slopes, figures, is_border)
    good = np.flatnonzero((scores >= _NEARLY * score) & (steep > _AS_STEEP * usual))
    return bool(good.size) and bool(_has_corner(slopes, figures[good], is_border[good]).any())


def _is_inside(figures: NDArray[np.float64], point: NDArray[np.float64]) -> NDArray[np.bool_]:
    sides = np.roll(figures, -1, axis=1) - figures
    away = point - figures
    return np.asarray((sides[..., 0] * away[..., 1] - sides[..., 1] * away[..., 0] > 0.0).all(axis=1))


def _on_border(slopes: _Slopes, figures: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(figures, 4): sides that are the picture's border."""
    last = slopes.size - 1.0
    near = np.stack([np.abs(figures), np.abs(figures - last)], axis=-1) < 1.0
    return np.asarray((near & np.roll(near, -1, axis=1)).any(axis=(2, 3)))


def _has_corner(
    slopes: _Slopes, figures: NDArray[np.float64], is_border: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which figures have a corner of two lines of their own that both end there."""
    between = np.median(_slope_across(slopes, figures, _ALONG), axis=-1)
    before, after = (
        _slope_across(slopes, figures, beyond).mean(axis=-1) / np.where(between == 0.0, np.inf, between)
        for beyond in (-_BEYOND, 1.0 + _BEYOND)
    )
    begins, ends = (~is_border & (ratio < 0.5) for ratio in (before, after))
    return np.asarray((begins & np.roll(ends, 1, axis=1)).any(axis=1))


def _apart(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Between two directions, 0 to a right angle."""
    angle = np.abs(one - other) % np.pi
    return np.minimum(angle, np.pi - angle)


def _crossings(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where lines (n, angle and distance first) meet, from the middle of the picture."""
    a, b, c, d = np.cos(one[:, 0]), np.sin(one[:, 0]), np.cos(other[:, 0]), np.sin(other[:, 0])
    whole = a * d - b * c
    x = (one[:, 1] * d - b * other[:, 1]) / whole
    y = (a * other[:, 1] - one[:, 1] * c) / whole
    return np.stack((x, y), axis=1)


def _scores(
    slopes: _Slopes, quads: NDArray[np.float64], is_border: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """How much each figure is a sleeve; 0 when a side is not an edge for most of its length, and right up to both ends.
    Sides that are the picture's border, (figures, 4), are not asked.

    Most figures have a side that is no edge at all: only of the others it is asked how sharp their edges are.
    """
    scores = np.zeros(len(quads))
    own = np.ones((len(quads), 4), bool) if is_border is None else ~is_border
    edge = _steepness(slopes, quads, _ALONG)
    least, usual = _least_and_usual(_is_edge(slopes, edge).mean(axis=-1), own)
    may_be = np.flatnonzero((least > 0.5 * _SURE) & (usual > _SURE))
    quads, edge = quads[may_be], edge[may_be]
    found = _sharp_edge(slopes, quads, edge)
    # A board of the table may lie where a side should end: both ends must be edges as well, up to the corner.
    ends = np.minimum(found[..., :6].mean(axis=-1), found[..., -6:].mean(axis=-1))
    tips = np.minimum(found[..., :2].max(axis=-1), found[..., -2:].max(axis=-1))
    supports = found.mean(axis=-1) * np.minimum(1.0, 1.5 * ends) * (_NO_TIP + (1.0 - _NO_TIP) * tips)
    supports *= 1.0 - _BOARD * _goes_on(slopes, quads, edge)
    least, usual = _least_and_usual(supports, own[may_be])
    share = areas(quads) / (slopes.width * slopes.height)
    is_sleeve = (least > 0.5 * _SURE) & (usual > _SURE)
    scores[may_be] = np.where(is_sleeve, 0.5 * (least + usual) * np.sqrt(share), 0.0)
    return scores


def _least_and_usual(
    supports: NDArray[np.float64], own: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Of the sides that count."""
    least = np.where(own, supports, np.inf).min(axis=1)
    return least, np.where(own, supports, 0.0).sum(axis=1) / np.maximum(own.sum(axis=1), 1)


def _goes_on(slopes: _Slopes, quads: NDArray[np.float64], edge: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much the line of each side goes on beyond both corners, as steep and the same way down as between them: 0 to 1,
    (figures, 4). A sleeve ends at its corners, the joint of two boards does not."""
    before, after = (
        _slope_across(slopes, quads, beyond).mean(axis=-1) for beyond in (-_BEYOND, 1.0 + _BEYOND)
    )
    between = np.median(edge, axis=-1)
    both = np.where(before * after > 0.0, np.minimum(np.abs(before), np.abs(after)), 0.0)
    return np.clip(both / np.maximum(between, 1e-9), 0.0, 1.0)


def _slope_across(
    slopes: _Slopes, quads: NDArray[np.float64], along: NDArray[np.float64], aside_px: float = 0.0
) -> NDArray[np.float64]:
    """How the picture changes across each side, at places along it (0 and 1 are its corners) or some pixels aside:
    (figures, 4, places). Outside the picture nothing changes."""
    sides = np.roll(quads, -1, axis=1) - quads
    normal = np.stack((-sides[..., 1], sides[..., 0]), axis=-1)
    normal /= np.maximum(np.hypot(sides[..., 0], sides[..., 1]), 1e-9)[..., None]
    points = (quads + aside_px * normal)[:, :, None, :] + along[:, None] * sides[:, :, None, :]
    at = points[..., ::-1].reshape(-1, 2).T
    x = ndimage.map_coordinates(slopes.x, at, order=1).reshape(points.shape[:3])
    y = ndimage.map_coordinates(slopes.y, at, order=1).reshape(points.shape[:3])
    return x * normal[:, :, None, 0] + y * normal[:, :, None, 1]


def _steepness(
    slopes: _Slopes, quads: NDArray[np.float64], along: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The most of it on the side and a pixel beside it."""
    return np.maximum.reduce(
        [np.abs(_slope_across(slopes, quads, along, aside)) for aside in (-1.0, 0.0, 1.0)]
    )


def _is_edge(slopes: _Slopes, steepness: NDArray[np.float64]) -> NDArray[np.float64]:
    """0 where the picture is as everywhere, 1 where it is an edge for certain."""
    return np.clip((steepness - 0.5 * slopes.floor) / slopes.floor, 0.0, 1.0)


def _sharp_edge(
    slopes: _Slopes, quads: NDArray[np.float64], edge: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The same of sharp edges only: a shadow's is as steep some pixels farther out, a sleeve's is not."""
    aside = np.minimum(*(np.abs(_slope_across(slopes, quads, _ALONG, far)) for far in (-4.0, 4.0)))
    return _is_edge(slopes, edge) * np.clip(2.0 * (1.0 - aside / np.maximum(edge, 1e-9)), 0.0, 1.0)


def _fitted(slopes: _Slopes, quad: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    """Every side as the straight line through the steepest places near it, outliers left out; then their crossings."""
    lines = []
    offsets = np.arange(-np.ceil(reach), np.ceil(reach) + 1.0)
    for start, stop in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        along = stop - start
        normal = np.array([-along[1], along[0]]) / max(1e-9, float(np.hypot(*along)))
        where = np.linspace(0.05, 0.95, 120)
        points = (start + where[:, None] * along)[:, None, :] + offsets[None, :, None] * normal
        at = points[..., ::-1].reshape(-1, 2).T
        across = ndimage.map_coordinates(slopes.x, at, order=1, mode="nearest") * normal[0]
        across += ndimage.map_coordinates(slopes.y, at, order=1, mode="nearest") * normal[1]
        steep = np.abs(across).reshape(len(where), len(offsets))
        shift = offsets[np.argmax(steep, axis=1)] + _between(steep)
        kept = steep.max(axis=1) > slopes.floor
        line = np.array([0.0, 0.0])
        for _ in range(5):
            if kept.sum() < 10:
                break
            line = np.polyfit(where[kept], shift[kept], 1)
            away = np.abs(shift - np.polyval(line, where))
            kept = (away <= max(0.75, 2.0 * float(np.median(away[kept])))) & (
                steep.max(axis=1) > slopes.floor
            )
        lines.append((start + np.polyval(line, 0.0) * normal, stop + np.polyval(line, 1.0) * normal))
    corners = []
    for index in range(4):
        (p, q), (r, s) = lines[index - 1], lines[index]
        matrix = np.stack((q - p, r - s), axis=1)
        if abs(np.linalg.det(matrix)) < 1e-6:
            return quad
        corners.append(p + np.linalg.solve(matrix, r - p)[0] * (q - p))
    return np.array(corners)


def _between(steep: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where the top of a parabola through the steepest place and its neighbours lies, -0.5 to 0.5."""
    top = np.clip(np.argmax(steep, axis=1), 1, steep.shape[1] - 2)
    rows = np.arange(len(steep))
    before, middle, after = steep[rows, top - 1], steep[rows, top], steep[rows, top + 1]
    bend = before - 2.0 * middle + after
    return np.clip(np.where(bend < 0.0, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0), -0.5, 0.5)
