"""Reading a copy back before it gets its name.

Lossless files must give back every sample (by the CRC-32 of every stripe of them), through
another decoder than the encoder's library where there is one. Lossy files must give back the right number of
frames, and a level that fits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.errors import AudioFileError, CopyError
from sidekeep.files.checksum import StripeSums
from sidekeep.files.codecs.mp3 import id3_bytes, read_info
from sidekeep.files.reading.decode import Decoder, to_float
from sidekeep.files.reading.own_sum import stream_md5
from sidekeep.files.samples import digest_type, peak_of
from sidekeep.files.samples import to_float as whole_to_float
from sidekeep.flow.ports import BLOCK_FRAMES
from sidekeep.units import gain_to_db

Listener = Callable[[NDArray[np.float64]], None]
"""Called with each decoded block (n, channels): for a meter that wants to hear the copy."""

LEVEL_TOLERANCE_DB = 3.0
"""How far the level of a lossy copy may lie from what went in; encoders stay within 0.1 dB on music."""
QUIET_LEVEL = 1e-3
"""Below -60 dBFS a lossy encoder may leave out what cannot be heard: no level check."""
STRIPE_FRAMES = BLOCK_FRAMES
"""Frames that are summed by themselves: so a file can be read back from two places at once. Few, for a sum of 32 bits misses one
change in four thousand million."""
_SHORTEST_CHECK_S = 1.0
SHORTEST_GAPLESS_FRAMES = 1024
"""A sound shorter than a packet ends in padding in some kinds; no track is that short."""


def stripe_bytes(channels: int, bits: int, is_float: bool) -> int:
    """Bytes of ``STRIPE_FRAMES`` as they are summed."""
    return STRIPE_FRAMES * channels * np.dtype(digest_type(bits, is_float)).itemsize


class DifferenceMeter:
    """Root mean square of the difference between each frame and the one 0.5 ms before it.

    That leaves out offset and rumble, which some lossy codecs filter off on purpose.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._lag = max(1, rate_hz // 2000)
        self._tail = np.zeros((self._lag, channels))
        self._power = 0.0
        self._count = 0

    def add(self, block: NDArray[Any]) -> None:
        """Take the next (n, channels)."""
        head = min(self._lag, len(block))
        changes = [np.subtract(block[:head], self._tail[:head], dtype=np.float64)]
        if len(block) > self._lag:
            changes.append(np.subtract(block[self._lag :], block[: -self._lag], dtype=np.float64))
            self._tail = block[-self._lag :].astype(np.float64)
        else:
            self._tail = np.concatenate([self._tail[head:], block])
        for change in changes:
            # Not a matrix product: its threads would take the cores from the encoders.
            self._power += float(np.einsum("ij,ij->", change, change))
            self._count += change.size

    @property
    def level(self) -> float:
        """Linear."""
        return math.sqrt(self._power / max(1, self._count))


@dataclass(frozen=True, kw_only=True)
class ReadBack:
    """What a file gives back. ``samples_sums`` is empty for lossy files; ``level`` is ``LevelMeter``'s."""

    frames: int
    rate_hz: int
    channels: int
    peak: float
    level: float
    samples_sums: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Written:
    """What went into a file, as the sink counted it. ``past_full_scale`` samples were clipped."""

    path: Path
    kind: str
    frames: int
    rate_hz: int
    channels: int
    bits: int
    is_float: bool
    lossless: bool
    peak: float
    level: float
    samples_sums: tuple[int, ...]
    past_full_scale: int


def read_back(
    path: Path,
    kind: str,
    *,
    bits: int,
    is_float: bool = False,
    listen: Listener | None = None,
    takes_off_padding: bool = False,
) -> ReadBack:
    """Decode a whole file of ``kind`` and tell what is in it. Raises ``AudioFileError`` if it cannot."""
    if kind in ("wav", "bwf", "aiff") and listen is None:
        return _read_stripes(path, bits, is_float)
    lossless = kind in ("flac", "alac", "wav", "bwf", "aiff")
    sums: StripeSums | None = None
    digest_as = digest_type(bits, is_float)
    whole = lossless and not is_float
    unit = float(1 << (bits - 1)) if whole else 1.0
    frames, peak, channels, rate_hz = 0, 0.0, 0, 0
    meter: DifferenceMeter | None = None
    summed: Future[None] | None = None
    with ThreadPoolExecutor(1, thread_name_prefix="sum") as summing:
        for rate_now, samples in _decoded(path, kind, bits, is_float, takes_off_padding):
            rate_hz, channels = rate_now, samples.shape[1]
            frames += len(samples)
            peak = max(peak, peak_of(samples) / unit)
            if lossless:
                sums = sums or StripeSums(stripe_bytes(channels, bits, is_float))
                if summed is not None:
                    summed.result()
                # the next block is decoded meanwhile
                summed = summing.submit(sums.update, np.ascontiguousarray(samples, dtype=digest_as).data)
            else:
                meter = meter or DifferenceMeter(rate_hz, channels)
                meter.add(samples)
            if listen is not None:
                listen(whole_to_float(samples, bits) if whole else to_float(samples))
    return ReadBack(
        frames=frames,
        rate_hz=rate_hz,
        channels=channels,
        peak=peak,
        level=meter.level if meter else 0.0,
        samples_sums=sums.sums if sums else (),
    )


def read_plain(
    handle: soundfile.SoundFile, start: int, stop: int, sums: StripeSums, bits: int, is_float: bool
) -> tuple[int, float]:
    """Frames from ``start`` on to ``stop``, or as many as there are, into ``sums``: how many there were, and their peak."""
    dtype = f"float{bits}" if is_float else "int32"
    handle.seek(start)
    room = np.empty((min(BLOCK_FRAMES, max(0, stop - start)), handle.channels), dtype=dtype)
    at, peak = start, 0.0
    while at < stop:
        block = handle.read(dtype=dtype, always_2d=True, out=room[: min(len(room), stop - at)])
        if not len(block):
            break
        if not is_float:
            block >>= 32 - bits
        sums.update(np.ascontiguousarray(block, dtype=digest_type(bits, is_float)).data)
        at, peak = at + len(block), max(peak, peak_of(block))
    return at - start, peak / (1.0 if is_float else float(1 << (bits - 1)))


def _read_stripes(path: Path, bits: int, is_float: bool) -> ReadBack:
    """The same of plain samples, which can be read from anywhere: the two halves side by side."""

    def read(start: int, stop: int) -> tuple[int, float, tuple[int, ...]]:
        with soundfile.SoundFile(str(path)) as handle:
            sums = StripeSums(stripe_bytes(handle.channels, bits, is_float))
            return *read_plain(handle, start, stop, sums, bits, is_float), sums.sums

    try:
        with soundfile.SoundFile(str(path)) as handle:
            rate_hz, channels, frames = handle.samplerate, handle.channels, handle.frames
        middle = frames // STRIPE_FRAMES // 2 * STRIPE_FRAMES
        with ThreadPoolExecutor(2, thread_name_prefix="read-back") as pool:
            halves = [pool.submit(read, *half) for half in ((0, middle), (middle, frames))]
            counts, peaks, sums = zip(*(half.result() for half in halves), strict=True)
    except soundfile.SoundFileError as error:
        raise AudioFileError("not-decoded", path=path, reason=error) from error
    return ReadBack(
        frames=sum(counts),
        rate_hz=rate_hz,
        channels=channels,
        peak=max(peaks),
        level=0.0,
        samples_sums=sums[0] + sums[1],
    )


def read_copy(path: Path, written: Written, listen: Listener | None = None) -> ReadBack:
    """What a file gives back of what was written into it."""
    return read_back(
        path,
        written.kind,
        bits=written.bits,
        is_float=written.is_float,
        listen=listen,
        takes_off_padding=written.frames < SHORTEST_GAPLESS_FRAMES,
    )


def check_copy(path: Path, written: Written, read: Callable[[], ReadBack]) -> ReadBack:
    """Compare what ``read`` gives of a file with what was written into it; raises ``CopyError`` when it is not the same."""
    try:
        got = read()
    except AudioFileError as error:
        raise CopyError("not-read-back", path=written.path, reason=error) from error
    if (got.frames, got.rate_hz, got.channels) != (written.frames, written.rate_hz, written.channels):
        raise CopyError(
            "reads-back-another-length",
            path=written.path,
            got_frames=got.frames,
            got_channels=got.channels,
            got_rate_hz=got.rate_hz,
            frames=written.frames,
            channels=written.channels,
            rate_hz=written.rate_hz,
        )
    if written.lossless:
        if got.samples_sums != written.samples_sums:
            raise CopyError("reads-back-differently", path=written.path)
    elif written.level > QUIET_LEVEL and written.frames >= _SHORTEST_CHECK_S * written.rate_hz:
        change_db = gain_to_db(got.level / written.level)
        if abs(change_db) > LEVEL_TOLERANCE_DB:
            raise CopyError("reads-back-another-level", path=written.path, change_db=change_db)
    _check_head(path, written)
    return got


def _check_head(path: Path, written: Written) -> None:
    """What the file says about itself: FLAC's own MD5, MP3's gapless numbers."""
    with open(path, "rb") as file:
        if written.kind == "flac":
            if not stream_md5(file.read(42)):
                raise CopyError("no-sound-checksum", path=written.path)
        elif written.kind.startswith("mp3"):
            file.seek(id3_bytes(file.read(10)))
            info = read_info(file.read(1024))
            if info is not None and info.length_frames != written.frames:
                raise CopyError(
                    "says-another-length",
                    path=written.path,
                    said_frames=info.length_frames,
                    frames=written.frames,
                )


def _decoded(
    path: Path, kind: str, bits: int, is_float: bool, takes_off_padding: bool
) -> Iterator[tuple[int, NDArray[Any]]]:
    """(rate_hz, block): whole numbers of ``bits`` bits for lossless PCM, else the decoder's floats."""
    if kind in ("alac", "aac", "opus"):
        # As any player decodes it: what our own reader would put right must be right in the file.
        decoder = Decoder(path, takes_off_padding=takes_off_padding)
        for samples in decoder.frames():
            if kind == "alac" and samples.dtype == np.int32:
                samples = samples >> (32 - bits)
            yield decoder.coding.rate_hz, samples
        if decoder.damaged_packets:
            raise AudioFileError("packets-damaged", packets=decoder.damaged_packets, path=path)
        return
    try:
        with soundfile.SoundFile(str(path)) as handle:
            dtype = "int32"
            if kind.startswith("mp3"):
                dtype = "float32"
            elif is_float:
                dtype = f"float{bits}"
            while len(block := handle.read(BLOCK_FRAMES, dtype=dtype, always_2d=True)):
                yield handle.samplerate, block >> (32 - bits) if dtype == "int32" else block
    except soundfile.SoundFileError as error:
        raise AudioFileError("not-decoded", path=path, reason=error) from error
