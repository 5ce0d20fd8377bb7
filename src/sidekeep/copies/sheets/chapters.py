"""Chapters of an m4a file: its packets go into a new file with a chapter list, nothing is encoded anew."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

from sidekeep.copies.sheets.cue import CueTrack
from sidekeep.errors import CopyError
from sidekeep.files.atomic import part_path


def write_m4a_chapters(path: Path, marks: Sequence[CueTrack], rate_hz: int) -> None:
    """Replace the chapters of a file. ``OSError`` comes out as it is."""
    import av

    part = part_path(path)
    options = {"fflags": "+bitexact", "movie_timescale": str(rate_hz), "movflags": "+faststart"}
    try:
        with av.open(str(path)) as source, av.open(str(part), "w", format="ipod", options=options) as target:
            stream = source.streams.audio[0]
            copy = target.add_stream_from_template(stream)
            target.set_chapters(
                [
                    {
                        "id": mark.number,
                        "start": mark.start_frame,
                        "end": mark.stop_frame,
                        "time_base": Fraction(1, rate_hz),
                        "metadata": {"title": mark.title},
                    }
                    for mark in marks
                ]
            )
            for packet in source.demux(stream):
                if packet.size:
                    packet.stream = copy
                    target.mux(packet)
        part.replace(path)
    except av.error.FFmpegError as problem:
        part.unlink(missing_ok=True)
        if isinstance(problem, OSError) and problem.errno:
            raise
        raise CopyError(f"{path.name} does not take chapters: {problem}") from None
