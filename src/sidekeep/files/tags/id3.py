"""ID3v2 in MP3, WAV and AIFF: version 2.4 (id3.org, "ID3 tag version 2.4.0 - Native Frames") or 2.3.

Several values of one text frame stand side by side, separated by NUL in 2.4 and by a slash in 2.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sidekeep.files.pictures.artwork import PICTURE_TYPES, Picture
from sidekeep.files.tags.riff_info import write_info
from sidekeep.files.tags.tag_set import TagSet, fixed_padding, replaygain_texts
from sidekeep.units import LP_RPM, SHELLAC_RPM, SINGLE_RPM

_MEDIA_CODES = tuple(
    (speed, f"TT/{int(speed)}") for speed in (LP_RPM, SINGLE_RPM, *SHELLAC_RPM) if speed != SHELLAC_RPM[2]
)
"""ID3v2.4 section 4.2.3 (TMED), turntable speeds: whole turns a minute name them. It has no code for 77.92."""


def media_code(rpm: float | None) -> str:
    """The TMED code of a turntable speed, ``TT`` when the speed is not one of the list."""
    if rpm is not None:
        for speed, code in _MEDIA_CODES:
            if abs(rpm - speed) < 0.5:
                return code
    return "TT"


def frames(tags: TagSet, pictures: Sequence[Picture]) -> list[Any]:
    """ID3 frames of the values, UTF-8."""
    from mutagen import id3

    found: list[Any] = []

    def text(name: str, *values: str) -> None:
        kept = [value for value in values if value]
        if kept:
            found.append(getattr(id3, name)(encoding=3, text=kept))

    def free(description: str, value: str) -> None:
        if value:
            found.append(id3.TXXX(encoding=3, desc=description, text=[value]))

    text("TIT2", tags.title)
    text("TPE1", *tags.artists)
    text("TALB", tags.album)
    text("TPE2", *tags.album_artists)
    text("TRCK", _of(tags.track_number, tags.track_total))
    text("TPOS", _of(tags.disc_number, tags.disc_total))
    text("TDRC", tags.date)
    text("TDOR", tags.original_date)
    text("TCON", *tags.genres)
    text("TCOM", *tags.composers)
    text("TPE3", *tags.conductors)
    text("TPUB", tags.label)
    text("TSOT", tags.title_sort)
    text("TSOP", *tags.artist_sorts)
    text("TSOA", tags.album_sort)
    # As TCMP, not of the standard but read widely (common practice, no source).
    text("TSO2", *tags.album_artist_sorts)
    people = [
        [role, name]
        for role, names in (
            ("producer", tags.producers),
            ("engineer", tags.engineers),
            ("mix", tags.mixers),
            ("arranger", tags.arrangers),
        )
        for name in names
    ]
    if people:
        found.append(id3.TIPL(encoding=3, people=people))
    text("TSRC", tags.isrc)
    if tags.media:
        text("TMED", media_code(tags.rpm))
    # Not a frame of the standard, but the one that players sort compilations by (common practice, no source).
    text("TCMP", "1" if tags.is_compilation else "")
    free("MEDIA", tags.media)
    free("SIDE", tags.side)
    free("POSITION", tags.position)
    free("CATALOGNUMBER", tags.catalogue_number)
    free("RELEASECOUNTRY", tags.country)
    free("BARCODE", tags.barcode)
    for name, value in replaygain_texts(tags).items():
        free(name, value)
    if tags.comment:
        found.append(id3.COMM(encoding=3, lang="XXX", desc="", text=[tags.comment]))
    if tags.notes:
        found.append(id3.COMM(encoding=3, lang="XXX", desc="sleeve notes", text=[tags.notes]))
    found += _chapters(tags)
    for picture in pictures:
        found.append(
            id3.APIC(
                encoding=3,
                mime=picture.mime,
                type=PICTURE_TYPES[picture.kind],
                # Two pictures of one tag may not have the same description (2.4.0 native frames, 4.14).
                desc=picture.description or picture.kind,
                data=picture.data,
            )
        )
    return found


def _chapters(tags: TagSet) -> list[Any]:
    """CHAP frames and the CTOC that names them in order (ID3v2 Chapter Frame Addendum 1.0)."""
    from mutagen import id3

    if not tags.chapters:
        return []
    # The tag library puts shorter frames first, and readers take chapters as they come: names that nobody sees fill them
    # up to one length, whatever the version makes of the text.
    sizes = [len(title.encode("utf-16")) for _, title in tags.chapters]
    names = [f"chapter {number:03d}{'.' * (max(sizes) - size)}" for number, size in enumerate(sizes, start=1)]
    starts_ms = [round(start_s * 1000) for start_s, _ in tags.chapters]
    stops_ms = [*starts_ms[1:], round(tags.length_s * 1000)]
    found: list[Any] = [
        id3.CTOC(
            element_id="chapters",
            flags=id3.CTOCFlags.TOP_LEVEL | id3.CTOCFlags.ORDERED,
            child_element_ids=names,
            sub_frames=[],
        )
    ]
    for name, start_ms, stop_ms, (_, title) in zip(names, starts_ms, stops_ms, tags.chapters, strict=True):
        found.append(
            id3.CHAP(
                element_id=name,
                start_time=start_ms,
                end_time=stop_ms,
                # Places in bytes are not told.
                start_offset=0xFFFFFFFF,
                end_offset=0xFFFFFFFF,
                sub_frames=[id3.TIT2(encoding=1, text=[title])],
            )
        )
    return found


def write_id3(path: Path, suffix: str, tags: TagSet, pictures: Sequence[Picture], *, version: int) -> None:
    """An ID3v2 tag at the head of an MP3, or as a chunk of WAV and AIFF."""
    from mutagen.aiff import AIFF
    from mutagen.id3 import ID3
    from mutagen.mp3 import MP3
    from mutagen.wave import WAVE

    if suffix == ".wav" and _first_bytes(path) != b"RIFF":
        # Past 4 GiB the file is an RF64, which the tag library does not take; it stays without tags.
        return
    if suffix == ".wav":
        write_info(path, tags)
    if suffix == ".mp3":
        ID3.delete(ID3(), path, delete_v1=True, delete_v2=True)
    audio = {".mp3": MP3, ".wav": WAVE, ".aiff": AIFF}[suffix](path)
    if audio.tags is None:
        audio.add_tags()
    assert audio.tags is not None
    audio.tags.clear()
    for frame in frames(tags, pictures):
        audio.tags.add(frame)
    if version == 3:
        audio.tags.update_to_v23()
    if suffix == ".mp3":
        audio.tags.save(path, v1=0, v2_version=version, padding=fixed_padding)
    else:
        audio.tags.save(path, v2_version=version, padding=fixed_padding)


def _first_bytes(path: Path) -> bytes:
    with open(path, "rb") as file:
        return file.read(4)


def _of(number: int, total: int) -> str:
    if not number:
        return ""
    return f"{number}/{total}" if total else str(number)
