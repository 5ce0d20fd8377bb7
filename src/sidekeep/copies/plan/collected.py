"""The files of a plan while they are collected, each with its spans, rate, tags and keys, and the texts beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from sidekeep.copies.keys import CODEC_VERSIONS, COPIES_VERSION, TAGS_VERSION, key_of, library_versions
from sidekeep.copies.kinds.table import Kind
from sidekeep.copies.plan.planned import PlannedFile
from sidekeep.copies.sheets.cue import CueTrack, Encoding, cue_sheet
from sidekeep.copies.tracks.cutting import SideAudio, side_cuts
from sidekeep.copies.tracks.levels import Piece
from sidekeep.copies.tracks.naming import NamingRules
from sidekeep.copies.tracks.tagging import TransferFacts, track_facts
from sidekeep.files.checksum import bytes_sha256
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.tags.tag_set import TagSet, clean_tags
from sidekeep.files.writing.sinks import codec_of
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import CopySettings
from sidekeep.model.record import Record


def tag_pictures(pictures: Sequence[Picture]) -> tuple[Picture, ...]:
    """Those that are put into the files themselves: front and back, or the only one there is."""
    chosen = tuple(picture for picture in pictures if picture.kind in ("front", "back"))
    return chosen or tuple(pictures[:1])


class Collected:
    """What is known of the record and of the choices, and all that was laid out so far."""

    def __init__(
        self,
        *,
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

    def add_file(self, kind: Kind, path: str, pieces: list[Piece], tags: TagSet, rate_hz: int) -> PlannedFile:
        """One file more, of these pieces in a row."""
        marks = self.marks(kind, pieces, rate_hz)
        length = marks[-1].stop_frame
        if kind.suffix in (".opus", ".flac", ".mp3") and len(pieces) > 1:
            chapters = tuple((mark.start_frame / rate_hz, mark.title) for mark in marks)
            tags = replace(tags, chapters=chapters, length_s=length / rate_hz)
        tags = clean_tags(tags)
        bits = kind.bits_of(max(self.sides[side].bits for side, _ in pieces))
        own_sides = sorted({side for side, _ in pieces})
        # A record of one track is the same sound as a CD and as its image: each file needs a place of its own to wait in.
        for apart in ((), (kind.name,)):
            alone_key = self._audio_key(kind, pieces, own_sides, rate_hz, bits, apart)
            if all((each.alone_key, each.suffix) != (alone_key, kind.suffix) for each in self.files):
                break
        involved = range(len(self.sides)) if kind.is_lossy else own_sides
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
            audio_key=alone_key
            if self.prepares
            else self._audio_key(kind, pieces, involved, rate_hz, bits, apart),
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

    def _audio_key(
        self,
        kind: Kind,
        pieces: Sequence[Piece],
        sides: Sequence[int],
        rate_hz: int,
        bits: int,
        apart: tuple[str, ...],
    ) -> str:
        """What decides the samples of a file: codec and form, the sides they depend on, the pieces, and the versions of all that
        makes them. ``apart`` tells files of one sound from each other."""
        ceiling = self.lossy_ceiling_dbtp if kind.is_lossy else None
        settings: tuple[Any, ...] = (kind.codec, kind.scope, rate_hz, bits, self.dither_seed, ceiling)
        if kind.kbit_per_s:
            settings = (*settings, kind.kbit_per_s)
        settings = (*settings, *apart)
        version: Any = COPIES_VERSION
        if kind.codec in CODEC_VERSIONS:
            version = (COPIES_VERSION, CODEC_VERSIONS[kind.codec])
        return key_of(version, self.versions, settings, [self.side_keys[side] for side in sides], pieces)

    def cue_sheet(
        self,
        files: Sequence[tuple[str, str, Sequence[CueTrack]]],
        title: str,
        rate_hz: int,
        *,
        for_cd: bool = False,
        encoding: Encoding = "utf-8",
    ) -> bytes:
        """A cue sheet over files of this record, with what every one of them says of it."""
        return cue_sheet(
            files,
            title=title,
            performer=self.record.artist,
            rate_hz=rate_hz,
            catalogue=self.facts.barcode,
            year=self.record.year,
            genre=self.record.genre,
            for_cd=for_cd,
            encoding=encoding,
        )

    def _around(self, kind: Kind, piece: Piece) -> tuple[Piece | None, Piece | None]:
        """The neighbours of a track that is encoded with them."""
        codec = codec_of(kind.codec)
        if kind.scope != "track" or not codec.before_frames:
            return None, None
        side, track = piece
        last = len(self.sides[side].spans) - 1
        return (side, track - 1) if track else None, (side, track + 1) if track < last else None

    def marks(self, kind: Kind, pieces: list[Piece], rate_hz: int) -> tuple[CueTrack, ...]:
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
