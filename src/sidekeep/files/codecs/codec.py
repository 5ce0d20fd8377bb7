"""What every codec room (flac.py, mp3.py, ...) offers to ``sink.py``.

``Codec`` is the fixed description of one kind of copy; its ``start`` gives a fresh ``Encoder`` writing to a
path. Lossless kinds are fed whole numbers, lossy and float kinds are fed floats.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.files.codecs.av_encoder import AvEncoder
from sidekeep.files.wave.bext import Bext


class Encoder(Protocol):
    """A running encoder; an ``OSError`` or ``CopyError`` of the disk comes out of any of these."""

    def encode(self, samples: NDArray[Any]) -> None:
        """Append (n, channels): whole numbers of the kind's bits, or floats."""

    def finish(self) -> None:
        """Write the end of the file and let it go."""

    def drop(self) -> None:
        """Let go; the file will be removed."""


@runtime_checkable
class GrowingEncoder(Encoder, Protocol):
    """One whose file grows at its end alone, and can be read while it does."""

    def claim(self) -> None:
        """Let the file say that all there is so far belongs to it."""


@dataclass(frozen=True, kw_only=True)
class FileForm:
    """The form of one file to write. ``length_frames`` where it is known beforehand; ``bit_rate`` in bit/s for a
    stereo file of a lossy kind, None for the kind's own. ``serial`` numbers an Ogg stream (RFC 3533, section 6), below
    2**30. ``before`` and ``after``, (n, channels), are what is heard around this file when files are played in order: they
    are no part of its sound, but an encoder that knows them makes its ends as well as the rest."""

    path: Path
    rate_hz: int
    channels: int
    bits: int
    is_float: bool
    bext: Bext | None = None
    length_frames: int | None = None
    bit_rate: int | None = None
    serial: int = 0
    before: NDArray[Any] | None = None
    after: NDArray[Any] | None = None


@dataclass(frozen=True, kw_only=True)
class Codec:
    """One kind of copy. ``rates_hz`` empty means any; ``bits`` are the word lengths of lossless kinds. ``before_frames`` and
    ``after_frames`` are what an encoder makes use of around its sound."""

    kind: str
    suffix: str
    lossless: bool
    start: Callable[[FileForm], Encoder]
    rates_hz: tuple[int, ...] = ()
    highest_rate_hz: int = 768_000
    bits: tuple[int, ...] = ()
    before_frames: int = 0
    after_frames: int = 0

    def check(self, rate_hz: int, channels: int, bits: int, is_float: bool) -> None:
        """Raise ``ParameterError`` for what the kind cannot hold."""
        if channels not in (1, 2):
            raise ParameterError("codec-channels", channels=channels, kind=self.kind)
        if self.rates_hz and rate_hz not in self.rates_hz:
            rates = ", ".join(map(str, self.rates_hz))
            raise ParameterError("codec-rates", rate_hz=rate_hz, rates=rates, kind=self.kind)
        if not 8_000 <= rate_hz <= self.highest_rate_hz:
            raise ParameterError(
                "codec-rate-range", rate_hz=rate_hz, highest_rate_hz=self.highest_rate_hz, kind=self.kind
            )
        if is_float and self.kind != "wav":
            raise ParameterError("codec-float", kind=self.kind)
        allowed = (32, 64) if is_float else self.bits
        if self.lossless and bits not in allowed:
            lengths = " or ".join(map(str, allowed))
            raise ParameterError("codec-bits", bits=bits, lengths=lengths, kind=self.kind)


class AvFileEncoder:
    """A file of its own with an ``AvEncoder`` in it; ``arrange`` turns samples into the codec's dtype."""

    def __init__(
        self,
        job: FileForm,
        arrange: Callable[[NDArray[Any]], NDArray[Any]],
        *,
        container: str,
        codec: str,
        sample_format: str,
        bit_rate: int | None = None,
        options: dict[str, str] | None = None,
        container_options: dict[str, str] | None = None,
        first_frame: int = 0,
        kept_frames: tuple[int, int] | None = None,
    ) -> None:
        self._arrange = arrange
        self._file = open(job.path, "wb+")  # noqa: SIM115  (closed by finish or drop)
        try:
            self._encoder = AvEncoder(
                self._file,
                container=container,
                codec=codec,
                sample_format=sample_format,
                rate_hz=job.rate_hz,
                channels=job.channels,
                bit_rate=bit_rate,
                options=options,
                container_options=container_options,
                first_frame=first_frame,
                kept_frames=kept_frames,
            )
        except BaseException:
            self._file.close()
            raise

    def encode(self, samples: NDArray[Any]) -> None:
        self._encoder.encode(self._arrange(samples))

    def finish(self) -> None:
        try:
            self._encoder.finish()
        finally:
            self._file.close()

    def drop(self) -> None:
        # What the library or the disk says while letting go does not matter: the file is removed.
        with contextlib.suppress(Exception):
            self._encoder.drop()
        with contextlib.suppress(OSError):
            self._file.close()


def whole_numbers(bits: int) -> Callable[[NDArray[Any]], NDArray[Any]]:
    """Samples of 16 or 24 bits as the library takes them: 24 stand in the upper part of 32."""
    return _as_16 if bits == 16 else _as_24_in_32


def _as_16(samples: NDArray[Any]) -> NDArray[np.int16]:
    return samples.astype(np.int16)


def _as_24_in_32(samples: NDArray[Any]) -> NDArray[np.int32]:
    return np.left_shift(samples, 8, dtype=np.int32)
