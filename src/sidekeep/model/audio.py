"""What a file or an input says about its audio."""

from __future__ import annotations

from dataclasses import dataclass

LOSSY_CODECS = frozenset({"mp3", "mp2", "aac", "vorbis", "opus", "ac3", "wmav2"})
"""Containers, by the word of ``AudioFormat``, whose files leave out what is hardly heard."""


@dataclass(frozen=True, kw_only=True)
class AudioFormat:
    """Facts of a source of audio.

    ``bits`` is the stored word length (16, 24, 32); with ``is_float`` it is the float's size.
    ``container`` is a short lower-case word such as ``wav``, ``rf64``, ``flac``.
    """

    rate_hz: int
    channels: int
    bits: int
    is_float: bool = False
    length_frames: int = 0
    container: str = "wav"

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.length_frames / self.rate_hz

    @property
    def is_lossy(self) -> bool:
        """Whether the file itself went through a lossy encoder; of what was decoded into another file only the sound tells."""
        return self.container in LOSSY_CODECS
