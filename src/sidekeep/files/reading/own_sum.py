"""The checksum that a FLAC file carries of its own sound: an MD5 of its samples (RFC 9639, section 8.2).

It is of the samples as they were before they were packed, so it tells damage that no file's own checksum can:
that of a file which was whole when it was first summed. Samples are signed, little-endian, in whole bytes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.files.checksum import md5
from sidekeep.files.names import library_name
from sidekeep.files.reading.problems import sound_differs
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.ports import BLOCK_FRAMES, Audio
from sidekeep.model.finding import Finding


class OwnSum:
    """The sum of what is read of a file, held against the one that it carries.

    ``saw`` takes blocks as they are read, in order; what was seen already is passed over. Of a file of which a part was left out
    nothing is said.
    """

    def __init__(self, path: Path, length_frames: int) -> None:
        self._wanted, self._bits = _carried(path)
        self._length = length_frames
        self._got = md5()
        self._at = 0

    def saw(self, frame: int, block: Audio) -> None:
        """Samples (frames, channels) from ``frame`` on, full scale +-1."""
        skip = self._at - frame
        if self._wanted and 0 <= skip < len(block):
            steps = np.rint(block[skip:] * float(1 << (self._bits - 1))).astype(np.int32)
            self._got.update(_packed(steps, self._bits))
            self._at += len(steps)

    @property
    def differs(self) -> bool:
        """Whether all of the file was read and its sound has another sum than the file says."""
        return bool(self._wanted) and self._at == self._length and self._got.hexdigest() != self._wanted


def own_sum_findings(source: FileSource) -> list[Finding]:
    """``own-sum-differs`` for every FLAC file of a take whose sound is not what it says itself; each is read for it."""
    found = []
    start = 0
    for part in source.files:
        if part.format.container == "flac" and carried_md5(part.path) and not flac_md5_matches(part.path):
            found.append(sound_differs(part, start))
        start += part.format.length_frames
    return found


def stream_md5(head: bytes) -> str:
    """The MD5 of the samples from a file's first 42 bytes (RFC 9639, section 8.2); empty when not set."""
    if len(head) < 42 or head[:4] != b"fLaC" or head[4] & 0x7F:
        return ""
    digest = head[26:42]
    return digest.hex() if any(digest) else ""


def carried_md5(path: Path) -> str:
    """The MD5 of its samples that a FLAC file carries, in hex; empty for one without. ``OSError`` comes out as it is."""
    return _carried(path)[0]


def _carried(path: Path) -> tuple[str, int]:
    """The MD5, and the bits of a sample."""
    with open(path, "rb") as handle:
        head = handle.read(42)
    # Bits per sample less one: the last 5 bits but for the 36 of the length (RFC 9639, section 8.2).
    return stream_md5(head), ((int.from_bytes(head[18:26], "big") >> 36) & 0x1F) + 1


def flac_md5_matches(path: Path) -> bool:
    """Decode a FLAC file and compare with the MD5 it carries; one without an MD5 must at least decode.
    False when it cannot be decoded."""
    try:
        wanted, bits = _carried(path)
        got = md5()
        with soundfile.SoundFile(library_name(path)) as sound:
            for block in sound.blocks(BLOCK_FRAMES, dtype="int32", always_2d=True):
                got.update(_packed(block >> (32 - bits), bits))
    except (OSError, soundfile.SoundFileError):
        return False
    return wanted in ("", got.hexdigest())


def _packed(steps: NDArray[np.int32], bits: int) -> bytes:
    """Whole numbers in as many bytes as they need, as the MD5 is defined over them."""
    size = (bits + 7) // 8
    whole = np.ascontiguousarray(steps, dtype="<i4")
    return whole.view(np.uint8).reshape(-1, 4)[:, :size].tobytes()
