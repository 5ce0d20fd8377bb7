"""The ordered settings by which copies are made of a take: frozen values, saved with the record.

Same take + same recipe + same version = same samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from sidekeep.errors import ParameterError

MendSize = Literal["gentle", "even", "thorough"]


@dataclass(frozen=True, kw_only=True)
class MendChoice:
    """Repairs to leave, or to mend after all: those that fit every condition given. The last choice that fits a repair
    decides. ``take`` is the beginning of a take's SHA-256 (empty: every take of the record), ``repair`` the id of one
    repair; a region holds the repairs it touches, and the thumps that begin in it."""

    do: Literal["leave", "mend"] = "leave"
    take: str = ""
    repair: str = ""
    start_frame: int | None = None
    stop_frame: int | None = None
    of_kind: str = ""
    below_db: float | None = None

    def __post_init__(self) -> None:
        if self.do not in ("leave", "mend"):
            raise ParameterError("choice-do", do=self.do)
        if self.of_kind not in ("", "tick", "pop", "crackle", "thump"):
            raise ParameterError("choice-kind", of_kind=self.of_kind)
        has_region = self.start_frame is not None or self.stop_frame is not None
        if not (self.repair or has_region or self.of_kind or self.below_db is not None):
            raise ParameterError("choice-empty")
        if (
            self.start_frame is not None
            and self.stop_frame is not None
            and self.stop_frame <= self.start_frame
        ):
            raise ParameterError("choice-span", stop_frame=self.stop_frame, start_frame=self.start_frame)

    def is_about_the_same(self, other: MendChoice) -> bool:
        """Whether both choose the same repairs, to the same end or not."""
        return replace(self, do=other.do) == other


@dataclass(frozen=True, kw_only=True)
class MendSettings:
    """How much is mended. ``leave`` lists start frames of repairs the person wants untouched on whatever take;
    ``choices`` are laid over it, in order."""

    enabled: bool = True
    size: MendSize = "even"
    leave: tuple[int, ...] = ()
    choices: tuple[MendChoice, ...] = ()

    def __post_init__(self) -> None:
        if self.size not in ("gentle", "even", "thorough"):
            raise ParameterError("mend-size", size=self.size)


@dataclass(frozen=True, kw_only=True)
class LevelSettings:
    """One gain for the whole record: highest true peak to ``peak_dbtp``, or integrated loudness to
    ``loudness_lufs`` (never past ``peak_dbtp``: there is no compression)."""

    target: Literal["peak", "loudness", "none"] = "peak"
    peak_dbtp: float = -1.0
    loudness_lufs: float = -18.0

    def __post_init__(self) -> None:
        if self.target not in ("peak", "loudness", "none"):
            raise ParameterError("level-target", target=self.target)
        if not -20.0 <= self.peak_dbtp <= 0.0:
            raise ParameterError("level-peak", peak_dbtp=self.peak_dbtp)
        if not -40.0 <= self.loudness_lufs <= -5.0:
            raise ParameterError("level-loudness", loudness_lufs=self.loudness_lufs)


@dataclass(frozen=True, kw_only=True)
class EdgeSettings:
    """What happens before the first and after the last track. ``lead_in``: ``cut`` starts at the music,
    ``needle`` keeps everything from the needle drop, ``groove`` keeps the last second of groove."""

    lead_in: Literal["cut", "needle", "groove"] = "cut"
    fade_in_s: float = 0.05
    fade_out_s: float = 1.0

    def __post_init__(self) -> None:
        if self.lead_in not in ("cut", "needle", "groove"):
            raise ParameterError("lead-in", lead_in=self.lead_in)
        for name in ("fade_in_s", "fade_out_s"):
            if not 0.0 <= getattr(self, name) <= 10.0:
                raise ParameterError("edge-seconds", name=name, value=getattr(self, name))


@dataclass(frozen=True, kw_only=True)
class CopySettings:
    """The form of the copies; none of it changes the sound before it is put into files.

    ``forms`` are wishes such as ``lossless=16,48000`` (bits, rate) or ``portable=good`` (bit rate), one for a kind.
    ``picture_px`` is the longest edge of pictures, ``picture_kb`` their most kilobytes (0: no limit), ``front_file`` what the
    front is called beside the tracks. ``owner`` is the person or organisation that keeps the master.
    """

    forms: tuple[str, ...] = ()
    picture_px: int = 1400
    picture_kb: int = 0
    front_file: Literal["cover", "folder", "both"] = "cover"
    cd_picture: bool = False
    disc_folders: bool = False
    through_numbers: bool = False
    old_tags: bool = False
    owner: str = ""

    def __post_init__(self) -> None:
        if self.front_file not in ("cover", "folder", "both"):
            raise ParameterError("front-file", front_file=self.front_file)
        if not 64 <= self.picture_px <= 10_000:
            raise ParameterError("picture-px", picture_px=self.picture_px)
        if self.picture_kb and not 10 <= self.picture_kb <= 100_000:
            raise ParameterError("picture-kb", picture_kb=self.picture_kb)
        for form in self.forms:
            if not isinstance(form, str) or len(form) > 100:
                raise ParameterError("form-word-missing", form=form)
        if len(self.owner) > 1000:
            raise ParameterError("owner-too-long")


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """Everything between take and copies."""

    version: int = 1
    mend: MendSettings = field(default_factory=MendSettings)
    level: LevelSettings = field(default_factory=LevelSettings)
    edges: EdgeSettings = field(default_factory=EdgeSettings)
    copies: CopySettings = field(default_factory=CopySettings)
    dither_seed: int = 1
