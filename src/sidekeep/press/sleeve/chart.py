"""An invented coast in colours: the ground that sleeve and label pictures are drawn on.

Conventions: height fields are (size, size) float64, sea level 0, the sea below; pictures are
(size, size, 3) float64, 0 to 255. Everything comes from the generator: same seed, same coast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Colour = tuple[int, int, int]


@dataclass(frozen=True)
class Palette:
    paper: Colour
    ink: Colour
    depths: tuple[Colour, ...]
    land: tuple[Colour, ...]
    accent: Colour


PALETTES = (
    Palette(
        (240, 232, 216), (34, 44, 58),
        ((22, 58, 82), (38, 84, 106), (70, 118, 134), (122, 160, 164), (178, 198, 188)),
        ((232, 214, 178), (218, 188, 142), (196, 156, 112)), (196, 78, 52),
    ),
    Palette(
        (236, 234, 226), (40, 38, 50),
        ((46, 42, 72), (74, 64, 100), (112, 94, 128), (156, 134, 156), (200, 182, 188)),
        ((238, 216, 196), (226, 186, 164), (206, 150, 134)), (214, 158, 54),
    ),
    Palette(
        (232, 236, 228), (30, 46, 42),
        ((20, 62, 58), (38, 92, 82), (80, 128, 110), (134, 166, 142), (188, 204, 178)),
        ((236, 226, 186), (222, 200, 146), (198, 168, 112)), (206, 92, 70),
    ),
    Palette(
        (242, 230, 220), (52, 32, 34),
        ((84, 30, 40), (122, 48, 52), (160, 82, 74), (196, 128, 110), (226, 182, 160)),
        ((234, 222, 196), (204, 198, 172), (168, 170, 150)), (44, 96, 108),
    ),
    Palette(
        (34, 38, 48), (230, 222, 204),
        ((24, 34, 52), (32, 52, 74), (46, 76, 98), (72, 106, 122), (112, 140, 146)),
        ((222, 204, 164), (202, 172, 124), (174, 138, 96)), (224, 122, 72),
    ),
)  # fmt: skip


def raise_coast(rng: np.random.Generator, size: int) -> Array:
    """A height field in -1..1, shape (size, size): islands and channels, smooth enough for clean contours."""
    coarse = 256
    wave = np.hypot(
        *np.meshgrid(np.fft.fftfreq(coarse) * coarse, np.fft.rfftfreq(coarse) * coarse, indexing="ij")
    )
    wave[0, 0] = 1.0
    shape = wave**-2.1 * np.exp(-((wave / 26.0) ** 2)) * (wave > 0.5)
    spectrum = np.fft.rfft2(rng.standard_normal((coarse, coarse))) * shape
    field = np.fft.irfft2(spectrum, (coarse, coarse))
    # Only a window of the torus is used, so that no edge repeats.
    field = field[:200, :200]
    field = (field - field.mean()) / (2.2 * field.std())
    from scipy.ndimage import zoom

    smooth: Array = zoom(field, size / field.shape[0], order=3, mode="nearest", grid_mode=True)
    return np.tanh(smooth[:size, :size] * 1.1)


def draw_isolines(height: Array, levels: int, width_px: float) -> tuple[Array, Array]:
    """(band number, line coverage 0..1) of contours ``1 / levels`` apart, drawn at one width everywhere."""
    scaled = height * levels
    down, across = np.gradient(scaled)
    slope = np.hypot(down, across) + 1e-4
    nearest = np.round(scaled)
    distance_px = np.abs(scaled - nearest) / slope
    width = np.where(nearest % 5 == 0, 1.7, 1.0) * width_px
    line = np.clip(width / 2.0 + 0.5 - distance_px, 0.0, 1.0)
    # Where the ground is flat a line would turn into a blot.
    return np.floor(scaled), line * np.clip(slope * 220.0, 0.0, 1.0)


def draw_chart(rng: np.random.Generator, size: int, palette: Palette) -> tuple[Array, Array]:
    """The coast in colours, (size, size, 3), and its heights over the sea."""
    height = raise_coast(rng, size) - 0.18
    levels = 24
    band, line = draw_isolines(height, levels, size / 900.0)
    depth = np.clip(-(band + 1) / 3.2, 0, len(palette.depths) - 1).astype(np.int64)
    rise = np.clip(band / 4.0, 0, len(palette.land) - 1).astype(np.int64)
    sea = np.array(palette.depths[::-1], dtype=np.float64)[depth]
    land = np.array(palette.land, dtype=np.float64)[rise]
    dry = height >= 0.0
    picture = np.where(dry[:, :, None], land, sea)
    stroke = np.where(dry[:, :, None], np.array(palette.ink), np.array(palette.land[0]))
    strength = np.where(dry, 0.34, 0.24) * line
    down, across = np.gradient(height)
    # Light from the north-west gives the land a little body.
    shade = np.clip((down + across) * size * 0.016, -1.0, 1.0) * dry
    picture = picture * (1.0 - 0.10 * shade[:, :, None])
    picture = picture + strength[:, :, None] * (stroke - picture)
    slope = np.hypot(down, across) + 1e-6
    shore = np.clip(size / 700.0 + 0.5 - np.abs(height) / slope, 0.0, 1.0)
    picture = picture + 0.85 * shore[:, :, None] * (np.array(palette.ink) - picture)
    return picture, height
