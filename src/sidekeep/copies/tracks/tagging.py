"""From the sleeve to the tags of a file: what is known about the record, a track and the transfer."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from sidekeep.copies.tracks.codes import check_isrc
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.copies.tracks.levels import Piece
from sidekeep.errors import ParameterError
from sidekeep.files.tags.tag_set import TagSet
from sidekeep.flow.tracks.titles import name_of_track
from sidekeep.model.record import Record, SleeveTrack

_ARTICLE = re.compile(r"(?P<article>The|A|An)\s+(?P<rest>\S.*)", re.IGNORECASE)
_DONE = r"(?:produced|engineered|mixed|arranged|conducted)"
_CREDIT = re.compile(
    rf"\b(?P<done>{_DONE}(?:(?:\s*,\s*|\s*&\s*|\s+and\s+){_DONE})*)\s+by\s+(?P<names>[^.;:()\n]+)",
    re.IGNORECASE,
)
_NOTHING_PRINTED = SleeveTrack(number=0, title="")


@dataclass(frozen=True, kw_only=True)
class TransferFacts:
    """What the sleeve does not say. ``comment`` tells stylus, chain and date of the transfer in one line;
    ``original_date`` is that of the first release when it is not the record's year. Codes are only ever
    given by the person, never made up; ``isrc_marks`` names them by the track's mark (``A1``)."""

    comment: str = ""
    original_date: str = ""
    barcode: str = ""
    isrcs: Mapping[Piece, str] = field(default_factory=dict)
    isrc_marks: Mapping[str, str] = field(default_factory=dict)
    media: str = "Vinyl"
    counts_through: bool = False
    """Track numbers run through a record of several discs, instead of beginning anew on every disc."""


@dataclass(frozen=True, kw_only=True)
class TrackFacts:
    """A track with its place on the record; ``number`` counts through the record, ``disc`` from 1. ``tag_number`` of
    ``tag_total`` is what the tags say: of the disc where there are several."""

    tag_number: int
    tag_total: int
    number: int
    number_text: str
    total: int
    title: str
    artist: str
    composer: str
    side: str
    position: str
    disc: int
    discs: int
    isrc: str
    note: str
    record: Record

    def naming_values(self) -> dict[str, str]:
        """Values for a naming template."""
        return {
            "number": self.number_text,
            "title": self.title,
            "artist": self.artist,
            "record": self.record.title,
            "record_artist": self.record.artist,
            "year": str(self.record.year) if self.record.year else "",
            "side": self.side,
            "position": self.position,
            "disc": str(self.disc),
        }


@dataclass(frozen=True)
class _Counted:
    """How many tracks stand where: ``discs`` of the sides that are made, in their order; tracks ``on_disc``, by disc from 1; and
    those ``elsewhere``, on sides that are not made now, by side."""

    discs: tuple[int, ...]
    on_disc: Mapping[int, int]
    elsewhere: Mapping[str, int]

    @property
    def total(self) -> int:
        return sum(self.on_disc.values())

    def before_disc(self, disc: int) -> int:
        return sum(count for each, count in self.on_disc.items() if each < disc)

    def elsewhere_before(self, side: str) -> int:
        return sum(count for name, count in self.elsewhere.items() if name < side)


def _counted(sides: Sequence[SideAudio], elsewhere: Mapping[str, int]) -> _Counted:
    made = {side.side for side in sides}
    others = {name: count for name, count in elsewhere.items() if name not in made}
    discs = tuple(disc_of_side(side.side, index) for index, side in enumerate(sides))
    counts = [*zip(discs, (len(side.spans) for side in sides), strict=True)]
    counts += [(disc_of_side(name, 0), count) for name, count in others.items()]
    on_disc = dict.fromkeys(range(1, max(disc for disc, _ in counts) + 1), 0)
    for disc, count in counts:
        on_disc[disc] += count
    return _Counted(discs, on_disc, others)


def track_facts(
    record: Record,
    sides: Sequence[SideAudio],
    facts: TransferFacts,
    elsewhere: Mapping[str, int] | None = None,
) -> dict[Piece, TrackFacts]:
    """Facts of every track, by side and track index; a track without a title is called by side and
    number.

    ``elsewhere`` counts the tracks of sides that are not made now: numbers run on from those before.
    """
    counted = _counted(sides, elsewhere or {})
    width = max(2, len(str(counted.total)))
    is_per_disc = len(counted.on_disc) > 1 and not facts.counts_through
    found: dict[Piece, TrackFacts] = {}
    made = 0
    for side_index, (side, disc) in enumerate(zip(sides, counted.discs, strict=True)):
        before = made + counted.elsewhere_before(side.side)
        made += len(side.spans)
        printed = record.side(side.side)
        lines = printed.tracks if printed is not None else ()
        for track_index in range(len(side.spans)):
            number = before + track_index + 1
            line = lines[track_index] if track_index < len(lines) else _NOTHING_PRINTED
            found[(side_index, track_index)] = TrackFacts(
                tag_number=number - counted.before_disc(disc) if is_per_disc else number,
                tag_total=counted.on_disc[disc] if is_per_disc else counted.total,
                number=number,
                number_text=f"{number:0{width}d}",
                total=counted.total,
                title=line.title or name_of_track(side.side, track_index + 1),
                artist=line.artist or record.artist,
                composer=line.composer,
                side=side.side,
                position=line.position or f"{side.side}{track_index + 1}",
                disc=disc,
                discs=len(counted.on_disc),
                isrc=facts.isrcs.get((side_index, track_index), ""),
                note=line.note,
                record=record,
            )
    return found


def disc_of_side(side: str, index: int) -> int:
    """A and B are on the first disc, C and D on the second; other names count in pairs."""
    if len(side) == 1 and "A" <= side <= "Z":
        return (ord(side) - ord("A")) // 2 + 1
    return index // 2 + 1


def side_name_text(side: str) -> str:
    """``side A``."""
    return f"side {side}" if side else "side"


def file_tags(record: Record, facts: TransferFacts, track: TrackFacts | None) -> TagSet:
    """Tags of a track's file, or with None of a file that holds a side or the record."""
    year = str(record.year) if record.year else ""
    return TagSet(
        title=track.title if track else record.title,
        artists=_several(track.artist if track else record.artist),
        album=record.title,
        album_artists=_several(record.artist),
        track_number=track.tag_number if track else 0,
        track_total=track.tag_total if track else 0,
        disc_number=track.disc if track else 0,
        disc_total=track.discs if track else 0,
        side=track.side if track else "",
        position=track.position if track else "",
        date=year,
        original_date=facts.original_date or year,
        genres=_several(record.genre),
        composers=_several(track.composer if track else ""),
        label=record.label,
        catalogue_number=record.catalogue_number,
        country=record.country,
        media=facts.media,
        rpm=record.rpm,
        comment=facts.comment,
        isrc=track.isrc if track else "",
        title_sort=sort_name(track.title if track else ""),
        artist_sorts=_sorts(track.artist if track else record.artist),
        album_sort=sort_name(record.title),
        album_artist_sorts=_sorts(record.artist),
        notes="\n".join(text for text in (track.note if track else "", *record.notes) if text),
        producers=_credited(record, "produced"),
        engineers=_credited(record, "engineered"),
        mixers=_credited(record, "mixed"),
        arrangers=_credited(record, "arranged"),
        conductors=_credited(record, "conducted"),
        barcode=facts.barcode,
        is_compilation=is_compilation(record),
    )


def is_compilation(record: Record) -> bool:
    """Whether the tracks are by different artists, none of them the record's own: players keep such a record together
    by a mark of its own and the artist of the record."""
    own = record.artist.strip().casefold()
    artists = {track.artist.strip().casefold() for side in record.sides for track in side.tracks}
    return len(artists - {"", own}) > 1 and "" not in artists and own not in artists


def with_isrcs(record: Record, sides: Sequence[SideAudio], facts: TransferFacts) -> TransferFacts:
    """The facts with every code by its piece: given by mark, by piece, or on the sleeve; checked. Raises
    ``ParameterError`` for one that cannot be, or a mark that no track has."""
    codes: dict[Piece, str] = {}
    marks: dict[str, Piece] = {}
    for side_index, side in enumerate(sides):
        printed = record.side(side.side)
        for track_index in range(len(side.spans)):
            line = printed.tracks[track_index] if printed and track_index < len(printed.tracks) else None
            piece = (side_index, track_index)
            marks[f"{side.side}{track_index + 1}".casefold()] = piece
            if line is not None:
                codes[piece] = line.isrc
                marks.setdefault(line.position.casefold(), piece)
    codes |= facts.isrcs
    for mark, code in facts.isrc_marks.items():
        if mark.strip().casefold() not in marks:
            raise ParameterError("isrc-of-no-track", mark=mark)
        codes[marks[mark.strip().casefold()]] = code
    return replace(
        facts, isrcs={piece: found for piece, code in codes.items() if (found := check_isrc(code))}
    )


def sort_name(text: str) -> str:
    """``Wicker Boats, The`` of ``The Wicker Boats``; empty where a name is sorted as it stands."""
    match = _ARTICLE.match(text.strip())
    return f"{match['rest']}, {match['article']}" if match else ""


def _sorts(text: str) -> tuple[str, ...]:
    """Sort names of several artists, or none where all stand as they are."""
    names = _several(text)
    sorts = tuple(sort_name(name) or name for name in names)
    return sorts if sorts != names else ()


def _credited(record: Record, done: str) -> tuple[str, ...]:
    """Who is named in the notes of the sleeve as having ``produced`` (engineered, ...) it."""
    names: list[str] = []
    for note in record.notes:
        for match in _CREDIT.finditer(note):
            if done in re.split(r"[^a-z]+", match["done"].casefold()):
                names += [name.strip() for name in re.split(r";|,|&|\band\b", match["names"]) if name.strip()]
    return tuple(dict.fromkeys(names))


def _several(text: str) -> tuple[str, ...]:
    """Values separated by a semicolon are several values; everything else stays one, as printed."""
    return tuple(part.strip() for part in text.split(";") if part.strip())
