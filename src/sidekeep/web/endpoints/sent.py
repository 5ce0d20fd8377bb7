"""The bodies that requests may have: their fields and types. What has other fields is refused."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from sidekeep.service.house.styluses import REMIND_AT_H


class Text(Struct, forbid_unknown_fields=True):
    """A sleeve text."""

    text: str


class SleeveSent(Struct, forbid_unknown_fields=True):
    """A sleeve text for a record that was last seen at a revision."""

    text: str
    revision: int | None = None


class Recordings(Struct, forbid_unknown_fields=True):
    """Names of recordings, the sides of their record, and which of those have no take yet."""

    names: Annotated[list[str], Meta(max_length=1000)]
    sides: Annotated[list[str], Meta(max_length=100)]
    missing: Annotated[list[str], Meta(max_length=100)] = []


class Copies(Struct, forbid_unknown_fields=True):
    """Which kinds of copies to write, and what this time is otherwise than usual. ``kinds`` is the older word for ``copies``."""

    copies: list[str] | None = None
    kinds: list[str] | None = None
    replace: bool = False
    titles: Literal["sure", "printed", "heard"] = "sure"
    comment: Annotated[str, Meta(max_length=500)] = ""
    track_names: Annotated[str, Meta(max_length=200)] = ""
    old_tags: bool | None = None

    def __post_init__(self) -> None:
        if (self.copies is None) == (self.kinds is None):
            raise ValueError("'copies' names the kinds of copies to write, and nothing else does")


class Corners(Struct, forbid_unknown_fields=True):
    """The four corners of a sleeve in its photograph."""

    corners: list[list[float]]
    revision: int | None = None


class Chosen(Struct, forbid_unknown_fields=True):
    """An input, and how it is opened where there is a choice."""

    input: str
    rate_hz: int | None = None
    bits: int | None = None


class On(Struct, forbid_unknown_fields=True):
    """Whether the level is watched, and up to where its peaks should come (kept; None: as before)."""

    on: bool
    peak_dbfs: Annotated[float, Meta(ge=-100.0, le=0.0)] | None = None


class Then(Struct, forbid_unknown_fields=True):
    """What follows by itself."""

    copies: list[str] | None = None


class SessionSent(Struct, forbid_unknown_fields=True):
    """A record for the turntable."""

    record: str
    sides: list[str]
    then: Then | None = None
    stylus: Annotated[str, Meta(max_length=200)] = ""
    by_needle: bool = True
    any_side: bool = False
    survey: bool = True


class Wish(Struct, forbid_unknown_fields=True):
    """What the person wants of the session now, and which record and take (empty: none) they saw on the turntable."""

    do: str
    side: str = ""
    record: str | None = None
    take: str | None = None


class PileSent(Struct, forbid_unknown_fields=True):
    """The records for tonight."""

    records: list[str]


class Edit(Struct, forbid_unknown_fields=True):
    """One change; ``edit`` has a ``kind`` and the fields of that kind."""

    edit: dict[str, Any]
    revision: int | None = None


class Revision(Struct, forbid_unknown_fields=True):
    """The revision that was last seen."""

    revision: int | None = None


class Older(Struct, forbid_unknown_fields=True):
    """The older take to compare with."""

    old: str


class PlayAgain(Struct, forbid_unknown_fields=True):
    """The day after which a record is to be played again, as 2030-01-31; empty for none."""

    after: str


class Check(Struct, forbid_unknown_fields=True):
    """How thoroughly to verify."""

    decode_flac: bool = False


class Others(Struct, forbid_unknown_fields=True):
    """The other takes to combine with, the best first; or the further ``pieces`` of the side, in the order they were played."""

    others: Annotated[list[str], Meta(min_length=1, max_length=8)]
    pieces: bool = False


class StylusFacts(Struct, forbid_unknown_fields=True):
    """A stylus, and what the takes cannot know of it."""

    name: Annotated[str, Meta(max_length=200)]
    hours_before: float = 0.0
    remind_at_h: float = REMIND_AT_H
