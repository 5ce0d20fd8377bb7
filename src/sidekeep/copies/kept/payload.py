"""Checksums of the coded audio in a file, whatever its tags say."""

from __future__ import annotations

from pathlib import Path

from sidekeep.errors import CopyError
from sidekeep.files.checksum import rest_sha256, sha256
from sidekeep.files.codecs.flac import flac_audio_start


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
