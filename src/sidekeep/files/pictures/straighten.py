"""A photographed sleeve straightened to a square: the projective map between its four corners and those of a square.

Corners are (4, 2) float64 of x and y, 0 to 1 of the whole picture, in the order top left, top right, bottom right, bottom left as
the picture lies.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError

if TYPE_CHECKING:
    from PIL import Image

WHOLE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


def check_corners(corners: object) -> NDArray[np.float64]:
    """Corners that somebody sent: four points in the picture that make a convex figure of some size, put in order."""
    try:
        points = np.array(corners, np.float64)
    except (TypeError, ValueError):
        points = np.zeros(0)
    if (
        points.shape != (4, 2)
        or not np.isfinite(points).all()
        or (points < 0.0).any()
        or (points > 1.0).any()
    ):
        raise ParameterError("corners")
    points = in_order(points)
    if not is_convex(points) or areas(points) < 0.01:
        raise ParameterError("corners-crossed")
    return points


def straighten(picture: Image.Image, corners: NDArray[np.float64], largest_px: int) -> Image.Image:
    """The square that the four corners stand for, seen from straight above, at most ``largest_px`` a side."""
    from PIL import Image

    points = corners * np.array(picture.size)
    sides = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    size = int(np.clip(round(float(sides.mean())), 16, largest_px))
    shrink = max(1.0, float(sides.max()) / (1.5 * size))
    if shrink > 1.0:  # a steep reduction would skip pixels
        smaller = (max(1, round(picture.width / shrink)), max(1, round(picture.height / shrink)))
        picture = picture.resize(smaller, Image.Resampling.BOX)
        points = corners * np.array(picture.size)
    square = np.array([[0.0, 0.0], [size, 0.0], [size, size], [0.0, size]])
    data = projective_map(square, points)
    return picture.transform((size, size), Image.Transform.PERSPECTIVE, tuple(data), Image.Resampling.BICUBIC)


def projective_map(source: NDArray[np.float64], target: NDArray[np.float64]) -> list[float]:
    """The eight numbers a..h of ``x' = (ax + by + c) / (gx + hy + 1)``, ``y' = (dx + ey + f) / (gx + hy + 1)``."""
    rows, values = [], []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        values += [u, v]
    return [float(number) for number in np.linalg.solve(np.array(rows, np.float64), np.array(values))]


def is_convex(quad: NDArray[np.float64]) -> bool:
    edges = np.roll(quad, -1, axis=0) - quad
    after = np.roll(edges, -1, axis=0)
    return bool((edges[:, 0] * after[:, 1] - edges[:, 1] * after[:, 0] > 0.0).all())


def areas(quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of every figure of (..., 4, 2)."""
    x, y = quads[..., 0], quads[..., 1]
    found: NDArray[np.float64] = 0.5 * np.abs(
        (x * np.roll(y, -1, axis=-1) - y * np.roll(x, -1, axis=-1)).sum(axis=-1)
    )
    return found


def in_order(quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each of (..., 4, 2) clockwise as seen (y down), from the corner nearest to the top left."""
    away = quads - quads.mean(axis=-2, keepdims=True)
    around = np.argsort(np.arctan2(away[..., 1], away[..., 0]), axis=-1)
    ordered = np.take_along_axis(quads, around[..., None], axis=-2)
    first = np.argmin(ordered.sum(axis=-1), axis=-1)
    return np.take_along_axis(ordered, ((first[..., None] + np.arange(4)) % 4)[..., None], axis=-2)
