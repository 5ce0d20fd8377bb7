"""Cue sheets: where tracks start in a file or on a disc, with the fields that become CD-Text.

Times are minutes:seconds:frames, 75 frames a second; minutes may pass 99. A start that falls between two
frames is written as the frame before it. Text is UTF-8, or ISO 8859-1 as burners and CD-Text have it, with other letters
transliterated; a double quote, which the form cannot hold, becomes a single one. On a CD the pause of 2 s before the first
track is the burner's and is not in the sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from sidekeep.copies.tracks.cutting import CD_FRAMES_PER_S, address_text
from sidekeep.files.plain_text import latin_1_text

if TYPE_CHECKING:
    from pathlib import Path

Encoding = Literal["utf-8", "iso-8859-1"]

MAXIMUM_TEXT = 80
"""Characters of one CD-Text field in a cue sheet (common practice, no source)."""

LEAD_OUT_NUMBER = 255
"""Number of the lead-out track in a CUESHEET block that is not of a CD (RFC 9639, section 8.7)."""


@dataclass(frozen=True, kw_only=True)
class CueTrack:
    """A track in a file; frames are samples at the file's rate."""

    number: int
    title: str
    start_frame: int
    stop_frame: int
    performer: str = ""
    composer: str = ""
    isrc: str = ""


def cue_sheet(
    files: Sequence[tuple[str, str, Sequence[CueTrack]]],
    *,
    title: str,
    performer: str,
    rate_hz: int,
    catalogue: str = "",
    year: int | None = None,
    genre: str = "",
    for_cd: bool = False,
    encoding: Encoding = "utf-8",
) -> bytes:
    """A cue sheet over one or more files ``(name, type, tracks)``; numbers run through all of them.

    ``catalogue`` is a barcode: 13 digits are written, 12 get the leading zero of an EAN, others are left out.
    With ``for_cd`` texts are held to ``MAXIMUM_TEXT`` characters.
    """
    limit = MAXIMUM_TEXT if for_cd else 1000
    lines = []
    if genre:
        lines.append(f'REM GENRE "{_text(genre, limit, encoding)}"')
    if year:
        lines.append(f"REM DATE {year}")
    if len(catalogue) in (12, 13):
        lines.append(f"CATALOG {catalogue.zfill(13)}")
    if performer:
        lines.append(f'PERFORMER "{_text(performer, limit, encoding)}"')
    lines.append(f'TITLE "{_text(title, limit, encoding)}"')
    for name, file_type, tracks in files:
        lines.append(f'FILE "{_text(name, 1000, encoding)}" {file_type}')
        for track in tracks:
            lines.append(f"  TRACK {track.number:02d} AUDIO")
            lines.append(f'    TITLE "{_text(track.title, limit, encoding)}"')
            if track.performer:
                lines.append(f'    PERFORMER "{_text(track.performer, limit, encoding)}"')
            if track.composer:
                lines.append(f'    SONGWRITER "{_text(track.composer, limit, encoding)}"')
            if track.isrc:
                lines.append(f"    ISRC {track.isrc}")
            lines.append(f"    INDEX 01 {cue_time(track.start_frame, rate_hz)}")
    return ("\r\n".join(lines) + "\r\n").encode(encoding)


def cue_time(frame: int, rate_hz: int) -> str:
    """Start of a track as ``mm:ss:ff``, never after it."""
    return address_text(frame * CD_FRAMES_PER_S // rate_hz)


def _text(text: str, limit: int, encoding: Encoding) -> str:
    if encoding == "iso-8859-1":
        text = latin_1_text(text)
    flat = " ".join(text.replace('"', "'").split())
    return flat[:limit].rstrip()


def write_cuesheet_block(path: Path, tracks: Sequence[CueTrack], length_frames: int, catalogue: str) -> None:
    """Put a CUESHEET block into a FLAC file (RFC 9639, section 8.7): exact starts, one index each, lead-out.

    At most 254 tracks fit; a longer list is left to the cue sheet beside the file.
    """
    if len(tracks) >= LEAD_OUT_NUMBER:
        return
    from mutagen.flac import FLAC, CueSheet, CueSheetTrack, CueSheetTrackIndex

    from sidekeep.files.tags.tag_set import fixed_padding

    audio = FLAC(path)
    audio.metadata_blocks = [block for block in audio.metadata_blocks if block.code != CueSheet.code]
    sheet = CueSheet(bytes(396))
    sheet.media_catalog_number = catalogue.zfill(13).encode("ascii") if len(catalogue) in (12, 13) else b""
    sheet.lead_in_samples = 0
    sheet.compact_disc = False
    sheet.tracks = []
    for track in tracks:
        entry = CueSheetTrack(track.number, track.start_frame, track.isrc.encode("ascii"), 0, False)
        entry.indexes = [CueSheetTrackIndex(1, 0)]
        sheet.tracks.append(entry)
    sheet.tracks.append(CueSheetTrack(LEAD_OUT_NUMBER, length_frames, b"", 0, False))
    audio.cuesheet = sheet
    audio.metadata_blocks.append(sheet)
    audio.save(padding=fixed_padding)
