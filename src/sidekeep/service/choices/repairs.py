"""The person's choices of repairs laid over a survey: what is left, what the take measures then, what fits nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.mend_choices import left_repairs, levels_with
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import AudioSource
from sidekeep.model.finding import Fact, Finding
from sidekeep.model.recipe import MendChoice, MendSettings
from sidekeep.model.repair import Repair

if TYPE_CHECKING:
    from sidekeep.flow.passes.survey import Survey


@dataclass(frozen=True, kw_only=True)
class ChosenRepairs:
    """``left``: indices in the survey's repairs; ``levels`` of the take with the others mended; ``findings``: the survey's that
    still hold, and choices that fit nothing."""

    left: frozenset[int]
    levels: KeptLevels
    findings: tuple[Finding, ...]


def choose_repairs(
    survey: Survey, patches_path: Path, source: AudioSource, mend: MendSettings, sha256: str
) -> ChosenRepairs:
    """What the choices make of a take; only what they touch is measured again."""
    chosen = left_repairs(survey.repairs, mend, sha256)
    findings = (
        *unmatched_findings(chosen.unmatched),
        *open_findings(survey.findings, survey.repairs, chosen.left),
    )
    if not chosen.left:
        return ChosenRepairs(left=chosen.left, levels=survey.mended, findings=findings)
    with patches_path.open("rb") as file:
        levels = levels_with(
            source,
            PatchReader(file),
            chosen.left,
            mended=survey.mended,
            recorded=survey.recorded,
            repairs=len(survey.repairs),
        )
    return ChosenRepairs(left=chosen.left, levels=levels, findings=findings)


def open_findings(
    findings: Sequence[Finding], repairs: Sequence[Repair], left: frozenset[int]
) -> tuple[Finding, ...]:
    """Without what was said about places that may be music and that a person has decided otherwise since."""
    left_ids = {repairs[index].id for index in left}
    said_left = {"left-in-doubt": True, "perhaps-music": False}
    return tuple(
        finding
        for finding in findings
        if finding.kind not in said_left
        or said_left[finding.kind] == (finding.facts.get("repair") in left_ids)
    )


def unmatched_findings(unmatched: Sequence[MendChoice]) -> tuple[Finding, ...]:
    """Choices that fit no repair: the take, the size or the mender has changed, or a number is mistyped."""
    return tuple(
        Finding(
            kind="choice-fits-nothing",
            start_frame=choice.start_frame or 0,
            stop_frame=choice.stop_frame or 0,
            severity="look",
            facts=_choice_facts(choice),
        )
        for choice in unmatched
    )


def _choice_facts(choice: MendChoice) -> dict[str, Fact]:
    return {
        "do": choice.do,
        "repair": choice.repair,
        "of_kind": choice.of_kind,
        "from_frame": choice.start_frame,
        "to_frame": choice.stop_frame,
        "below_db": choice.below_db,
    }


def mended_repairs(repairs: Sequence[Repair], left: frozenset[int]) -> tuple[Repair, ...]:
    """The repairs that are not left."""
    return tuple(repair for index, repair in enumerate(repairs) if index not in left)
