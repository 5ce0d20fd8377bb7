"""Lays out every file that is to be made, before any sound flows: names, spans, rates, tags, keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from sidekeep.copies.cd.discs import Disc, lay_out_discs
from sidekeep.copies.keys import CODEC_VERSIONS, COPIES_VERSION, TAGS_VERSION, key_of, library_versions
from sidekeep.copies.kinds.forms import Form, read_forms
from sidekeep.copies.kinds.table import KINDS, Kind, parse_kinds
from sidekeep.copies.master.build import MasterPlan
from sidekeep.copies.plan.planned import LOSSY_CEILING_DBTP, CopyPlan, PlannedFile
from sidekeep.copies.sheets.cue import CueTrack
from sidekeep.copies.tracks.codes import check_barcode
from sidekeep.copies.tracks.cutting import SideAudio, side_cuts
from sidekeep.copies.tracks.levels import Piece, RecordLevels
from sidekeep.copies.tracks.naming import NamingRules, folder_name, safe_name, track_path
from sidekeep.copies.tracks.tagging import (
    TrackFacts,
    TransferFacts,
    disc_of_side,
    file_tags,
    side_name_text,
    track_facts,
    with_isrcs,
)
from sidekeep.errors import ParameterError
from sidekeep.files.checksum import bytes_sha256
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.plain_text import ascii_text
from sidekeep.files.tags.tag_set import TagSet, clean_tags
from sidekeep.files.writing.sinks import codec_of
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import CopySettings
from sidekeep.model.record import Record

Sheet = list[tuple[str, str, tuple[CueTrack, ...]]]
"""Files of a cue sheet: name, type, tracks."""


def plan_copies(
    record: Record,
    sides: Sequence[SideAudio],
    kinds: Sequence[str] | str,
    out_dir: Path,
    *,
    naming: NamingRules | None = None,
    facts: TransferFacts | None = None,
    pictures: Sequence[Picture] = (),
    levels: RecordLevels | None = None,
    master: MasterPlan | None = None,
    dither_seed: int = 1,
    settings: CopySettings | None = None,
    lossy_ceiling_dbtp: float = LOSSY_CEILING_DBTP,
    replace_existing: bool = False,
    inputs: Sequence[Path] = (),
    takes: Sequence[str] = (),
    elsewhere: Mapping[str, int] | None = None,
    prepares: bool = False,
) -> CopyPlan:
    """Lay out all copies of a record under ``out_dir/<folder of the record>``.

    ``sides`` go in playing order and hold one span per track; their tracks are named by the sleeve's side of
    the same letter, in order. Without ``levels`` they are measured while the copies are fed. ``settings``
    are the person's choices. ``elsewhere`` counts the tracks of the record's other sides, so that numbers run on from them. A
    plan that ``prepares`` knows that other sides follow (``CopyRun.prepare``). Nothing is written.
    Raises ``ParameterError`` for values that cannot be written (a NUL in a title, a wrong ISRC).
    """
    naming = naming or NamingRules()
    facts = facts or TransferFacts()
    names = parse_kinds(kinds)
    if not sides:
        raise ParameterError("copies-of-no-side")
    letters = [side.side for side in sides]
    if len(set(letters)) != len(letters):
        raise ParameterError("sides-alike", sides=letters)
    if not -12.0 <= lossy_ceiling_dbtp <= 0.0:
        raise ParameterError("lossy-ceiling", lossy_ceiling_dbtp=lossy_ceiling_dbtp)
    settings = settings or CopySettings()
    forms = read_forms(settings.forms)
    if "master" in names and master is None:
        raise ParameterError("master-of-no-take")
    facts = replace(
        facts,
        barcode=check_barcode(facts.barcode or record.barcode),
        counts_through=facts.counts_through or settings.through_numbers,
    )
    facts = with_isrcs(record, sides, facts)
    folder = Path(out_dir) / folder_name(naming, _folder_values(record))
    builder = _Builder(
        record,
        tuple(sides),
        naming,
        facts,
        tuple(pictures),
        dither_seed,
        settings,
        lossy_ceiling_dbtp,
        elsewhere or {},
        prepares,
    )
    for name in names:
        builder.add(KINDS[name].formed(**asdict(forms.get(name, Form()))))
    return CopyPlan(
        folder=folder,
        record=record,
        sides=tuple(sides),
        kinds=names,
        files=tuple(builder.files),
        texts=builder.texts,
        pictures=tag_pictures(pictures),
        levels=levels,
        master=master if "master" in names else None,
        record_key=builder.record_key,
        dither_seed=dither_seed,
        lossy_ceiling_dbtp=lossy_ceiling_dbtp,
        id3_version=3 if settings.old_tags else 4,
        cd_picture=settings.cd_picture,
        replace=replace_existing,
        findings=tuple(builder.findings),
        facts=facts,
        inputs=tuple(inputs),
        takes=tuple(takes),
    )


def tag_pictures(pictures: Sequence[Picture]) -> tuple[Picture, ...]:
    """Those that are put into the files themselves: front and back, or the only one there is."""
    chosen = tuple(picture for picture in pictures if picture.kind in ("front", "back"))
    return chosen or tuple(pictures[:1])


def _folder_values(record: Record) -> dict[str, str]:
    return {
        "artist": record.artist,
        "title": record.title,
        "year": str(record.year) if record.year else "",
        "label": record.label,
        "catalogue_number": record.catalogue_number,
    }


class _Builder:
    """Collects the files of a plan, kind by kind."""

    def __init__(
        self,
        record: Record,
        sides: tuple[SideAudio, ...],
        naming: NamingRules,
        facts: TransferFacts,
        pictures: tuple[Picture, ...],
        dither_seed: int,
        settings: CopySettings,
        lossy_ceiling_dbtp: float,
        elsewhere: Mapping[str, int],
        prepares: bool,
    ) -> None:
        self.record = record
        self.sides = sides
        self.naming = naming
        self.facts = facts
        self.pictures = tuple(sorted(pictures, key=lambda each: each.kind != "front"))
        self.dither_seed = dither_seed
        self.settings = settings
        self.lossy_ceiling_dbtp = lossy_ceiling_dbtp
        self.prepares = prepares
        self.elsewhere = elsewhere
        self.pieces = [(s, t) for s, side in enumerate(sides) for t in range(len(side.spans))]
        self.tracks = track_facts(record, sides, facts, elsewhere)
        self.side_keys = [asdict(side) for side in sides]
        self.record_key = key_of(self.side_keys)
        self.versions = library_versions()
        self.picture_key = key_of([bytes_sha256(each.data) for each in tag_pictures(pictures)])
        self.files: list[PlannedFile] = []
        self.texts: dict[str, bytes] = {}
        self.findings: list[Finding] = []

    def add(self, kind: Kind) -> None:
        """All files of a kind."""
        if kind.scope == "track":
            self._add_tracks(kind)
        elif kind.scope == "side":
            for index in range(len(self.sides)):
                self._add_whole(kind, [piece for piece in self.pieces if piece[0] == index])
        elif kind.scope == "record":
            self._add_whole(kind, self.pieces)
        elif kind.scope == "cd":
            self._add_cd(kind)
        if kind.scope != "master" and (kind.scope != "cd" or self.settings.cd_picture):
            self._add_pictures(kind.name)

    def _add_pictures(self, folder: str) -> None:
        """The pictures as files: the cover is the front, or the first there is."""
        front = self.settings.front_file
        for picture in self.pictures:
            names = ("cover", "folder") if front == "both" else (front,)
            for name in names if picture is self.pictures[0] else (picture.kind,):
                self.texts.setdefault(f"{folder}/{name}.jpg", picture.data)

    def _add_tracks(self, kind: Kind) -> None:
        taken: set[str] = set()
        first = len(self.files)
        has_folders = self.settings.disc_folders and max(each.discs for each in self.tracks.values()) > 1
        folders: dict[str, list[PlannedFile]] = {}
        for piece in self.pieces:
            facts = self.tracks[piece]
            folder = kind.name
            if has_folders:
                folder = f"{kind.name}/disc {facts.disc}"
                width = max(2, len(str(facts.tag_total)))
                facts = replace(facts, number_text=f"{facts.tag_number:0{width}d}")
            path = track_path(self.naming, facts.naming_values(), kind.suffix, taken, folder=folder)
            tags = file_tags(self.record, self.facts, facts)
            planned = self._add_file(kind, path, [piece], tags, kind.rate_hz(self.sides[piece[0]].rate_hz))
            folders.setdefault(folder, []).append(planned)
        # Players look for list and cover where the tracks are; one list plays all discs in a row.
        for folder, files in {**folders, kind.name: self.files[first:]}.items():
            self._add_playlist(folder, files)
            if folder != kind.name:
                self._add_pictures(folder)

    def _add_playlist(self, folder: str, files: Sequence[PlannedFile]) -> None:
        from sidekeep.copies.sheets.playlist import PlaylistEntry, playlist_path, playlist_text

        entries = [
            PlaylistEntry(
                path=each.path.removeprefix(f"{folder}/"),
                length_s=each.length_frames / each.rate_hz,
                label=each.label,
            )
            for each in files
        ]
        self.texts[playlist_path(folder, self.record.title)] = playlist_text(entries)

    def _add_whole(self, kind: Kind, pieces: list[Piece]) -> None:
        from sidekeep.copies.sheets.cue import cue_sheet

        rate_hz = kind.rate_hz(max(self.sides[side].rate_hz for side, _ in pieces))
        title = self.record.title or "Record"
        tags = file_tags(self.record, self.facts, None)
        if kind.scope == "side":
            side = self.sides[pieces[0][0]].side
            title = f"{title} ({side_name_text(side)})"
            number, total = self._side_number(pieces)
            first = self.tracks[pieces[0]]
            tags = replace(tags, side=side, track_number=number, track_total=total)
            tags = replace(tags, disc_number=first.disc, disc_total=first.discs)
        else:
            tags = replace(tags, track_number=1, track_total=1)
        tags = replace(tags, title=title)
        file_name = safe_name(title, kind.suffix)
        path = f"{kind.name}/{file_name}"
        if kind.suffix == ".flac":
            sheet = cue_sheet(
                [(file_name, "WAVE", self._marks(kind, pieces, rate_hz))],
                title=title,
                performer=self.record.artist,
                rate_hz=rate_hz,
                catalogue=self.facts.barcode,
                year=self.record.year,
                genre=self.record.genre,
            )
            self.texts[path.removesuffix(kind.suffix) + ".cue"] = sheet
            tags = replace(tags, cue_sheet=sheet.decode("utf-8").replace("\r\n", "\n"))
        self._add_file(kind, path, pieces, tags, rate_hz)

    def _side_number(self, pieces: list[Piece]) -> tuple[int, int]:
        """A file for a side is numbered as its side is: on its disc, or through the record."""
        first = self.tracks[pieces[0]]
        names = sorted({facts.side for facts in self.tracks.values()} | set(self.elsewhere))
        if first.discs > 1 and not self.facts.counts_through:
            names = [name for index, name in enumerate(names) if disc_of_side(name, index) == first.disc]
        return names.index(first.side) + 1, len(names)

    def _add_cd(self, kind: Kind) -> None:
        discs, findings = lay_out_discs(self.sides, self.tracks)
        self.findings += [each for each in findings if each not in self.findings]
        for number, disc in enumerate(discs, start=1):
            place = f"{kind.name}/"
            title = self.record.title
            if len(discs) > 1:
                title += f" (disc {number})"
                place += "" if kind.is_image else f"disc {number}/"
            tags = replace(
                file_tags(self.record, self.facts, None), disc_number=number, disc_total=len(discs)
            )
            sheet = (
                self._add_image(kind, place, disc, replace(tags, title=title))
                if kind.is_image
                else self._add_cd_tracks(kind, place, disc, tags)
            )
            self._add_cd_sheets(place, sheet, title, kind.rate_hz(0))

    def _add_cd_tracks(self, kind: Kind, place: str, disc: Disc, disc_tags: TagSet) -> Sheet:
        taken: set[str] = set()
        sheet: Sheet = []
        for track_number, pieces in enumerate(disc.tracks, start=1):
            facts = self._cd_facts(disc, track_number, pieces)
            values = {name: ascii_text(value) for name, value in facts.naming_values().items()}
            name = track_path(NamingRules(), values, kind.suffix, taken)
            tags = replace(
                file_tags(self.record, self.facts, facts),
                track_number=track_number,
                track_total=len(disc.tracks),
                disc_number=disc_tags.disc_number,
                disc_total=disc_tags.disc_total,
            )
            planned = self._add_file(kind, place + name, list(pieces), tags, kind.rate_hz(0))
            sheet.append((name, "WAVE", (self._cd_mark(planned.marks[0], track_number, facts),)))
        return sheet

    def _add_image(self, kind: Kind, place: str, disc: Disc, tags: TagSet) -> Sheet:
        name = safe_name(ascii_text(tags.title) or "Record", kind.suffix)
        pieces = [piece for track in disc.tracks for piece in track]
        starts = dict(zip(pieces, self._marks(kind, pieces, kind.rate_hz(0)), strict=True))
        self._add_file(kind, place + name, pieces, tags, kind.rate_hz(0))
        marks = tuple(
            self._cd_mark(starts[track[0]], number, self._cd_facts(disc, number, track))
            for number, track in enumerate(disc.tracks, start=1)
        )
        return [(name, "WAVE", marks)]

    def _cd_mark(self, mark: CueTrack, number: int, facts: TrackFacts) -> CueTrack:
        return replace(mark, number=number, title=facts.title, isrc=facts.isrc)

    def _add_cd_sheets(
        self,
        place: str,
        sheet: Sheet,
        title: str,
        rate_hz: int,
    ) -> None:
        """One cue sheet in UTF-8 and, where that is not the same, one in the alphabet of burners and CD-Text."""
        from sidekeep.copies.sheets.cue import cue_sheet

        name = ascii_text(title) or "Record"
        sheets = [
            cue_sheet(
                sheet,
                title=title,
                performer=self.record.artist,
                rate_hz=rate_hz,
                catalogue=self.facts.barcode,
                year=self.record.year,
                genre=self.record.genre,
                for_cd=True,
                encoding=encoding,
            )
            for encoding in ("utf-8", "iso-8859-1")
        ]
        self.texts[place + safe_name(name, ".cue")] = sheets[0]
        if sheets[1] != sheets[0]:
            self.texts[place + safe_name(f"{name} (for burners)", ".cue")] = sheets[1]

    def _cd_facts(self, disc: Disc, number: int, pieces: tuple[Piece, ...]) -> TrackFacts:
        facts = self.tracks[pieces[0]]
        title = " / ".join(self.tracks[piece].title for piece in pieces)
        width = max(2, len(str(len(disc.tracks))))
        return replace(facts, title=title, number_text=f"{number:0{width}d}")

    def _add_file(
        self, kind: Kind, path: str, pieces: list[Piece], tags: TagSet, rate_hz: int
    ) -> PlannedFile:
        marks = self._marks(kind, pieces, rate_hz)
        length = marks[-1].stop_frame
        if kind.suffix in (".opus", ".flac", ".mp3") and len(pieces) > 1:
            chapters = tuple((mark.start_frame / rate_hz, mark.title) for mark in marks)
            tags = replace(tags, chapters=chapters, length_s=length / rate_hz)
        tags = clean_tags(tags)
        bits = kind.bits_of(max(self.sides[side].bits for side, _ in pieces))
        involved = range(len(self.sides)) if kind.is_lossy else sorted({side for side, _ in pieces})
        ceiling = self.lossy_ceiling_dbtp if kind.is_lossy else None

        def audio_key(sides: Sequence[int]) -> str:
            settings: tuple[Any, ...] = (kind.codec, kind.scope, rate_hz, bits, self.dither_seed, ceiling)
            if kind.kbit_per_s:
                settings = (*settings, kind.kbit_per_s)
            version: Any = COPIES_VERSION
            if kind.codec in CODEC_VERSIONS:
                version = (COPIES_VERSION, CODEC_VERSIONS[kind.codec])
            return key_of(version, self.versions, settings, [self.side_keys[s] for s in sides], pieces)

        alone_key = audio_key(sorted({side for side, _ in pieces}))
        planned = PlannedFile(
            kind=kind.name,
            path=path,
            codec=kind.codec,
            suffix=kind.suffix,
            rate_hz=rate_hz,
            bits=bits,
            kbit_per_s=kind.kbit_per_s,
            channels=2 if kind.scope == "cd" else max(self.sides[side].channels for side, _ in pieces),
            pieces=tuple(pieces),
            sides=tuple(dict.fromkeys(self.sides[side].side for side, _ in pieces)),
            length_frames=length,
            around=self._around(kind, pieces[0]),
            tags=tags,
            marks=marks,
            audio_key=alone_key if self.prepares else audio_key(involved),
            alone_key=alone_key,
            tag_key=key_of(
                (COPIES_VERSION, TAGS_VERSION),
                asdict(tags),
                [(mark.start_frame, mark.title, mark.performer, mark.isrc) for mark in marks]
                if len(pieces) > 1
                else [],
                self.picture_key if kind.scope != "cd" or self.settings.cd_picture else "",
                self.record_key,
                (3 if self.settings.old_tags else 4) if kind.suffix in (".mp3", ".wav", ".aiff") else 0,
            ),
        )
        self.files.append(planned)
        return planned

    def _around(self, kind: Kind, piece: Piece) -> tuple[Piece | None, Piece | None]:
        """The neighbours of a track that is encoded with them."""
        codec = codec_of(kind.codec)
        if kind.scope != "track" or not codec.before_frames:
            return None, None
        side, track = piece
        last = len(self.sides[side].spans) - 1
        return (side, track - 1) if track else None, (side, track + 1) if track < last else None

    def _marks(self, kind: Kind, pieces: list[Piece], rate_hz: int) -> tuple[CueTrack, ...]:
        """Start and stop of every piece in the file."""
        marks: list[CueTrack] = []
        at = 0
        for side, track in pieces:
            start, stop = side_cuts(self.sides[side], rate_hz, for_cd=kind.scope == "cd")[track]
            facts = self.tracks[(side, track)]
            marks.append(
                CueTrack(
                    number=len(marks) + 1,
                    title=facts.title,
                    performer=facts.artist,
                    isrc=facts.isrc,
                    composer=facts.composer,
                    start_frame=at,
                    stop_frame=at + stop - start,
                )
            )
            at += stop - start
        return tuple(marks)
