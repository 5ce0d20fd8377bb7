"""The one place that writes through the sound library (MP3, AIFF).

The library calls back into a file of ours, because it swallows what the disk says: ``_Told`` keeps the
first error, and ``encode`` raises it after the library's own short-write trouble.
"""

from __future__ import annotations

import contextlib
import os
from typing import Any

import soundfile
from numpy.typing import NDArray

from sidekeep.files.codecs.codec import FileForm


class _Told:
    """A binary file that remembers the first error instead of raising it inside the library."""

    def __init__(self, path: os.PathLike[str]) -> None:
        self._file = open(path, "wb+")  # noqa: SIM115  (closed by close)
        self.error: OSError | None = None

    def write(self, data: Any) -> int:
        if self.error is not None:
            return 0
        try:
            return self._file.write(data)
        except OSError as error:
            self.error = error
            return 0

    def read(self, size: int = -1) -> bytes:
        return self._file.read(size)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        try:
            return self._file.seek(offset, whence)
        except OSError as error:
            # A seek empties the buffer first, so a full disk can show here too.
            self.error = self.error or error
            return 0

    def tell(self) -> int:
        return self._file.tell()

    def flush(self) -> None:
        self._file.flush()

    def close(self) -> None:
        try:
            self._file.close()
        except OSError as error:
            self.error = self.error or error


class SndfileEncoder:
    """One file of the sound library's making; ``dtype`` is what ``encode`` hands to it."""

    def __init__(self, job: FileForm, *, dtype: str, shift: int = 0, **form: Any) -> None:
        self._dtype, self._shift = dtype, shift
        self._file = _Told(job.path)
        try:
            self._handle = soundfile.SoundFile(self._file, "w", job.rate_hz, job.channels, **form)
        except BaseException:
            self._file.close()
            raise

    def encode(self, samples: NDArray[Any]) -> None:
        """Append samples; whole numbers are shifted to the top of 32 bits as the library wants them."""
        block = samples.astype(self._dtype)
        if self._shift:
            block <<= self._shift
        try:
            self._handle.write(block)
        except (AssertionError, soundfile.SoundFileError) as error:
            if self._file.error is None:
                raise OSError(f"the encoder failed: {error}") from error
        self._raise_told()

    def finish(self) -> None:
        """Write the end and let the file go."""
        self._handle.close()
        self._file.close()
        self._raise_told()

    def drop(self) -> None:
        """Let go."""
        with contextlib.suppress(soundfile.SoundFileError):
            self._handle.close()
        self._file.close()

    def _raise_told(self) -> None:
        if self._file.error is not None:
            raise self._file.error
