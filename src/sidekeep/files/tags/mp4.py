"""Atoms of MP4 audio (m4a): the ``ilst`` box, with free-form ``----`` atoms for what has no atom.

Free-form atoms use the one name space that players read (it carries a company's name for historical
reasons).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.tags.sound_edit import END_STATEMENT, read_sound_edit
from sidekeep.files.tags.tag_set import TagSet, fixed_padding, replaygain_texts

_SPOKEN_WORD = 2
_FREE = "----:com.apple.iTunes:"


def write_mp4(path: Path, tags: TagSet, pictures: Sequence[Picture]) -> None:
    """Replace all atoms; chapters written by the muxer stay."""
    from mutagen.mp4 import MP4, AtomDataType, MP4Cover, MP4FreeForm

    audio = MP4(path)
    if audio.tags is None:
        audio.add_tags()
    atoms = audio.tags
    assert atoms is not None
    atoms.clear()
    for name, values in _texts(tags).items():
        kept = [value for value in values if value]
        if kept:
            atoms[name] = kept
    if tags.track_number:
        atoms["trkn"] = [(tags.track_number, tags.track_total)]
    if tags.disc_number:
        atoms["disk"] = [(tags.disc_number, tags.disc_total)]
    atoms["pgap"] = True
    if path.suffix == ".m4b":
        # What players that remember the place take it for (common practice, no source).
        atoms["stik"] = [_SPOKEN_WORD]
    if tags.is_compilation:
        atoms["cpil"] = True
    free = _free_texts(tags)
    edit = read_sound_edit(path)
    if edit is not None and edit.skip_frames:
        free[END_STATEMENT] = edit.statement()
    for name, value in free.items():
        if value:
            atoms[_FREE + name] = [MP4FreeForm(value.encode("utf-8"), dataformat=AtomDataType.UTF8)]
    covers = [
        MP4Cover(
            picture.data,
            imageformat=MP4Cover.FORMAT_PNG if picture.mime == "image/png" else MP4Cover.FORMAT_JPEG,
        )
        for picture in pictures
    ]
    if covers:
        atoms["covr"] = covers
    audio.save(padding=fixed_padding)


def _texts(tags: TagSet) -> dict[str, tuple[str, ...]]:
    """Atoms of text, by name; empty values are not written."""
    return {
        "\xa9nam": (tags.title,),
        "\xa9ART": tags.artists,
        "\xa9alb": (tags.album,),
        "aART": tags.album_artists,
        "\xa9day": (tags.date,),
        "\xa9gen": tags.genres,
        "\xa9wrt": tags.composers,
        "\xa9cmt": (tags.comment,),
        "ldes": (tags.notes,),
        "sonm": (tags.title_sort,),
        "soar": tags.artist_sorts,
        "soal": (tags.album_sort,),
        "soaa": tags.album_artist_sorts,
    }


def _free_texts(tags: TagSet) -> dict[str, str]:
    """What has no atom of its own; empty values are not written."""
    return {
        "ORIGINALDATE": tags.original_date,
        "LABEL": tags.label,
        "CATALOGNUMBER": tags.catalogue_number,
        "RELEASECOUNTRY": tags.country,
        "MEDIA": tags.media,
        "SIDE": tags.side,
        "POSITION": tags.position,
        "ISRC": tags.isrc,
        "CONDUCTOR": "; ".join(tags.conductors),
        "ARRANGER": "; ".join(tags.arrangers),
        "PRODUCER": "; ".join(tags.producers),
        "ENGINEER": "; ".join(tags.engineers),
        "MIXER": "; ".join(tags.mixers),
        "BARCODE": tags.barcode,
        **replaygain_texts(tags),
    }
