"""Checksums of the coded audio in a file, whatever its tags say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.errors import CopyError
from sidekeep.files.checksum import md5, rest_sha256, sha256
from sidekeep.files.codecs.flac import flac_audio_start, stream_md5
from sidekeep.flow.ports import BLOCK_FRAMES


def payload_sha256(path: Path) -> str:
    """SHA-256 of the audio packets of a file, in order: tagging must not change it."""
    digest = sha256()
    with open(path, "rb", buffering=0) as handle:
        start = flac_audio_start(handle)
        if start:
            # All that follows the head of a FLAC file is its packets: no need to take them apart.
            handle.seek(start)
            return rest_sha256(handle)
    import av

    try:
        with av.open(str(path), "r") as container:
            stream = container.streams.audio[0]
            for packet in container.demux(stream):
                if packet.size:
                    digest.update(bytes(packet))
    except (av.error.FFmpegError, IndexError) as problem:
        raise CopyError("copy-unreadable", name=path.name, reason=problem) from None
    return digest.hexdigest()


def has_md5(path: Path) -> bool:
    """Whether a FLAC file carries the MD5 of its samples. ``OSError`` comes out as it is."""
    with open(path, "rb") as handle:
        return stream_md5(handle.read(42)) != ""


def flac_md5_matches(path: Path) -> bool:
    """Decode a FLAC file and compare with the MD5 it carries (RFC 9639, section 8.2); one without an MD5
    must at least decode. False when it cannot be decoded."""
    try:
        with open(path, "rb") as handle:
            head = handle.read(42)
        wanted = stream_md5(head)
        # Bits per sample less one: the last 5 bits but for the 36 of the length (RFC 9639, section 8.2).
        bits = ((int.from_bytes(head[18:26], "big") >> 36) & 0x1F) + 1
        got = md5()
        with soundfile.SoundFile(str(path)) as sound:
            for block in sound.blocks(BLOCK_FRAMES, dtype="int32", always_2d=True):
                got.update(_packed(block, bits))
    except (OSError, soundfile.SoundFileError):
        return False
    return wanted in ("", got.hexdigest())


def _packed(block: NDArray[np.int32], bits: int) -> bytes:
    """Signed little-endian samples in whole bytes, as the MD5 is defined over them."""
    size = (bits + 7) // 8
    whole = np.ascontiguousarray(block >> (32 - bits), dtype="<i4")
    return whole.view(np.uint8).reshape(-1, 4)[:, :size].tobytes()
