"""Findings about a file itself: what a damaged recording still gave, and what to do about it."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Finding
from sidekeep.units import clock_text


class _Opened(Protocol):
    path: Path
    format: AudioFormat


def _length_text(source: _Opened, frames: int) -> str:
    return clock_text(frames / source.format.rate_hz, 1)


def cut_short(source: _Opened, *, claimed_frames: int) -> Finding:
    """``truncated-file``: the file ends before its header says so."""
    frames = source.format.length_frames
    return Finding(
        kind="truncated-file",
        start_frame=frames,
        stop_frame=frames,
        severity="act",
        text=(
            f"{source.path.name} ends at {_length_text(source, frames)} although its header promises "
            f"{_length_text(source, claimed_frames)}: it was cut short; "
            "copy it again if you can"
        ),
        evidence={"claimed_frames": float(claimed_frames), "read_frames": float(frames)},
    )


def unfinished(source: _Opened, *, claimed_frames: int) -> Finding:
    """``unfinished-file``: more audio than the header says, because its writer was stopped."""
    frames = source.format.length_frames
    return Finding(
        kind="unfinished-file",
        start_frame=0,
        stop_frame=frames,
        severity="note",
        text=(
            f"{source.path.name} was not finished by the program that wrote it: its header does not know "
            f"the length; all {_length_text(source, frames)} found in it are used"
        ),
        evidence={"claimed_frames": float(claimed_frames), "read_frames": float(frames)},
    )


def damaged(source: _Opened, packets: int) -> Finding:
    """``damaged-file``: pieces that could not be decoded and are missing from the sound."""
    return Finding(
        kind="damaged-file",
        start_frame=0,
        stop_frame=source.format.length_frames,
        severity="look",
        text=(
            f"{packets} pieces of {source.path.name} could not be decoded and are missing; "
            "take it again from its backup"
        ),
        evidence={"damaged_packets": float(packets)},
    )
