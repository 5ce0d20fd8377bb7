"""What a transfer is asked for, what it knows of every take and side on the way, and what it made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from sidekeep.copies.run.finish import WrittenFile
from sidekeep.copies.tracks.naming import NamingRules
from sidekeep.copies.tracks.tagging import TransferFacts
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.passes.edges import RenderSpan
from sidekeep.flow.passes.render import GainChoice
from sidekeep.flow.passes.survey import Survey
from sidekeep.flow.tracks.titles import TitleChoice
from sidekeep.model.cuts import SideCuts
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendSettings, Recipe
from sidekeep.model.record import Record
from sidekeep.service.choices.repairs import choose_repairs
from sidekeep.service.choices.sleeves import TakeFiles
from sidekeep.service.transfers.clips import Clip


@dataclass(frozen=True, kw_only=True)
class TransferOptions:
    """What a person may choose. ``side_letters`` names the side(s) on every file; ``titles`` gives titles only where they
    are sure, in the ``printed`` order, or by what is ``heard``."""

    kinds: Sequence[str] | str = ("lossless", "portable")
    recipe: Recipe = field(default_factory=Recipe)
    naming: NamingRules = field(default_factory=NamingRules)
    facts: TransferFacts = field(default_factory=TransferFacts)
    side_letters: tuple[str, ...] | None = None
    titles: TitleChoice = "sure"
    replace: bool = False


@dataclass(frozen=True, kw_only=True)
class TakeOrigin:
    """Where a take comes from: when it was taken (ISO 8601, UTC), with which stylus and through which input, and what the
    file was called that was adopted. Empty is not known."""

    taken_utc: str = ""
    stylus: str = ""
    input_name: str = ""
    original_name: str = ""


@dataclass(frozen=True, kw_only=True)
class SurveyedTake:
    """A take with all that is known about it, the place where its patches lie, and the repairs that are left
    (indices in the survey's list). ``levels`` are those of the take as it is rendered."""

    files: TakeFiles
    source: FileSource
    survey: Survey
    patches_path: Path
    sha256: tuple[str, ...]
    left: frozenset[int]
    levels: KeptLevels
    origin: TakeOrigin = field(default_factory=TakeOrigin)

    @classmethod
    def of(
        cls,
        files: TakeFiles,
        source: FileSource,
        survey: Survey,
        patches_path: Path,
        sha256: tuple[str, ...],
        mend: MendSettings,
        origin: TakeOrigin,
    ) -> SurveyedTake:
        """With the person's choices of repairs laid over the survey."""
        chosen = choose_repairs(survey, patches_path, source, mend, sha256[0])
        return cls(
            files=files,
            source=source,
            survey=replace(survey, findings=chosen.findings),
            patches_path=patches_path,
            sha256=sha256,
            left=chosen.left,
            levels=chosen.levels,
            origin=origin,
        )


@dataclass(frozen=True, kw_only=True)
class RenderedSide:
    """One side on its way out: its take, cuts and the spans of its tracks."""

    take: SurveyedTake
    cuts: SideCuts
    spans: tuple[RenderSpan, ...]


@dataclass(frozen=True, kw_only=True)
class TransferResult:
    """What was made."""

    folder: Path
    record: Record
    takes: tuple[SurveyedTake, ...]
    sides: tuple[RenderedSide, ...]
    gain: GainChoice
    written: tuple[WrittenFile, ...] = ()
    clips: tuple[Clip, ...] = ()
    copy_findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True)
class PreparedCopies:
    """What waits for the last side: how many ``files``, at the gain of a record whose highest true peak is ``true_peak_dbtp``."""

    files: int
    true_peak_dbtp: float
