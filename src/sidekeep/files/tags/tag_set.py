"""What is written into a file about itself, the same for every format.

``TagSet`` holds plain values; ``write_tags`` puts them into FLAC and Opus (Vorbis comments), MP3, WAV and
AIFF (ID3v2.4, or 2.3 for old players) and m4a (MP4 atoms) with mutagen. The room left for later edits is
fixed, everything that was there before is removed, and no time stamp is added: the same values into the
same audio give the same bytes.

ReplayGain 2.0: ``gain_db`` is what brings the audio to -18 LUFS, ``peak`` is linear true peak. Opus
carries the same as R128 gains to -23 LUFS in 1/256 dB (RFC 7845, section 5.2.1).
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, fields

from sidekeep.errors import ParameterError

PADDING_BYTES = 2048
"""Room left in every file so that a small correction need not move the audio."""

TAGGED_SUFFIXES = (".flac", ".opus", ".mp3", ".wav", ".aiff", ".m4a", ".m4b")


@dataclass(frozen=True, kw_only=True)
class Gain:
    """ReplayGain of a track or a record."""

    gain_db: float
    peak: float


@dataclass(frozen=True, kw_only=True)
class TagSet:
    """Values of one file. Empty text, 0 and None mean "not known" and are not written.

    ``side`` is a letter, ``position`` the mark on the sleeve (``A1``); ``rpm`` chooses the ID3 media code.
    ``chapters`` (start in seconds, title) are written to Opus, FLAC and MP3 here; other formats carry them elsewhere.
    Sort names are given only where they differ. ``notes`` are the sleeve's, in lines.
    ``cue_sheet`` is the text of one over this file, for players of FLAC that look for it there.
    """

    title: str = ""
    artists: tuple[str, ...] = ()
    album: str = ""
    album_artists: tuple[str, ...] = ()
    track_number: int = 0
    track_total: int = 0
    disc_number: int = 0
    disc_total: int = 0
    side: str = ""
    position: str = ""
    date: str = ""
    original_date: str = ""
    genres: tuple[str, ...] = ()
    composers: tuple[str, ...] = ()
    label: str = ""
    catalogue_number: str = ""
    country: str = ""
    media: str = ""
    rpm: float | None = None
    comment: str = ""
    isrc: str = ""
    title_sort: str = ""
    artist_sorts: tuple[str, ...] = ()
    album_sort: str = ""
    album_artist_sorts: tuple[str, ...] = ()
    notes: str = ""
    producers: tuple[str, ...] = ()
    engineers: tuple[str, ...] = ()
    mixers: tuple[str, ...] = ()
    arrangers: tuple[str, ...] = ()
    conductors: tuple[str, ...] = ()
    barcode: str = ""
    is_compilation: bool = False
    track_gain: Gain | None = None
    album_gain: Gain | None = None
    chapters: tuple[tuple[float, str], ...] = ()
    cue_sheet: str = ""
    length_s: float = 0.0
    """Of the sound: where the last chapter ends."""


def clean_tags(tags: TagSet) -> TagSet:
    """Trimmed NFC text without control characters; a NUL is refused: it would end or split a value."""
    values: dict[str, object] = {}
    for field in fields(tags):
        value = getattr(tags, field.name)
        if isinstance(value, str):
            value = clean_text(value, field.name, keep_lines=field.name in ("comment", "cue_sheet", "notes"))
        elif isinstance(value, tuple) and value and isinstance(value[0], str):
            value = tuple(text for text in (clean_text(each, field.name) for each in value) if text)
        elif field.name == "chapters":
            value = tuple((start_s, clean_text(title, "chapters")) for start_s, title in value)
        values[field.name] = value
    return TagSet(**values)  # type: ignore[arg-type]


def clean_text(text: str, name: str = "text", *, keep_lines: bool = False) -> str:
    """One value as it may stand in a tag; raises ``ParameterError`` for a NUL or half a character."""
    if "\x00" in text:
        raise ParameterError("tag-nul", name=name, text=text[:40])
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise ParameterError("tag-half-character", name=name, text=text[:40]) from None
    kept = "".join(
        char if unicodedata.category(char) != "Cc" or (keep_lines and char == "\n") else " " for char in text
    )
    return unicodedata.normalize("NFC", kept).strip()


def fixed_padding(_info: object) -> int:
    """For mutagen: always the same room, so that tagging twice gives the same bytes."""
    return PADDING_BYTES


def replaygain_texts(tags: TagSet) -> dict[str, str]:
    """ReplayGain 2.0 keys and values as text, the same in every format but Opus."""
    texts = {}
    for scope, gain in (("TRACK", tags.track_gain), ("ALBUM", tags.album_gain)):
        if gain is not None:
            texts[f"REPLAYGAIN_{scope}_GAIN"] = f"{gain.gain_db:+.2f} dB"
            texts[f"REPLAYGAIN_{scope}_PEAK"] = f"{gain.peak:.6f}"
    if texts:
        texts["REPLAYGAIN_REFERENCE_LOUDNESS"] = "-18.00 LUFS"
    return texts


def r128_texts(tags: TagSet) -> dict[str, str]:
    """Opus gains: Q7.8 integers to -23 LUFS, 5 dB below the ReplayGain 2.0 reference (RFC 7845, 5.2.1)."""
    texts = {}
    for scope, gain in (("TRACK", tags.track_gain), ("ALBUM", tags.album_gain)):
        if gain is not None:
            value = round((gain.gain_db - 5.0) * 256.0)
            texts[f"R128_{scope}_GAIN"] = str(max(-32768, min(32767, value)))
    return texts
