"""The files of a CD: tracks or an image for every disc, and the cue sheets that say how they lie on it."""

from __future__ import annotations

from dataclasses import replace

from sidekeep.copies.cd.discs import Disc, lay_out_discs
from sidekeep.copies.kinds.table import Kind
from sidekeep.copies.plan.collected import Collected
from sidekeep.copies.sheets.cue import CueTrack
from sidekeep.copies.tracks.levels import Piece
from sidekeep.copies.tracks.naming import NamingRules, safe_name, track_path
from sidekeep.copies.tracks.tagging import TrackFacts, file_tags
from sidekeep.files.plain_text import ascii_text
from sidekeep.files.tags.tag_set import TagSet

Sheet = list[tuple[str, str, tuple[CueTrack, ...]]]
"""Files of a cue sheet: name, type, tracks."""


def add_cd(to: Collected, kind: Kind) -> None:
    """All discs of a kind, with their cue sheets."""
    discs, findings = lay_out_discs(to.sides, to.tracks)
    to.findings += [each for each in findings if each not in to.findings]
    for number, disc in enumerate(discs, start=1):
        place = f"{kind.name}/"
        title = to.record.title
        if len(discs) > 1:
            title += f" (disc {number})"
            place += "" if kind.is_image else f"disc {number}/"
        tags = replace(file_tags(to.record, to.facts, None), disc_number=number, disc_total=len(discs))
        sheet = (
            _add_image(to, kind, place, disc, replace(tags, title=title))
            if kind.is_image
            else _add_cd_tracks(to, kind, place, disc, tags)
        )
        _add_cd_sheets(to, place, sheet, title, kind.rate_hz(0))


def _add_cd_tracks(to: Collected, kind: Kind, place: str, disc: Disc, disc_tags: TagSet) -> Sheet:
    taken: set[str] = set()
    sheet: Sheet = []
    for track_number, pieces in enumerate(disc.tracks, start=1):
        facts = _cd_facts(to, disc, track_number, pieces)
        values = {name: ascii_text(value) for name, value in facts.naming_values().items()}
        name = track_path(NamingRules(), values, kind.suffix, taken)
        tags = replace(
            file_tags(to.record, to.facts, facts),
            track_number=track_number,
            track_total=len(disc.tracks),
            disc_number=disc_tags.disc_number,
            disc_total=disc_tags.disc_total,
        )
        planned = to.add_file(kind, place + name, list(pieces), tags, kind.rate_hz(0))
        sheet.append((name, "WAVE", (_cd_mark(planned.marks[0], track_number, facts),)))
    return sheet


def _add_image(to: Collected, kind: Kind, place: str, disc: Disc, tags: TagSet) -> Sheet:
    name = safe_name(ascii_text(tags.title) or "Record", kind.suffix)
    pieces = [piece for track in disc.tracks for piece in track]
    starts = dict(zip(pieces, to.marks(kind, pieces, kind.rate_hz(0)), strict=True))
    to.add_file(kind, place + name, pieces, tags, kind.rate_hz(0))
    marks = tuple(
        _cd_mark(starts[track[0]], number, _cd_facts(to, disc, number, track))
        for number, track in enumerate(disc.tracks, start=1)
    )
    return [(name, "WAVE", marks)]


def _cd_mark(mark: CueTrack, number: int, facts: TrackFacts) -> CueTrack:
    return replace(mark, number=number, title=facts.title, isrc=facts.isrc)


def _add_cd_sheets(
    to: Collected,
    place: str,
    sheet: Sheet,
    title: str,
    rate_hz: int,
) -> None:
    """One cue sheet in UTF-8 and, where that is not the same, one in the alphabet of burners and CD-Text."""
    name = ascii_text(title) or "Record"
    whole = to.cue_sheet(sheet, title, rate_hz, for_cd=True)
    for_burners = to.cue_sheet(sheet, title, rate_hz, for_cd=True, encoding="iso-8859-1")
    to.texts[place + safe_name(name, ".cue")] = whole
    if for_burners != whole:
        to.texts[place + safe_name(f"{name} (for burners)", ".cue")] = for_burners


def _cd_facts(to: Collected, disc: Disc, number: int, pieces: tuple[Piece, ...]) -> TrackFacts:
    facts = to.tracks[pieces[0]]
    title = " / ".join(to.tracks[piece].title for piece in pieces)
    width = max(2, len(str(len(disc.tracks))))
    return replace(facts, title=title, number_text=f"{number:0{width}d}")
