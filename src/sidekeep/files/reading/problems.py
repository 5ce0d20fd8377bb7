"""Findings about a file itself: what a damaged recording still gave, and what to do about it."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Finding


class _Opened(Protocol):
    path: Path
    format: AudioFormat


def cut_short(source: _Opened, *, claimed_frames: int | None = None) -> Finding:
    """``truncated-file``: the file ends before its header says so, or in the middle of a piece where no header says how long it
    is (``claimed_frames`` None)."""
    frames = source.format.length_frames
    claimed = {} if claimed_frames is None else {"claimed_frames": claimed_frames}
    return Finding(
        kind="truncated-file",
        start_frame=frames,
        stop_frame=frames,
        severity="act",
        facts={"name": source.path.name, **claimed, "read_frames": frames},
    )


def end_not_marked(source: _Opened) -> Finding:
    """``end-not-marked``: a form whose last piece is marked, and the last one here is not."""
    frames = source.format.length_frames
    return Finding(
        kind="end-not-marked",
        start_frame=frames,
        stop_frame=frames,
        severity="note",
        facts={"name": source.path.name, "read_frames": frames},
    )


def unfinished(source: _Opened, *, claimed_frames: int) -> Finding:
    """``unfinished-file``: more audio than the header says, because its writer was stopped."""
    frames = source.format.length_frames
    return Finding(
        kind="unfinished-file",
        start_frame=0,
        stop_frame=frames,
        severity="note",
        facts={"name": source.path.name, "claimed_frames": claimed_frames, "read_frames": frames},
    )


def sound_differs(source: _Opened, start_frame: int = 0) -> Finding:
    """``own-sum-differs``: the sound is not what the file's own checksum says of it; ``start_frame`` is where the file begins in
    its take."""
    return Finding(
        kind="own-sum-differs",
        start_frame=start_frame,
        stop_frame=start_frame + source.format.length_frames,
        severity="look",
        facts={"name": source.path.name},
    )


def damaged(source: _Opened, packets: int) -> Finding:
    """``damaged-file``: pieces that could not be decoded and are missing from the sound."""
    return Finding(
        kind="damaged-file",
        start_frame=0,
        stop_frame=source.format.length_frames,
        severity="look",
        facts={"name": source.path.name, "damaged_packets": packets},
    )
