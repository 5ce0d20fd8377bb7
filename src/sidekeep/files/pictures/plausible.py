"""Whether a four-sided figure in a photograph can be a whole sleeve: square, in the picture, and another surface than what lies
beside it.

Figures are (4, 2) float64 of x and y, in order around; pictures (height, width, 3) float32.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_AT_THE_BORDER = 0.004
"""Share of the picture. Nearer than that nobody knows whether the sleeve goes on."""
_FOCAL = np.geomspace(0.6, 3.0, 8)
"""Of the picture's longer side: what wide and long lenses have (24 to 110 mm on 36 mm of film)."""
_UNEVEN = 0.045
"""How far the logarithm of width to height may be off: corners are found to a hundredth, and old board is not cut to the
millimetre (common practice, no source)."""
_ASIDE = np.linspace(0.015, 0.035, 6)
"""How far within and beyond a side its surfaces are seen, as shares of the side: a printed line is narrower."""
_SAME = 8.0
"""Of 255: grain and light make the medians of one surface differ by less."""


def is_cut(corners: NDArray[np.float64]) -> bool:
    """Whether a corner, 0 to 1 of the picture, lies at its border or beyond: the sleeve may go on there."""
    return bool(((corners < _AT_THE_BORDER) | (corners > 1.0 - _AT_THE_BORDER)).any())


def may_be_square(figure: NDArray[np.float64], size: NDArray[np.float64]) -> bool:
    """Whether the figure, in pixels of a picture that large, can be a square for some lens: width and height of a rectangle seen
    at a slant follow from its corners and the focal length (Zhang and He, "Whiteboard scanning and image enhancement", Digital
    Signal Processing 17(2), 2007; from memory), its axis taken to go through the middle of the picture."""
    points = np.column_stack([(figure - 0.5 * size) / size.max(), np.ones(4)])
    one, two, four, three = points
    far = np.cross(one, four)
    across = far @ three / (np.cross(two, four) @ three) * two - one
    down = far @ two / (np.cross(three, four) @ two) * three - one
    lengths = [np.hypot(np.hypot(*edge[:2]) / _FOCAL, edge[2]) for edge in (across, down)]
    ratios = np.log(lengths[0] / lengths[1])
    return bool(ratios.min() < _UNEVEN and ratios.max() > -_UNEVEN)


def is_frame_line(picture: NDArray[np.float32], figure: NDArray[np.float64]) -> bool:
    """Whether three sides and more have one surface on both sides of them: a line printed on it, no edge of a sleeve."""
    sides = np.roll(figure, -1, axis=0) - figure
    inward = np.stack([-sides[:, 1], sides[:, 0]], axis=-1)
    along = figure[:, None] + np.linspace(0.1, 0.9, 60)[:, None] * sides[:, None]
    seen = [
        np.median([_pixels(picture, along + way * aside * inward[:, None]) for aside in _ASIDE], axis=(0, 2))
        for way in (-1.0, 1.0)
    ]
    return int((np.abs(seen[0] - seen[1]).max(axis=-1) < _SAME).sum()) >= 3


def _pixels(picture: NDArray[np.float32], points: NDArray[np.float64]) -> NDArray[np.float32]:
    x, y = (
        np.clip(np.round(points[..., axis]).astype(int), 0, picture.shape[1 - axis] - 1) for axis in (0, 1)
    )
    return picture[y, x]
