"""Artwork: read, checked, turned upright, resized and stripped of everything but the picture.

Positions, camera names and dates (EXIF, XMP, IPTC) never reach a copy: the picture is drawn anew as sRGB
JPEG. A picture that would unpack to more than ``MAXIMUM_PIXELS`` is refused by its header alone.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from sidekeep.errors import ParameterError
from sidekeep.files.bounded import read_bounded

if TYPE_CHECKING:
    from PIL import Image
    from PIL.ImageFile import ImageFile

PictureKind = Literal["front", "back", "label", "other"]

PICTURE_TYPES: dict[str, int] = {"other": 0, "front": 3, "back": 4, "label": 6}
"""Type numbers of APIC frames and FLAC PICTURE blocks (RFC 9639, table 13: 3 front, 4 back, 6 label)."""

MAXIMUM_PIXELS = 80_000_000
_MOST_MILLIONS = MAXIMUM_PIXELS // 1_000_000
"""A 12-inch sleeve scanned at 600 dots per inch has about 55 million."""

PICTURE_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP")
"""What is opened at all: the forms cameras, scanners and shops give, not every decoder there is."""

_FIRST_BYTES = (
    (b"\xff\xd8", ".jpg"),
    (b"\x89PNG", ".png"),
    (b"II*\0", ".tif"),
    (b"MM\0*", ".tif"),
    (b"BM", ".bmp"),
)

MAXIMUM_FILE_BYTES = 200_000_000
"""A sleeve of those pixels without compression is under it."""
MAXIMUM_SIDE_PX, SMALLEST_SIDE_PX = 1400, 64
"""Of the pictures in copies: what players show on a large screen, and what can still be made out (chosen here)."""
JPEG_QUALITY, LEAST_QUALITY = 90, 66
"""Where it begins, and how far it is lowered for a picture that must be small (chosen here by eye)."""


@dataclass(frozen=True, kw_only=True)
class Picture:
    """An encoded picture ready to be put into a file."""

    kind: PictureKind
    data: bytes
    width: int
    height: int
    mime: str = "image/jpeg"
    description: str = ""
    scan: Path | None = None
    """The file it was drawn from."""


def load_picture(
    path: Path,
    kind: PictureKind = "front",
    *,
    maximum_side_px: int = MAXIMUM_SIDE_PX,
    maximum_bytes: int = 0,
    description: str = "",
) -> Picture:
    """Read a picture file and make it fit for tags.

    Raises ``ParameterError`` with one line for a missing file, a file that is no picture, a damaged or a
    far too large one.
    """
    data = read_bounded(path, "picture", most_bytes=MAXIMUM_FILE_BYTES)
    picture = prepare_picture(
        data,
        kind,
        maximum_side_px=maximum_side_px,
        maximum_bytes=maximum_bytes,
        description=description,
        name=str(path),
    )
    return replace(picture, scan=path)


def picture_suffix(path: Path) -> str:
    """The suffix a picture file should have by its first bytes; that of its name when they say nothing."""
    with open(path, "rb") as file:
        head = file.read(12)
    for start, suffix in _FIRST_BYTES:
        if head.startswith(start):
            return suffix
    return ".webp" if head[:4] == b"RIFF" and head[8:] == b"WEBP" else path.suffix.lower()


def open_upright(data: bytes, name: str = "picture") -> Image.Image:
    """The picture as the camera meant it, sRGB, without metadata. Raises ``ParameterError`` as ``load_picture``."""
    with _opened(data, name) as picture:
        return _upright_rgb(picture)


def prepare_picture(
    data: bytes,
    kind: PictureKind = "front",
    *,
    maximum_side_px: int = MAXIMUM_SIDE_PX,
    maximum_bytes: int = 0,
    description: str = "",
    name: str = "picture",
) -> Picture:
    """Bytes of a picture file to a ``Picture``; see ``load_picture``. ``maximum_bytes`` of 0 is no limit."""
    if kind not in PICTURE_TYPES:
        raise ParameterError("picture-kind", kind=kind, known=PICTURE_TYPES)
    if not 64 <= maximum_side_px <= 10_000:
        raise ParameterError("picture-side", maximum_side_px=maximum_side_px)
    with _opened(data, name) as picture:
        from PIL import Image

        short_px, long_px = sorted(picture.size)
        picture.draft("RGB", (maximum_side_px, maximum_side_px))
        drawn = _upright_rgb(picture)
        if long_px > maximum_side_px:
            # By the shape of the whole picture: that of a draft is rounded already.
            short_px = max(1, round(short_px * maximum_side_px / long_px))
            is_wide = drawn.width >= drawn.height
            size = (maximum_side_px, short_px) if is_wide else (short_px, maximum_side_px)
            drawn = drawn.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0)
        drawn, data = _within(drawn, maximum_bytes)
        return Picture(
            kind=kind,
            data=data,
            width=drawn.width,
            height=drawn.height,
            description=description,
        )


_PHONE = re.compile(rb"....ftyp(?:hei[cmsx]|hev[cmsx]|mif1|msf1|avi[fs])", re.DOTALL)
"""A picture in the container that phones use by themselves: its brand (ISO/IEC 23008-12, 10.2; AVIF v1.1, 6)."""


@contextmanager
def _opened(data: bytes, name: str) -> Iterator[ImageFile]:
    """The picture by its header, no larger than we take; what goes wrong with it meanwhile is a ``ParameterError``."""
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            # Our own limit is the one that counts, and it is checked right below; oddities that a picture survives, such as its
            # camera's notes, are nobody's concern.
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=PICTURE_FORMATS) as picture:
                if picture.width * picture.height > MAXIMUM_PIXELS:
                    raise _too_large(name, picture.width, picture.height)
                yield picture
    except Image.DecompressionBombError:
        raise ParameterError("picture-far-too-large", name=name, most_millions=_MOST_MILLIONS) from None
    except UnidentifiedImageError:
        if _PHONE.match(data):
            raise ParameterError("picture-of-phone", name=name) from None
        raise ParameterError("not-a-picture", name=name) from None
    except (OSError, ValueError, SyntaxError, EOFError) as problem:
        if isinstance(problem, ParameterError):
            raise
        raise ParameterError("picture-damaged", name=name, reason=problem) from None


def _within(drawn: Image.Image, maximum_bytes: int) -> tuple[Image.Image, bytes]:
    """The picture as JPEG of at most so many bytes (0: any): coarser first, then smaller."""
    from PIL import Image

    while True:
        for quality in (JPEG_QUALITY, 82, 74, LEAST_QUALITY):
            data = _jpeg(drawn, quality)
            if not maximum_bytes or len(data) <= maximum_bytes:
                return drawn, data
        if max(drawn.size) <= SMALLEST_SIDE_PX:
            return drawn, data
        width, height = (max(1, round(edge * 0.8)) for edge in drawn.size)
        drawn = drawn.resize((width, height), Image.Resampling.LANCZOS)


def _jpeg(drawn: Image.Image, quality: int) -> bytes:
    """Colours at full resolution at the usual quality, at half below it."""
    from PIL import ImageFile

    # What is optimised must fit into one buffer; the library's own is too short for the finest grain, and it says so aloud.
    ImageFile.MAXBLOCK = max(ImageFile.MAXBLOCK, 4 * drawn.width * drawn.height)
    out = io.BytesIO()
    drawn.save(out, "JPEG", quality=quality, optimize=True, subsampling=0 if quality == JPEG_QUALITY else 2)
    return out.getvalue()


def _too_large(name: str, width_px: int, height_px: int) -> ParameterError:
    return ParameterError(
        "picture-too-large", name=name, width_px=width_px, height_px=height_px, most_millions=_MOST_MILLIONS
    )


def _upright_rgb(picture: Image.Image) -> Image.Image:
    """Turned as the camera meant it, in sRGB, on white where it was transparent, without metadata."""
    import numpy as np
    from PIL import Image, ImageCms, ImageOps

    upright = ImageOps.exif_transpose(picture)
    profile = picture.info.get("icc_profile")
    if profile and upright.mode in ("RGB", "CMYK"):
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            upright = (
                ImageCms.profileToProfile(upright, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
                or upright
            )
        except (ImageCms.PyCMSError, OSError):
            upright = upright.convert("RGB")
    if upright.mode in ("RGBA", "LA", "PA") or "transparency" in upright.info:
        layered = upright.convert("RGBA")
        white = Image.new("RGBA", layered.size, "white")
        upright = Image.alpha_composite(white, layered)
    elif upright.mode == "F" and float(np.asarray(upright).max()) <= 1.0:
        # Floating-point greyscale goes from 0 to 1; as whole numbers it would be black.
        upright = upright.point(lambda value: value * 255.0 + 0.5).convert("L")
    elif upright.mode.startswith("I") or upright.mode == "F":
        # 16-bit greyscale scans; plain conversion would clip them to white.
        upright = upright.convert("I").point(lambda value: value / 256).convert("L")
    clean = Image.new("RGB", upright.size)
    clean.paste(upright.convert("RGB"))
    return clean
