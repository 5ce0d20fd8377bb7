"""Vorbis comments in FLAC (RFC 9639, section 8.6) and Opus (RFC 7845, section 5.2).

Names follow the Xiph list (v-comment) and, beyond it, those in common use. Several values of one name
are several comments.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sidekeep.files.codecs.flac import seek_points
from sidekeep.files.pictures.artwork import PICTURE_TYPES, Picture
from sidekeep.files.tags.tag_set import TagSet, fixed_padding, r128_texts, replaygain_texts

_BLOCK_ORDER = (0, 3, 2, 5, 4, 6, 1)
"""STREAMINFO, SEEKTABLE, APPLICATION, CUESHEET, comments, PICTURE, PADDING (RFC 9639, section 8.1)."""


def comments(tags: TagSet, gains: dict[str, str]) -> list[tuple[str, str]]:
    """Names and values in a fixed order, empty ones left out."""
    pairs: list[tuple[str, str]] = [("TITLE", tags.title)]
    pairs += [("ARTIST", artist) for artist in tags.artists]
    pairs += [("ALBUM", tags.album)]
    pairs += [("ALBUMARTIST", artist) for artist in tags.album_artists]
    pairs += [
        ("TRACKNUMBER", str(tags.track_number or "")),
        ("TRACKTOTAL", str(tags.track_total or "")),
        ("DISCNUMBER", str(tags.disc_number or "")),
        ("DISCTOTAL", str(tags.disc_total or "")),
        ("SIDE", tags.side),
        ("POSITION", tags.position),
        ("DATE", tags.date),
        ("ORIGINALDATE", tags.original_date),
    ]
    pairs += [("GENRE", genre) for genre in tags.genres]
    for name, values in (
        ("COMPOSER", tags.composers),
        ("CONDUCTOR", tags.conductors),
        ("ARRANGER", tags.arrangers),
        ("PRODUCER", tags.producers),
        ("ENGINEER", tags.engineers),
        ("MIXER", tags.mixers),
        ("ARTISTSORT", tags.artist_sorts),
        ("ALBUMARTISTSORT", tags.album_artist_sorts),
    ):
        pairs += [(name, value) for value in values]
    pairs += [
        ("LABEL", tags.label),
        ("ORGANIZATION", tags.label),
        ("CATALOGNUMBER", tags.catalogue_number),
        ("RELEASECOUNTRY", tags.country),
        ("MEDIA", tags.media),
        ("ISRC", tags.isrc),
        ("BARCODE", tags.barcode),
        ("COMPILATION", "1" if tags.is_compilation else ""),
        ("COMMENT", tags.comment),
        ("DESCRIPTION", tags.notes),
        ("TITLESORT", tags.title_sort),
        ("ALBUMSORT", tags.album_sort),
        ("CUESHEET", tags.cue_sheet),
        *gains.items(),
    ]
    for index, (start_s, title) in enumerate(tags.chapters, start=1):
        thousandths = round(start_s * 1000)
        minutes, rest = divmod(thousandths, 60_000)
        hours, minutes = divmod(minutes, 60)
        seconds, thousandths = divmod(rest, 1000)
        pairs.append((f"CHAPTER{index:03d}", f"{hours:02d}:{minutes:02d}:{seconds:02d}.{thousandths:03d}"))
        pairs.append((f"CHAPTER{index:03d}NAME", title))
    return [(name, value) for name, value in pairs if value]


def write_flac(path: Path, tags: TagSet, pictures: Sequence[Picture]) -> None:
    """Comments, PICTURE blocks and a SEEKTABLE; a CUESHEET block that is there stays."""
    from mutagen.flac import FLAC, SeekPoint, SeekTable

    audio = FLAC(path)
    audio.clear_pictures()
    if audio.seektable is None:
        table = SeekTable(None)
        table.seekpoints = [
            SeekPoint(point.sample, point.offset_bytes, point.frames) for point in seek_points(path)
        ]
        audio.seektable = table
        audio.metadata_blocks.append(table)
    if audio.tags is None:
        audio.add_tags()
    assert audio.tags is not None
    audio.tags.clear()
    audio.tags.extend(comments(tags, replaygain_texts(tags)))
    for picture in pictures:
        audio.add_picture(_block(picture))
    # Readers that make chapters of a CUESHEET block as well take the titles of the comments after it.
    audio.metadata_blocks.sort(key=lambda block: _BLOCK_ORDER.index(block.code))
    audio.save(padding=fixed_padding)


def write_opus(path: Path, tags: TagSet, pictures: Sequence[Picture]) -> None:
    """Comments with R128 gains instead of ReplayGain, pictures as METADATA_BLOCK_PICTURE."""
    from mutagen.oggopus import OggOpus

    audio = OggOpus(path)
    assert audio.tags is not None
    audio.tags.clear()
    audio.tags.extend(comments(tags, r128_texts(tags)))
    audio.tags.extend(
        ("METADATA_BLOCK_PICTURE", base64.b64encode(_block(picture).write()).decode("ascii"))
        for picture in pictures
    )
    # Room in an Opus comment packet is noise to some readers; a changed tag rewrites the pages anyway.
    audio.save(padding=lambda _info: 0)


def _block(picture: Picture) -> Any:
    from mutagen.flac import Picture as Block

    block = Block()
    block.type = PICTURE_TYPES[picture.kind]
    block.mime = picture.mime
    block.desc = picture.description
    block.width, block.height, block.depth = picture.width, picture.height, 24
    block.data = picture.data
    return block
