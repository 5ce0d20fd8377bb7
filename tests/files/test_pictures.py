"""Artwork: right way up, sane size, nothing but the picture, and one line for what is none."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageFile

from sidekeep.errors import ParameterError
from sidekeep.files.pictures.artwork import MAXIMUM_PIXELS, Picture, load_picture, prepare_picture


def encoded(image: Image.Image, file_format: str = "JPEG", **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, file_format, **options)
    return out.getvalue()


def opened(picture: Picture) -> Image.Image:
    return Image.open(io.BytesIO(picture.data))


def pixel(picture: Picture, x: int, y: int) -> tuple[int, ...]:
    found = opened(picture).getpixel((x, y))
    assert isinstance(found, tuple)
    return found


def half_and_half(width: int = 300, height: int = 200) -> Image.Image:
    """Red left, blue right."""
    image = Image.new("RGB", (width, height), "red")
    image.paste("blue", (width // 2, 0, width, height))
    return image


def huge_png(width: int, height: int) -> bytes:
    """A PNG whose header tells of far more pixels than its few bytes could be worth."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(bytes(10_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def test_large_scans_are_made_smaller_and_small_ones_stay() -> None:
    large = prepare_picture(encoded(half_and_half(3000, 2000)), maximum_side_px=1400)
    assert (large.width, large.height) == opened(large).size == (1400, 933)
    small = prepare_picture(encoded(half_and_half(300, 200)))
    assert opened(small).size == (300, 200)
    assert small.mime == "image/jpeg"
    assert len(large.data) < 400_000


@pytest.mark.parametrize("orientation", [1, 6])
def test_a_picture_made_smaller_keeps_its_shape_to_the_pixel(orientation: int) -> None:
    """A reader of JPEG may hand over a draft of an eighth to a half, whose sides are rounded already."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    half_and_half(1132, 849).save(out, "JPEG", exif=exif)
    small = prepare_picture(out.getvalue(), maximum_side_px=200)
    shape = (200, 150) if orientation == 1 else (150, 200)
    assert (small.width, small.height) == opened(small).size == shape


def test_position_and_camera_are_stripped_and_the_picture_stands_upright() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # Orientation: turn a quarter clockwise to see it upright (Exif 2.3, from memory).
    exif[0x010F] = "Somebody's camera"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 0.0)
    data = encoded(half_and_half(300, 200), exif=exif, comment=b"secret place")
    assert b"Somebody" in data
    picture = prepare_picture(data)
    assert (picture.width, picture.height) == (200, 300)
    turned = opened(picture)
    assert pixel(picture, 100, 10)[0] > 200  # red is on top now
    assert pixel(picture, 100, 290)[2] > 200
    assert not turned.getexif()
    assert all(word not in picture.data for word in (b"Exif", b"Somebody", b"secret", b"GPS"))


@pytest.mark.parametrize(
    ("mode", "colour", "expected"),
    [
        ("L", 128, (128, 128, 128)),
        ("RGBA", (255, 0, 0, 0), (255, 255, 255)),
        ("LA", (0, 0), (255, 255, 255)),
        ("P", 0, (0, 0, 0)),
        ("1", 1, (255, 255, 255)),
        ("I;16", 32_896, (128, 128, 128)),
    ],
)
def test_every_kind_of_scan_becomes_rgb(mode: str, colour: object, expected: tuple[int, int, int]) -> None:
    data = encoded(Image.new(mode, (80, 80), colour), "PNG")  # type: ignore[arg-type]
    found = pixel(prepare_picture(data), 40, 40)
    assert all(abs(a - b) <= 2 for a, b in zip(found, expected, strict=True))


def test_a_cmyk_jpeg_is_turned_to_rgb() -> None:
    picture = prepare_picture(encoded(Image.new("CMYK", (80, 80), (0, 255, 255, 0))))
    assert opened(picture).mode == "RGB"
    assert pixel(picture, 40, 40)[0] > 200


def test_a_broken_colour_profile_does_no_harm() -> None:
    picture = prepare_picture(encoded(half_and_half(), icc_profile=b"not a profile"))
    assert pixel(picture, 10, 10)[0] > 200
    assert b"not a profile" not in picture.data


def test_the_same_file_gives_the_same_bytes() -> None:
    data = encoded(half_and_half(2000, 2000), "PNG")
    assert prepare_picture(data) == prepare_picture(data)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is not a picture"),
        (b"Lamp Oil 3:45\n", "is not a picture"),
        # the brands of ISO/IEC 23008-12, 10.2, and of AVIF: what a phone sends
        (b"\0\0\0\x18ftypheic\0\0\0\0heicmif1" + bytes(200), "set the camera to JPEG"),
        (b"\0\0\0\x1cftypmif1\0\0\0\0mif1heic" + bytes(200), "set the camera to JPEG"),
        (b"\0\0\0\x18ftypisom\0\0\0\0isommp41" + bytes(200), "is not a picture"),
        (huge_png(40_000, 40_000), "at most 80 million are allowed"),
        (huge_png(12_000, 12_000), "12000 x 12000 pixels"),
        (encoded(half_and_half())[:900], "damaged picture"),
        (huge_png(500, 500)[:-40], "damaged picture"),
    ],
)
def test_what_is_no_picture_is_one_line(data: bytes, message: str) -> None:
    with pytest.raises(ParameterError, match=message) as problem:
        prepare_picture(data, name="front.jpg")
    assert "\n" not in str(problem.value)
    assert MAXIMUM_PIXELS == 80_000_000


def test_files(tmp_path: Path) -> None:
    path = tmp_path / "back.png"
    path.write_bytes(encoded(half_and_half(), "PNG"))
    assert load_picture(path, "back", description="back").kind == "back"
    with pytest.raises(ParameterError, match="is not there"):
        load_picture(tmp_path / "none.jpg")
    with pytest.raises(ParameterError, match="is a folder"):
        load_picture(tmp_path)
    with pytest.raises(ParameterError, match="must be one of"):
        load_picture(path, "inside")  # type: ignore[arg-type]


def test_the_finest_grain_is_drawn_without_a_word(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library wrote "Suspension not allowed here" among our lines: its buffer was too short."""
    monkeypatch.setattr(ImageFile, "MAXBLOCK", 65_536)
    grain = np.random.default_rng(3).integers(0, 255, (600, 600, 3), dtype=np.uint8)
    picture = prepare_picture(encoded(Image.fromarray(grain), "PNG"))
    assert opened(picture).size == (600, 600)
    assert capfd.readouterr().err == ""


def test_a_greyscale_scan_in_floating_point_is_not_black() -> None:
    """From 0 to 1, as such pictures are kept (common practice, no source)."""
    grey = Image.fromarray(np.tile(np.linspace(0.0, 1.0, 300, dtype=np.float32), (200, 1)))
    picture = prepare_picture(encoded(grey, "TIFF"))
    for x in (0, 150, 299):
        assert pixel(picture, x, 100)[0] == pytest.approx(255.0 * x / 299.0, abs=3)


def test_what_a_picture_survives_is_not_told(recwarn: pytest.WarningsRecorder) -> None:
    """The camera's notes of this one end before their time: the library says so aloud, with the path of its own source."""
    exif = Image.Exif()
    exif[0x010F] = "a maker of cameras"
    data = encoded(half_and_half(), exif=exif)
    notes = data.index(b"Exif\0\0")
    big_endian = data[notes + 6 : notes + 8] == b"MM"
    at = notes + 6 + 8
    cut = data[:at] + struct.pack(">H" if big_endian else "<H", 200) + data[at + 2 :]
    with pytest.warns(UserWarning, match="Corrupt EXIF"), Image.open(io.BytesIO(cut)) as odd:
        odd.getexif()
    recwarn.clear()
    assert prepare_picture(cut).width == 300
    assert [str(each.message) for each in recwarn] == []
