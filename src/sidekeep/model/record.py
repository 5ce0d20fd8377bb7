"""A record as its sleeve tells it: no sound, no files."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True)
class SleeveTrack:
    """One line of the track list.

    ``number`` counts from 1 on its side. ``artist`` is empty unless it differs from the record's.
    ``duration_s`` is the printed time, or None. ``position`` is the mark as printed (``A1``), if any; ``isrc`` the code of the
    recording, as it was given.
    """

    number: int
    title: str
    artist: str = ""
    composer: str = ""
    duration_s: float | None = None
    position: str = ""
    note: str = ""
    isrc: str = ""


@dataclass(frozen=True, kw_only=True)
class Side:
    """One playable side: ``name`` is a capital letter, A for the first."""

    name: str
    tracks: tuple[SleeveTrack, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Record:
    """One release: one or more discs and what is printed on the sleeve."""

    artist: str = ""
    title: str = ""
    year: int | None = None
    sides: tuple[Side, ...] = ()
    label: str = ""
    catalogue_number: str = ""
    country: str = ""
    rpm: float | None = None
    size_inch: int | None = None
    genre: str = ""
    barcode: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def track_count(self) -> int:
        """Tracks over all sides."""
        return sum(len(side.tracks) for side in self.sides)

    def side(self, name: str) -> Side | None:
        """The side of that name, or None."""
        return next((side for side in self.sides if side.name == name), None)
