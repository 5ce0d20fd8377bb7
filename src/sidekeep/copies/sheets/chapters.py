"""Chapters of an m4a or Matroska file: its packets go into a new file with a chapter list, nothing is encoded anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path

from sidekeep.copies.sheets.cue import CueTrack
from sidekeep.errors import CopyError
from sidekeep.files.atomic import part_path
from sidekeep.files.tags.tag_set import TagSet, replaygain_texts


def write_m4a_chapters(path: Path, marks: Sequence[CueTrack], rate_hz: int) -> None:
    """Replace the chapters of a file. ``OSError`` comes out as it is."""
    options = {"movie_timescale": str(rate_hz), "movflags": "+faststart"}
    _put_anew(path, "ipod", options, marks, rate_hz, {})


def write_matroska(path: Path, marks: Sequence[CueTrack], rate_hz: int, tags: TagSet) -> None:
    """Make a Matroska file of a FLAC file, or of one of its kind, with chapters and tags. ``OSError`` comes out as it is."""
    texts = {
        "title": tags.title,
        "ARTIST": "; ".join(tags.artists),
        "ALBUM": tags.album,
        "ALBUM_ARTIST": "; ".join(tags.album_artists),
        "DATE_RELEASED": tags.date,
        "GENRE": "; ".join(tags.genres),
        "LABEL": tags.label,
        "CATALOG_NUMBER": tags.catalogue_number,
        "ORIGINAL_MEDIA_TYPE": tags.media,
        "BARCODE": tags.barcode,
        "COMMENT": tags.comment,
        **replaygain_texts(tags),
    }
    _put_anew(path, "matroska", {}, marks, rate_hz, {name: text for name, text in texts.items() if text})


def _put_anew(
    path: Path,
    form: str,
    options: Mapping[str, str],
    marks: Sequence[CueTrack],
    rate_hz: int,
    texts: Mapping[str, str],
) -> None:
    import av

    part = part_path(path)
    told = {"fflags": "+bitexact", **options}
    try:
        with av.open(str(path)) as source, av.open(str(part), "w", format=form, options=told) as target:
            stream = source.streams.audio[0]
            copy = target.add_stream_from_template(stream)
            target.metadata.update(texts)
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
        raise CopyError("chapters-refused", name=path.name, reason=problem) from None
