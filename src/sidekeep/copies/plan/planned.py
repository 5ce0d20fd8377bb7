"""The files of one run as values: what ``layout.py`` lays out and ``run`` makes.

Paths are relative to the record's folder, with ``/``. Pieces are ``(side index, track index)`` pairs in
playing order. An *audio key* names all that decides the samples of a file, a *tag key* all that decides its
tags: a file whose two keys and checksum stand in the history is not made again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sidekeep.copies.master.build import MasterPlan
from sidekeep.copies.sheets.cue import CueTrack
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.copies.tracks.levels import Piece, RecordLevels
from sidekeep.copies.tracks.tagging import TransferFacts
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.tags.tag_set import TagSet
from sidekeep.model.finding import Finding
from sidekeep.model.record import Record

LOSSY_CEILING_DBTP = -0.1
"""Highest true peak a decoded lossy copy may reach; the encoder's own noise may not push it into clipping."""


@dataclass(frozen=True, kw_only=True)
class PlannedFile:
    """One audio file. ``rate_hz`` and ``length_frames`` are of the samples that go into the codec."""

    kind: str
    path: str
    codec: str
    suffix: str
    rate_hz: int
    bits: int
    channels: int
    pieces: tuple[Piece, ...]
    length_frames: int
    tags: TagSet
    marks: tuple[CueTrack, ...]
    audio_key: str
    alone_key: str
    """The audio key as it is before the other sides are known: of a file that was prepared while they still play."""
    tag_key: str

    kbit_per_s: int = 0
    """Bit rate that was wished for; 0 is the codec's own."""
    sides: tuple[str, ...] = ()
    around: tuple[Piece | None, Piece | None] = (None, None)
    """The pieces heard before and after this file, where its encoder makes use of them."""

    @property
    def label(self) -> str:
        """Artist and title, as a playlist shows them."""
        artist = ", ".join(self.tags.artists)
        return f"{artist} - {self.tags.title}" if artist else self.tags.title

    @property
    def is_lossy(self) -> bool:
        """Fed with float samples and decoded to check its peak."""
        return self.bits == 0


@dataclass(frozen=True, kw_only=True)
class CopyPlan:
    """All files of one run. ``texts`` are small files known beforehand (playlists, cue sheets, cover).

    ``inputs`` are files that are read and must stay as they are; ``takes`` their checksums, by which a folder of the
    same record is known again after its title was corrected.
    """

    folder: Path
    record: Record
    sides: tuple[SideAudio, ...]
    kinds: tuple[str, ...]
    files: tuple[PlannedFile, ...]
    texts: Mapping[str, bytes]
    pictures: tuple[Picture, ...] = ()
    levels: RecordLevels | None = None
    master: MasterPlan | None = None
    record_key: str = ""
    dither_seed: int = 1
    lossy_ceiling_dbtp: float = LOSSY_CEILING_DBTP
    id3_version: int = 4
    cd_picture: bool = False
    replace: bool = False
    findings: tuple[Finding, ...] = ()
    inputs: tuple[Path, ...] = ()
    takes: tuple[str, ...] = ()
    facts: TransferFacts = field(default_factory=TransferFacts)
