"""The small changes a person makes to a record, as values: what a page sends, what the history keeps.

As JSON an edit is an object with its ``kind`` and its fields. Frames are at the take's rate; sides are letters; tracks count
from 1 on their side.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import msgspec

from sidekeep.errors import ParameterError
from sidekeep.model.recipe import MendSize

Frame = Annotated[int, msgspec.Meta(ge=0)]
TrackNumber = Annotated[int, msgspec.Meta(ge=1)]
Letter = Annotated[str, msgspec.Meta(min_length=1, max_length=8)]
Words = Annotated[str, msgspec.Meta(max_length=1000)]
LongText = Annotated[str, msgspec.Meta(max_length=1_000_000)]


def _kind(name: str) -> str:
    """``MoveMark`` is ``move-mark`` in JSON."""
    return "".join(f"-{char.lower()}" if char.isupper() else char for char in name).lstrip("-")


class _Edit(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind", tag=_kind
):
    pass


class MoveMark(_Edit, frozen=True, kw_only=True):
    """A track begins or stops elsewhere."""

    side: Letter
    track: TrackNumber
    edge: Literal["start", "stop"]
    frame: Frame


class Split(_Edit, frozen=True, kw_only=True):
    """A new track begins here."""

    side: Letter
    frame: Frame


class Join(_Edit, frozen=True, kw_only=True):
    """A track and the one after it are one."""

    side: Letter
    track: TrackNumber


class RunsOn(_Edit, frozen=True, kw_only=True):
    """A track begins out of the one before it, without a gap, or not."""

    side: Letter
    track: TrackNumber
    on: bool = True


class Retitle(_Edit, frozen=True, kw_only=True):
    """A track is called otherwise; what is left out stays."""

    side: Letter
    track: TrackNumber
    title: Words | None = None
    artist: Words | None = None
    composer: Words | None = None


class Right(_Edit, frozen=True, kw_only=True):
    """A person looked: the mark is where it belongs."""

    side: Letter
    track: TrackNumber


class MusicStart(_Edit, frozen=True, kw_only=True):
    """The music of a side begins here."""

    side: Letter
    frame: Frame


class MusicStop(_Edit, frozen=True, kw_only=True):
    """The music of a side ends here."""

    side: Letter
    frame: Frame


class AsFound(_Edit, frozen=True, kw_only=True):
    """A side is cut as its survey proposes, whatever a person did to it."""

    side: Letter


class _Repairs(_Edit, frozen=True, kw_only=True):
    take: Annotated[str, msgspec.Meta(max_length=64)] = ""
    repair: Annotated[str, msgspec.Meta(max_length=32)] = ""
    start_frame: Frame | None = None
    stop_frame: Frame | None = None
    of_kind: Literal["", "tick", "pop", "crackle", "thump"] = ""
    below_db: float | None = None


class Leave(_Repairs, frozen=True, kw_only=True):
    """Leave the repairs that fit everything given."""


class Mend(_Repairs, frozen=True, kw_only=True):
    """Mend them after all."""


class MendAll(_Edit, frozen=True, kw_only=True):
    """Forget what was said about repairs, of one take or of the whole record."""

    take: Annotated[str, msgspec.Meta(max_length=64)] = ""


class RecipeEdit(_Edit, frozen=True, kw_only=True, tag="recipe"):
    """Single settings of the recipe; what is left out stays."""

    enabled: bool | None = None
    size: MendSize | None = None
    target: Literal["peak", "loudness", "none"] | None = None
    peak_dbtp: float | None = None
    loudness_lufs: float | None = None
    lead_in: Literal["cut", "needle", "groove"] | None = None
    fade_in_s: float | None = None
    fade_out_s: float | None = None
    forms: Annotated[tuple[Words, ...], msgspec.Meta(max_length=50)] | None = None
    picture_px: int | None = None
    picture_kb: int | None = None
    front_file: Literal["cover", "folder", "both"] | None = None
    cd_picture: bool | None = None
    disc_folders: bool | None = None
    through_numbers: bool | None = None
    old_tags: bool | None = None
    owner: Words | None = None


class RecipeText(_Edit, frozen=True, kw_only=True):
    """The whole recipe, as a ``recipe.toml`` says it: all settings, and which repairs are left."""

    text: LongText


class ChooseTake(_Edit, frozen=True, kw_only=True):
    """The take of a side that copies are made from."""

    side: Letter
    number: TrackNumber


class SwapSides(_Edit, frozen=True, kw_only=True):
    """What was taken as one side is the other."""

    a: Letter
    b: Letter


class Seen(_Edit, frozen=True, kw_only=True):
    """A person has looked at a finding of a side's take, or wants to be reminded of it again."""

    side: Letter
    finding: Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9-]{1,100}$")]
    seen: bool = True


class Notes(_Edit, frozen=True, kw_only=True):
    """The person's notes on the record."""

    text: LongText


class SleeveText(_Edit, frozen=True, kw_only=True, tag="sleeve"):
    """The sleeve text, whole."""

    text: LongText


Edit = (
    MoveMark
    | Split
    | Join
    | RunsOn
    | Retitle
    | Right
    | MusicStart
    | MusicStop
    | AsFound
    | Leave
    | Mend
    | MendAll
    | RecipeEdit
    | RecipeText
    | ChooseTake
    | SwapSides
    | Seen
    | Notes
    | SleeveText
)


def read_edit(values: Mapping[str, Any]) -> Edit:
    """An edit from plain values. Raises ``ParameterError`` in one line."""
    try:
        return msgspec.convert(dict(values), Edit)
    except msgspec.ValidationError as error:
        raise ParameterError("edit", reason=error) from error


def edit_facts(edit: Edit) -> tuple[str, dict[str, Any]]:
    """Kind and fields of an edit as plain values, without what was left out."""
    values = msgspec.to_builtins(edit)
    return values.pop("kind"), {name: value for name, value in values.items() if value not in (None, "")}
