"""All kinds of copies by name, and the one way to begin one."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.files.atomic import part_path
from sidekeep.files.codecs.aac import AAC
from sidekeep.files.codecs.aiff import AIFF
from sidekeep.files.codecs.alac import ALAC
from sidekeep.files.codecs.codec import Codec, FileForm
from sidekeep.files.codecs.flac import FLAC
from sidekeep.files.codecs.mp3 import MP3_320, MP3_VARIABLE
from sidekeep.files.codecs.opus import OPUS
from sidekeep.files.codecs.wav import BWF, WAV
from sidekeep.files.wave.bext import Bext
from sidekeep.files.writing.read_back import Listener
from sidekeep.files.writing.sink import FileSink, Finish

CODECS: dict[str, Codec] = {
    codec.kind: codec for codec in (FLAC, ALAC, MP3_320, MP3_VARIABLE, AAC, OPUS, WAV, AIFF, BWF)
}


def codec_of(kind: str) -> Codec:
    """The facts of a kind: suffix, lossless or not, rates and word lengths it takes."""
    if kind not in CODECS:
        raise ParameterError("sink-kind", kind=kind, known=CODECS)
    return CODECS[kind]


def open_sink(
    path: str | os.PathLike[str],
    kind: str,
    *,
    rate_hz: int,
    channels: int,
    bits: int = 24,
    is_float: bool = False,
    bext: Bext | None = None,
    length_frames: int | None = None,
    bit_rate: int | None = None,
    serial: int = 0,
    before: NDArray[Any] | None = None,
    after: NDArray[Any] | None = None,
    replace: bool = False,
    finish: Finish | None = None,
    check: bool = True,
    listen: Listener | None = None,
) -> FileSink:
    """Begin a file of ``kind``: flac, alac, mp3-320, mp3-variable, aac, opus, wav, aiff or bwf.

    ``path`` is the final name, suffix included. ``bits`` is the word length of lossless kinds (lossy ones
    do not use it, but ``write_int`` reads its numbers by it). ``finish`` gets the finished part file and
    may tag it; ``check`` reads it back; ``listen`` hears what was read back. ``length_frames`` spares AAC from holding
    its samples on the disk until it knows; ``bit_rate`` (bit/s) is for lossy kinds that let it be chosen, ``serial`` for
    Ogg streams, which need numbers of their own to be put end to end; ``before`` and ``after``, (n, channels), are the
    neighbours' sound, at most ``Codec.before_frames`` and ``after_frames`` of it. Raises
    ``ParameterError`` for what the kind cannot hold and ``CopyError`` for what the disk refuses.
    """
    codec = codec_of(kind)
    codec.check(rate_hz, channels, bits, is_float)
    final = Path(path)
    job = FileForm(
        path=part_path(final),
        rate_hz=rate_hz,
        channels=channels,
        bits=bits,
        is_float=is_float,
        bext=bext,
        length_frames=length_frames,
        bit_rate=bit_rate,
        serial=serial,
        before=before,
        after=after,
    )
    return FileSink(final, codec, job, replace=replace, finish=finish, check=check, listen=listen)
