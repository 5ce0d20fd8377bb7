"""Short names for values, so that equal settings are known again: what decides a file's samples, or its tags."""

from __future__ import annotations

import json
from typing import Any

from sidekeep.files.checksum import bytes_sha256

COPIES_VERSION = 1
"""Raised whenever the same input would give other files of every kind."""

TAGS_VERSION = 2
"""Raised whenever the same values would be written into files in another way; their sound stays."""

CODEC_VERSIONS = {"aac": 3, "mp3-320": 2, "mp3-variable": 2, "opus": 2, "wav": 2}
"""The same for one codec, where it is not the first."""


def key_of(*parts: Any) -> str:
    """A short name for a value: the same on every machine and in every run."""
    text = json.dumps(parts, ensure_ascii=True, sort_keys=True, default=str, separators=(",", ":"))
    return bytes_sha256(text.encode("ascii"))[:32]


def library_versions() -> dict[str, str]:
    """Versions of what turns samples into files: another version may write other bytes."""
    import av
    import mutagen
    import soundfile
    import soxr

    return {
        "av": av.__version__,
        "sndfile": soundfile.__libsndfile_version__,
        "soxr": soxr.__version__,
        "mutagen": mutagen.version_string,
    }
