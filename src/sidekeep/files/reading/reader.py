"""Opening recordings: one file, or several files of one side.

WAV, RF64, BW64, W64, AIFF, CAF and FLAC go through soundfile; everything else PyAV decodes (MP3, m4a, Opus,
WavPack, Matroska, ...). What can be read is read: a file cut short, a header left behind by a killed
writer, sizes that are too small or too large become findings in ``source.problems``; what cannot be used
at all is a one-line ``AudioFileError``. One or two channels, 8 to 384 kHz.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

import soundfile

from sidekeep.errors import AudioFileError
from sidekeep.files.names import library_name
from sidekeep.files.reading import problems
from sidekeep.files.reading.decoded_source import DecodedSource
from sidekeep.files.reading.joined_source import JoinedSource
from sidekeep.files.reading.library_source import SUBTYPE_BITS, SndfileSource
from sidekeep.files.reading.ogg_end import ogg_end
from sidekeep.files.reading.source import FileSource
from sidekeep.files.wave.caf import without_end
from sidekeep.files.wave.chunks import UNKNOWN_32, ChunkLayout, survey_chunks
from sidekeep.model.audio import AudioFormat

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
MOST_CHANNELS = 2
_IMPOSSIBLE_BYTES = 1 << 62

PathLike = str | os.PathLike[str]


def open_source(path: PathLike) -> FileSource:
    """Open one recording. Raises ``AudioFileError`` with one line when it cannot be used."""
    file = Path(path)
    head = _first_bytes(file)
    source = _open_by_kind(file, head)
    _check_form(file, source.format)
    return source


def _check_form(file: Path, form: AudioFormat | ChunkLayout) -> None:
    """Raise ``AudioFileError`` for channels, rates and lengths that no side has."""
    if form.channels > MOST_CHANNELS:
        raise AudioFileError("too-many-channels", file=file, channels=form.channels)
    if not LOWEST_RATE_HZ <= form.rate_hz <= HIGHEST_RATE_HZ:
        raise AudioFileError(
            "rate-out-of-range",
            file=file,
            rate_hz=form.rate_hz,
            lowest_hz=LOWEST_RATE_HZ,
            highest_hz=HIGHEST_RATE_HZ,
        )
    if form.length_frames == 0:
        raise AudioFileError("no-sound", file=file)


def open_take(paths: Sequence[PathLike]) -> FileSource:
    """Open the files of one side as one recording, in the order given; they must be recorded alike."""
    if not paths:
        raise AudioFileError("no-file")
    parts = [open_source(path) for path in paths]
    return parts[0] if len(parts) == 1 else JoinedSource(parts)


def _first_bytes(file: Path) -> bytes:
    """The first bytes of an ordinary, readable, non-empty file."""
    try:
        if file.is_dir():
            raise AudioFileError("file-is-folder", file=file)
        if not file.is_file():
            if not os.path.lexists(file):
                raise AudioFileError("file-missing", file=file)
            if not os.path.exists(file):
                raise AudioFileError("file-link-leads-nowhere", file=file)
            raise AudioFileError("file-not-ordinary", file=file)
        # Some files of the system call themselves ordinary, hold 0 bytes and wait for what may never come.
        if not file.stat().st_size:
            raise AudioFileError("file-empty", file=file)
        with open(file, "rb") as handle:
            head = handle.read(16)
    except PermissionError as error:
        raise AudioFileError("file-not-permitted", file=file) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise AudioFileError("file-unread", file=file, reason=reason) from error
    if not head:
        raise AudioFileError("file-empty", file=file)
    return head


def _open_by_kind(file: Path, head: bytes) -> FileSource:
    if head[:4] in (b"RIFF", b"RF64", b"BW64"):
        with open(file, "rb") as handle:
            layout = survey_chunks(handle)
        if layout is not None:
            return _open_riff(file, layout)
    container = _sndfile_container(head)
    if container == "caf":
        with open(file, "rb") as handle:
            layout = without_end(handle)
        if layout is not None:
            _check_form(file, layout)
            return _told_of_end(SndfileSource(file, container, layout), layout)
    if container:
        source = _try_sndfile(file, container)
        if source is not None:
            return source
    return _decoded(file)


def _sndfile_container(head: bytes) -> str:
    """The container by its first bytes, or nothing when another library has to try."""
    if head[:4] == b"fLaC":
        return "flac"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "aiff"
    if head[:4] == b"riff":
        return "w64"
    return {b"caff": "caf", b"RIFF": "wav", b".snd": "au"}.get(head[:4], "")


def _open_riff(file: Path, layout: ChunkLayout) -> FileSource:
    """Through the sound library when the header is right, else by where the samples really are."""
    container = "wav" if layout.form == "riff" else "rf64"
    _check_form(file, layout)
    if layout.verdict == "sound" and layout.torn_bytes == 0:
        with contextlib.suppress(soundfile.SoundFileError):
            source = SndfileSource(file, container, whole=layout)
            if source.format.length_frames == layout.length_frames:
                return source
    return _told_of_end(SndfileSource(file, container, layout), layout)


def _told_of_end(source: SndfileSource, layout: ChunkLayout) -> SndfileSource:
    if layout.verdict == "cut short":
        source.problems.append(problems.cut_short(source, claimed_frames=layout.claimed_frames))
    elif layout.verdict == "unfinished":
        source.problems.append(problems.unfinished(source, claimed_frames=layout.claimed_frames))
    return source


def _try_sndfile(file: Path, container: str) -> FileSource | None:
    """Through the sound library; None when it cannot, or cannot reach the end it promises."""
    try:
        with soundfile.SoundFile(library_name(file)) as handle:
            if handle.subtype not in SUBTYPE_BITS or handle.frames == 0:
                return None
            if container == "flac":
                # A FLAC header gives the length; whether the end is there shows only on going there.
                handle.seek(handle.frames - 1)
                if len(handle.read(1, always_2d=True)) != 1:
                    return None
        source = SndfileSource(file, container)
    except (soundfile.SoundFileError, OSError):
        return None
    if container in ("aiff", "w64", "au"):
        missing = _bytes_missing(file, container)
        if missing:
            frame_bytes = source.format.channels * source.format.bits // 8
            claimed = source.format.length_frames + max(1, missing // frame_bytes)
            source.problems.append(problems.cut_short(source, claimed_frames=claimed))
    return source


def _bytes_missing(file: Path, container: str) -> int:
    """How many bytes a file lacks: AIFF and W64 tell their whole size in front, AU that of the sound."""
    with open(file, "rb") as handle:
        head = handle.read(24)
        if container == "aiff":
            claimed = int.from_bytes(head[4:8], "big") + 8
        elif container == "w64":
            claimed = int.from_bytes(head[16:24], "little")
        else:
            start, length = (int.from_bytes(head[at : at + 4], "big") for at in (4, 8))
            claimed = 0 if length == UNKNOWN_32 else start + length
    missing = claimed - file.stat().st_size
    return missing if 1 < missing < _IMPOSSIBLE_BYTES else 0


def _decoded(file: Path) -> FileSource:
    source = DecodedSource(file)
    claimed = _flac_claim(file)
    if claimed > source.format.length_frames > 0 and not source.problems:
        source.problems.append(problems.cut_short(source, claimed_frames=claimed))
    end = ogg_end(file)
    if end == "torn" and not source.problems:
        source.problems.append(problems.cut_short(source))
    elif end == "unmarked" and not source.problems:
        source.problems.append(problems.end_not_marked(source))
    return source


def _flac_claim(file: Path) -> int:
    """Total samples by a FLAC file's STREAMINFO (36 bits, RFC 9639 8.2); 0 when unknown or not FLAC."""
    with open(file, "rb") as handle:
        head = handle.read(26)
    if head[:4] != b"fLaC" or len(head) < 26:
        return 0
    return int.from_bytes(head[21:26], "big") & ((1 << 36) - 1)
