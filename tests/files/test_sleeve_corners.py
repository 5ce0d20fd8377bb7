"""The sleeve found in photographs that are made here: a known square, seen by a known projection."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from sidekeep.errors import ParameterError
from sidekeep.files.pictures.plausible import may_be_square
from sidekeep.files.pictures.sleeve_corners import find_corners
from sidekeep.files.pictures.straighten import check_corners, projective_map, straighten


def sleeve_front(size: int, dark: bool, rng: np.random.Generator) -> Image.Image:
    """A front with a printed frame, a round and lines of print: all of them edges that are not the sleeve's."""
    ground, ink = ((38, 42, 58), (220, 200, 150)) if dark else ((226, 214, 190), (60, 50, 90))
    picture = Image.new("RGB", (size, size), ground)
    draw = ImageDraw.Draw(picture)
    draw.rectangle([size * 0.1, size * 0.1, size * 0.9, size * 0.9], outline=ink, width=max(2, size // 90))
    draw.ellipse([size * 0.25, size * 0.2, size * 0.75, size * 0.7], fill=(180, 70, 50))
    for line in range(5):
        draw.rectangle(
            [
                size * 0.2,
                size * (0.74 + 0.03 * line),
                size * rng.uniform(0.4, 0.8),
                size * (0.755 + 0.03 * line),
            ],
            fill=ink,
        )
    return picture


def photograph(
    corners: NDArray[np.float64], *, table: tuple[int, int, int], size: tuple[int, int] = (1200, 900), dark: bool = False,
    shadow: float = 0.0, light: float = 0.0, noise: float = 3.0, wood: float = 6.0, seed: int = 1,
) -> NDArray[np.uint8]:  # fmt: skip
    """A table with grain, perhaps a soft shadow beside the sleeve and light from one side, and the sleeve on it."""
    rng = np.random.default_rng(seed)
    width, height = size
    rows, places = -(-height // 8), -(-width // 8)
    grain = rng.normal(0.0, wood, (rows, 1, 1)) + rng.normal(0.0, wood / 3, (rows, places, 1))
    grain = np.kron(grain, np.ones((8, 8, 1)))[:height, :width]
    ground = np.clip(np.array(table, float) + grain, 0, 255).astype(np.uint8)
    picture = Image.fromarray(ground)
    points = corners * np.array(size)
    if shadow:
        mask = Image.new("L", size, 0)
        ImageDraw.Draw(mask).polygon(
            [(point[0] + 34, point[1] + 30) for point in points], fill=round(255 * shadow)
        )
        mask = mask.filter(ImageFilter.GaussianBlur(16))
        picture = Image.composite(Image.new("RGB", size, (0, 0, 0)), picture, mask)
    front = sleeve_front(900, dark, rng)
    square = np.array([[0, 0], [900, 0], [900, 900], [0, 900]], float)
    data = projective_map(points, square)
    laid = front.transform(size, Image.Transform.PERSPECTIVE, tuple(data), Image.Resampling.BICUBIC)
    mask = Image.new("L", (900, 900), 255).transform(size, Image.Transform.PERSPECTIVE, tuple(data))
    picture = Image.composite(laid, picture, mask).filter(ImageFilter.GaussianBlur(0.8))
    pixels = np.asarray(picture, float)
    pixels = pixels * (1.0 - light * np.linspace(0, 1, width)[None, :, None])
    return np.clip(pixels + rng.normal(0, noise, pixels.shape), 0, 255).astype(np.uint8)


STRAIGHT = np.array([[0.22, 0.1], [0.78, 0.1], [0.78, 0.87], [0.22, 0.87]])
SLANTED = np.array([[0.25, 0.14], [0.74, 0.2], [0.83, 0.9], [0.13, 0.82]])
TURNED = np.array([[0.42, 0.06], [0.85, 0.35], [0.6, 0.93], [0.17, 0.62]])
SMALL = np.array([[0.55, 0.2], [0.85, 0.23], [0.84, 0.62], [0.53, 0.6]])


SHAPES = {"straight": STRAIGHT, "slanted": SLANTED, "turned": TURNED, "small": SMALL}
SCENES: dict[str, dict[str, object]] = {
    "wood": {"table": (120, 86, 60)},
    "shadow": {"table": (120, 86, 60), "shadow": 0.55, "light": 0.4},
    "pale on pale": {"table": (205, 200, 190), "shadow": 0.3, "wood": 2.5},
    "dark on dark": {"table": (58, 52, 50), "dark": True, "light": 0.3, "wood": 2.5},
    "noise": {"table": (240, 240, 240), "dark": True, "noise": 8.0},
}


@pytest.mark.parametrize(
    ("shape", "light"),
    [
        *(("straight", light) for light in SCENES),
        *((shape, light) for shape in ("slanted", "turned", "small") for light in ("wood", "pale on pale")),
        ("slanted", "dark on dark"),
        ("turned", "shadow"),
        ("small", "noise"),
    ],
)
def test_the_corners_are_found_within_a_hundredth(shape: str, light: str) -> None:
    """Every shape on the plain table, on the hardest and on one of the others: two odd things at once are enough."""
    corners, scene = SHAPES[shape], SCENES[light]
    size = (
        (1200, 900) if corners is STRAIGHT else (880, 656)
    )  # quicker, and as hard but for a sleeve that lies straight
    found = find_corners(photograph(corners, size=size, **scene))  # type: ignore[arg-type]
    assert found.is_found
    # Pale on pale with a faint shadow, its edge may be taken for the sleeve's: near enough to drag it.
    within = 0.03 if scene["table"] == (205, 200, 190) else 0.01
    assert np.abs(found.corners - corners).max() < within


def turned(degrees: float, size: tuple[int, int]) -> NDArray[np.float64]:
    """A square sleeve in the middle of such a picture, as large as it may be, turned clockwise."""
    angle, half = np.deg2rad(degrees), 0.385 * min(size)
    square = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return (square @ turn + np.array(size) / 2) / np.array(size)


@pytest.mark.parametrize(
    ("size", "degrees", "scene"),
    [
        ((630, 472), 0.0, {"table": (120, 86, 60)}),
        ((840, 630), None, {"table": (120, 86, 60), "shadow": 0.55, "light": 0.4}),
        ((840, 630), None, {"table": (205, 200, 190), "wood": 3.0}),
        ((840, 630), 2.0, {"table": (240, 240, 240), "dark": True, "noise": 8.0}),
        ((1000, 750), None, {"table": (58, 52, 50), "dark": True, "light": 0.3, "wood": 2.5}),
        ((750, 1000), -4.0, {"table": (120, 86, 60)}),
    ],
    ids=[
        "630 wide",
        "840 and a shadow",
        "840, light on light",
        "840, turned",
        "1000, dark on dark",
        "upright",
    ],
)
def test_a_joint_of_two_boards_beside_it_is_not_its_edge(
    size: tuple[int, int], degrees: float | None, scene: dict[str, object]
) -> None:
    corners = STRAIGHT if degrees is None else turned(degrees, size)
    found = find_corners(photograph(corners, size=size, **scene))  # type: ignore[arg-type]
    assert found.is_found
    assert np.abs(found.corners - corners).max() < 0.01


def test_a_table_is_made_whole_at_any_size() -> None:
    assert photograph(STRAIGHT, table=(120, 86, 60), size=(237, 179)).shape == (179, 237, 3)


def with_hard_shadow(
    pixels: NDArray[np.uint8], corners: NDArray[np.float64], shift_px: tuple[int, int], dark: int = 128
) -> NDArray[np.uint8]:
    """As of one bare bulb: nearly as sharp an edge as the sleeve's own."""
    height, width = pixels.shape[:2]
    mask = Image.new("L", (width, height), 0)
    points = [(x * width, y * height) for x, y in corners]
    draw = ImageDraw.Draw(mask)
    draw.polygon([(x + shift_px[0], y + shift_px[1]) for x, y in points], fill=dark)
    mask = mask.filter(ImageFilter.GaussianBlur(2))
    ImageDraw.Draw(mask).polygon(points, fill=0)
    return np.asarray(Image.composite(Image.new("RGB", mask.size, (0, 0, 0)), Image.fromarray(pixels), mask))


@pytest.fixture(scope="module")
def without_shadow() -> NDArray[np.uint8]:
    """A photograph in which the sleeve is found for sure."""
    plain = photograph(SLANTED, table=(120, 86, 60), size=(1600, 1200), wood=2.5)
    assert find_corners(plain).is_sure
    return plain


@pytest.mark.parametrize("shift_px", [(40, 30), (90, 20)])
def test_a_hard_shadow_that_may_be_taken_for_the_sleeve_makes_it_less_sure(
    without_shadow: NDArray[np.uint8], shift_px: tuple[int, int]
) -> None:
    found = find_corners(with_hard_shadow(without_shadow, SLANTED, shift_px))
    assert found.is_found
    assert not found.is_sure


@pytest.mark.parametrize("shift_px", [(60, 45), (80, 60)])
def test_a_shadow_that_falls_aside_leaves_no_doubt(
    without_shadow: NDArray[np.uint8], shift_px: tuple[int, int]
) -> None:
    """It leaves as much of the table bare at the end of each strip as it covers beyond the other side."""
    found = find_corners(with_hard_shadow(without_shadow, SLANTED, shift_px))
    assert found.is_sure
    assert np.abs(found.corners - SLANTED).max() < 0.01


def test_a_band_printed_in_the_colour_of_a_shadow_does(without_shadow: NDArray[np.uint8]) -> None:
    """It reaches the corners, as no shadow does."""
    picture = Image.fromarray(without_shadow)
    points = SLANTED * np.array(picture.size)
    outer = points + np.array([[0, 0], [60, 0], [60, 45], [0, 45]])
    draw = ImageDraw.Draw(picture)
    for band in ([points[1], outer[1], outer[2], points[2]], [points[2], outer[2], outer[3], points[3]]):
        draw.polygon([(float(x), float(y)) for x, y in band], fill=(60, 43, 30))
    assert not find_corners(np.asarray(picture)).is_sure


def test_beside_a_wide_hard_shadow_the_corners_are_the_sleeve_s(without_shadow: NDArray[np.uint8]) -> None:
    """What lies between two figures that are as good is the table in shade, so the inner one is the sleeve."""
    found = find_corners(with_hard_shadow(without_shadow, SLANTED, (90, 20)))
    assert np.abs(found.corners - SLANTED).max() < 0.01


def test_a_shadow_that_a_line_of_the_wood_runs_into_makes_it_less_sure() -> None:
    """In a large picture of a table with much grain: the side is drawn from the shadow's edge to a line of the wood."""
    plain = photograph(STRAIGHT, table=(120, 86, 60), size=(2000, 1500))
    assert find_corners(plain).is_sure
    found = find_corners(with_hard_shadow(plain, STRAIGHT, (45, 35), dark=70))
    assert found.is_found
    assert np.abs(found.corners - STRAIGHT).max() > 0.02
    assert not found.is_sure


def test_a_picture_without_a_sleeve_is_left_whole() -> None:
    rng = np.random.default_rng(3)
    table = np.clip(np.full((900, 1200, 3), 120.0) + rng.normal(0, 8, (900, 1200, 3)), 0, 255).astype(
        np.uint8
    )
    for pixels in (table, np.zeros((600, 800, 3), np.uint8), np.full((30, 50, 3), 255, np.uint8)):
        found = find_corners(pixels)
        assert not found.is_found
        np.testing.assert_array_equal(found.corners, [[0, 0], [1, 0], [1, 1], [0, 1]])


def test_a_scan_is_not_cut_to_the_frame_printed_on_it() -> None:
    front = sleeve_front(1000, False, np.random.default_rng(5))
    assert not find_corners(np.asarray(front)).is_found


def test_straightened_it_is_the_front_again() -> None:
    rng_front = np.random.default_rng(1)
    rng_front.normal(0.0, 6.0, (900 // 8, 1, 1)), rng_front.normal(0.0, 2.0, (900 // 8, 1200 // 8, 1))
    pixels = photograph(SLANTED, table=(120, 86, 60), noise=1.0)
    found = find_corners(pixels)
    square = straighten(Image.fromarray(pixels), found.corners, 600)
    assert square.width == square.height <= 600
    front = np.asarray(sleeve_front(900, False, rng_front).resize(square.size, Image.Resampling.BOX), float)
    inner = slice(12, -12)
    away = np.abs(np.asarray(square, float) - front)[inner, inner].mean()
    assert away < 8.0


@pytest.mark.parametrize(
    "corners",
    [None, [], [[0, 0]] * 4, [[0, 0], [1, 0], [1, 1]], [[0, 0], [1, 0], [1, 2], [0, 1]], [[0, 0], [1, 0], [float("nan"), 1], [0, 1]],
     "corners", [[0, 0, 0]] * 4, [[0.5, 0.5], [0.51, 0.5], [0.51, 0.51], [0.5, 0.51]], [[0, 0], [1, 0], [0.1, 0.1], [0, 1]]],
)  # fmt: skip
def test_corners_that_are_none_are_refused(corners: object) -> None:
    with pytest.raises(ParameterError):
        check_corners(corners)


def test_corners_may_come_in_any_order() -> None:
    ordered = check_corners(SLANTED.tolist())
    np.testing.assert_allclose(check_corners(SLANTED[[2, 0, 3, 1]].tolist()), ordered)
    np.testing.assert_allclose(ordered, SLANTED)


def test_twelve_megapixels_are_looked_at_as_well() -> None:
    half = photograph(SLANTED, table=(120, 86, 60), size=(2000, 1500))
    found = find_corners(half.repeat(2, axis=0).repeat(2, axis=1))
    assert found.is_found
    assert np.abs(found.corners - SLANTED).max() < 0.01


LEFT = np.array([[-0.08, 0.1], [0.55, 0.12], [0.56, 0.9], [-0.07, 0.88]])
LOW = np.array([[0.2, 0.25], [0.8, 0.23], [0.81, 1.08], [0.19, 1.1]])
TWO_SIDES = np.array([[-0.05, 0.2], [0.6, 0.22], [0.6, 1.06], [-0.06, 1.05]])
ALL_ROUND = np.array([[-0.05, -0.1], [1.05, -0.1], [1.05, 1.1], [-0.05, 1.1]])
NEARLY = np.array([[0.0, 0.1], [0.6, 0.1], [0.6, 0.9], [0.0, 0.9]])


def with_panel(pixels: NDArray[np.uint8], corners: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The front is a panel of one colour with a border of another."""
    picture = Image.fromarray(pixels)
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    a, b, c, d, e, f, g, h = projective_map(unit, corners * np.array(picture.size))
    panel = [(0.08, 0.08), (0.92, 0.08), (0.92, 0.92), (0.08, 0.92)]
    drawn = [
        ((a * x + b * y + c) / (g * x + h * y + 1), (d * x + e * y + f) / (g * x + h * y + 1))
        for x, y in panel
    ]
    ImageDraw.Draw(picture).polygon(drawn, fill=(60, 90, 120))
    return np.asarray(picture)


@pytest.mark.parametrize("has_panel", [False, True], ids=["frame", "panel"])
@pytest.mark.parametrize(
    "corners", [LEFT, LOW, TWO_SIDES, ALL_ROUND, NEARLY], ids=["left", "low", "two sides", "all", "touches"]
)
def test_of_a_sleeve_that_the_picture_cuts_nothing_is_sure(
    corners: NDArray[np.float64], has_panel: bool
) -> None:
    """What is printed on it is whole, and would pass for a smaller sleeve."""
    pixels = photograph(corners, table=(120, 86, 60), wood=2.5)
    found = find_corners(with_panel(pixels, corners) if has_panel else pixels)
    assert not found.is_found or not found.is_sure


@pytest.mark.parametrize("corners", [SLANTED, SMALL], ids=["slanted", "small"])
def test_a_whole_sleeve_with_a_panel_is_sure(corners: NDArray[np.float64]) -> None:
    found = find_corners(with_panel(photograph(corners, table=(120, 86, 60), wood=2.5), corners))
    assert found.is_sure
    assert np.abs(found.corners - corners).max() < 0.01


def test_what_can_be_no_square_for_any_lens_is_not_sure() -> None:
    """Seen from above: a band of the sleeve has the table's colour, so that nothing shows where it ends."""
    picture = Image.fromarray(photograph(STRAIGHT, table=(205, 200, 190), wood=2.5))
    low, high = STRAIGHT[0] * picture.size, STRAIGHT[2] * picture.size
    draw = ImageDraw.Draw(picture)
    draw.rectangle([low[0], low[1], high[0], low[1] + 0.1 * (high[1] - low[1])], fill=(205, 200, 190))
    found = find_corners(np.asarray(picture))
    assert np.abs(found.corners - STRAIGHT).max() > 0.05
    assert not found.is_sure


def seen(
    tilt: float, focal: float, size: NDArray[np.float64], shape: tuple[float, float]
) -> NDArray[np.float64]:
    """The corners of a rectangle tilted away from a pinhole camera with that focal length, in pixels."""
    x, y = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]).T * 0.5 * np.array(shape)[:, None]
    turn = np.deg2rad(25.0)
    x, y = np.cos(turn) * x - np.sin(turn) * y, np.sin(turn) * x + np.cos(turn) * y
    depth = 2.0 + np.sin(tilt) * y
    return np.stack([x / depth, np.cos(tilt) * y / depth], axis=-1) * focal * size.max() + 0.5 * size


@pytest.mark.parametrize("focal", [0.7, 1.0, 2.0])
@pytest.mark.parametrize("tilt", [0.0, 0.2, 0.5])
def test_a_square_seen_by_a_pinhole_may_be_one(tilt: float, focal: float) -> None:
    """Twice as wide as high may not: an opened sleeve is no square from wherever it is seen."""
    size = np.array([1200.0, 900.0])
    assert may_be_square(seen(tilt, focal, size, (1.0, 1.0)), size)
    assert not may_be_square(seen(tilt, focal, size, (2.0, 1.0)), size)
