"""A file being written: whole under its final name, read back and right, or not there at all.

The encoder writes under a temporary name. ``close`` ends it, lets ``finish`` write tags into it, reads it back,
flushes it to the disk and gives it its name. Whatever goes wrong before that removes the part file and
comes out as a one-line ``CopyError``. The same samples give the same bytes, every run.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace as changed
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import CopyError, ParameterError, SidekeepError
from sidekeep.files.atomic import copy_error, flush_file, forget_parts, give_name, refuse_existing
from sidekeep.files.checksum import StripeSums
from sidekeep.files.codecs.codec import Codec, Encoder, FileForm, GrowingEncoder
from sidekeep.files.samples import digest_type, peak_of, to_float, to_whole
from sidekeep.files.writing.follow import Follower
from sidekeep.files.writing.read_back import (
    DifferenceMeter,
    Listener,
    Written,
    check_copy,
    read_copy,
    stripe_bytes,
)

Finish = Callable[[Path], None]
"""Called with the finished part file before it is read back: the place for tags."""


_LOUDEST = 4.0
"""What lossy encoders are given at most: 12 dB past full scale."""


class FileSink:
    """An ``AudioSink`` for one file. Made by ``sinks.open_sink``; one thread at a time."""

    def __init__(
        self,
        path: Path,
        codec: Codec,
        job: FileForm,
        *,
        replace: bool,
        finish: Finish | None,
        check: bool,
        listen: Listener | None,
    ) -> None:
        self.path, self.codec = path, codec
        self._job, self._replace, self._finish, self._check = job, replace, finish, check
        self._listen = listen
        self._sums = StripeSums(stripe_bytes(job.channels, job.bits, job.is_float))
        self._digest_type = digest_type(job.bits, job.is_float) if codec.lossless else None
        self._meter = None if codec.lossless else DifferenceMeter(job.rate_hz, job.channels)
        self._state = "open"
        self._whole = codec.lossless and not job.is_float
        self._unit = float(1 << (job.bits - 1)) if self._whole else 1.0
        self._written = Written(
            path=path,
            kind=codec.kind,
            frames=0,
            rate_hz=job.rate_hz,
            channels=job.channels,
            bits=job.bits,
            is_float=job.is_float,
            lossless=codec.lossless,
            peak=0.0,
            level=0.0,
            samples_sums=(),
            past_full_scale=0,
        )
        self._frames, self._peak, self._past = 0, 0.0, 0
        refuse_existing(path, replace)
        try:
            forget_parts(job.path.parent)
            self._encoder: Encoder = codec.start(job)
        except OSError as error:
            self._remove()
            raise copy_error(error, path) from error
        # tags change a file once more, and who listens wants to hear it in one piece
        may_follow = check and finish is None and listen is None and isinstance(self._encoder, GrowingEncoder)
        self._follower = Follower(job.path, job.channels, job.bits, job.is_float) if may_follow else None

    @property
    def written(self) -> Written:
        """What has gone in so far; final after ``close``."""
        return self._written

    def write(self, block: NDArray[np.float64]) -> None:
        """Append float64 (n, channels). Integer kinds round to their own numbers, without dither."""
        self._expect(block)
        if self._whole:
            whole, past = to_whole(block, self._job.bits)
            self._past += past
            self._append(whole)
        elif self.codec.lossless:
            self._append(block)
        elif (peak := peak_of(block)) <= _LOUDEST:
            self._append(block, peak)
        else:
            # Lossy encoders end the whole program on what is not a number or far too large.
            tame = np.nan_to_num(block, nan=0.0, posinf=_LOUDEST, neginf=-_LOUDEST)
            self._append(np.clip(tame, -_LOUDEST, _LOUDEST))

    def write_int(self, block: NDArray[Any]) -> None:
        """Append whole numbers of the sink's ``bits`` bits, (n, channels), as a dither left them."""
        self._expect(block)
        if self._whole:
            self._append(block.astype(np.int32, copy=False))
        else:
            self._append(to_float(block, self._job.bits))

    def close(self) -> None:
        """End, tag, read back, flush, name. After a failure nothing is left; closing twice does nothing."""
        if self._state != "open":
            return
        part = self._job.path
        try:
            if not self._frames:
                raise CopyError("sink-without-sound", path=self.path)
            self._encoder.finish()
            if self._finish is not None:
                self._finish(part)
            self._written = changed(
                self._written,
                frames=self._frames,
                peak=self._peak,
                level=self._meter.level if self._meter else 0.0,
                samples_sums=self._sums.sums if self.codec.lossless else (),
                past_full_scale=self._past,
            )
            if self._check:
                # the disk takes its time: the file is read back, from the system's memory as ever, while it does
                with ThreadPoolExecutor(1, thread_name_prefix="flush") as flushing:
                    flushed = flushing.submit(flush_file, part)
                    follower = self._follower
                    if follower is not None and follower.has_begun:
                        check_copy(part, self._written, follower.finish)
                    else:
                        check_copy(part, self._written, lambda: read_copy(part, self._written, self._listen))
                    flushed.result()
            give_name(part, self.path, replace=self._replace)
            self._state = "closed"
        except BaseException as error:
            self._fail(error)

    def abandon(self) -> None:
        """Leave nothing behind; does nothing once closed."""
        if self._state == "open":
            self._state = "abandoned"
            if self._follower is not None:
                self._follower.drop()
            self._encoder.drop()
            self._remove()

    def __enter__(self) -> FileSink:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()

    def _expect(self, block: NDArray[Any]) -> None:
        if self._state != "open":
            raise CopyError("sink-state", path=self.path, state=self._state)
        if block.ndim != 2 or block.shape[1] != self._job.channels:
            raise ParameterError(
                "sink-columns", shape=block.shape, channels=self._job.channels, name=self.path.name
            )

    def _append(self, samples: NDArray[Any], peak: float | None = None) -> None:
        """Whole numbers for lossless kinds, floats for the others; ``peak`` is theirs when it is known."""
        if not len(samples):
            return
        try:
            if self._digest_type is not None:
                self._sums.update(np.ascontiguousarray(samples, dtype=self._digest_type).data)
            self._encoder.encode(samples)
        except BaseException as error:
            self._fail(error)
        self._frames += len(samples)
        self._peak = max(self._peak, (peak_of(samples) if peak is None else peak) / self._unit)
        if self._meter is not None:
            self._meter.add(samples)
        if self._follower is not None and self._follower.is_behind(self._frames):
            self._let_follow(self._follower)

    def _let_follow(self, follower: Follower) -> None:
        """What is in the file by now can be read back."""
        assert isinstance(self._encoder, GrowingEncoder)
        try:
            self._encoder.claim()
        except BaseException as error:
            self._fail(error)
        follower.come(self._frames)

    def _fail(self, error: BaseException) -> None:
        """Leave nothing, and raise what a person can be told."""
        self.abandon()
        cause = error.__cause__ if isinstance(error, CopyError) else error
        if isinstance(cause, OSError):
            raise copy_error(cause, self.path) from error
        if isinstance(error, SidekeepError) or not isinstance(error, Exception):
            raise error
        raise CopyError("encoder-failed", path=self.path, reason=error) from error

    def _remove(self) -> None:
        with contextlib.suppress(OSError):
            self._job.path.unlink(missing_ok=True)
