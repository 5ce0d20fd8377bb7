"""The person's choices of repairs laid over a survey: what is left, what the take measures then, what fits nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sidekeep.flow.kept_levels import KeptLevels
from sidekeep.flow.mend_choices import left_repairs, levels_with
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import AudioSource
from sidekeep.flow.survey import Survey
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendChoice, MendSettings
from sidekeep.model.repair import Repair


@dataclass(frozen=True, kw_only=True)
class ChosenRepairs:
    """``left``: indices in the survey's repairs; ``levels`` of the take with the others mended."""

    left: frozenset[int]
    levels: KeptLevels
    findings: tuple[Finding, ...] = ()


def choose_repairs(
    survey: Survey, patches_path: Path, source: AudioSource, mend: MendSettings, sha256: str
) -> ChosenRepairs:
    """What the choices make of a take; only what they touch is measured again."""
    chosen = left_repairs(survey.repairs, mend, sha256)
    findings = unmatched_findings(chosen.unmatched)
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


def unmatched_findings(unmatched: Sequence[MendChoice]) -> tuple[Finding, ...]:
    """Choices that fit no repair: the take, the size or the mender has changed, or a number is mistyped."""
    return tuple(
        Finding(
            kind="choice-fits-nothing",
            start_frame=choice.start_frame or 0,
            stop_frame=choice.stop_frame or 0,
            severity="look",
            text=f"The recipe says to {choice.do} {choice_text(choice)}, but there is no such repair on this take.",
        )
        for choice in unmatched
    )


def choice_text(choice: MendChoice) -> str:
    """What a choice chooses, in words."""
    parts = [f"the repair {choice.repair}" if choice.repair else f"{choice.of_kind or 'repair'}s"]
    if choice.start_frame is not None and choice.stop_frame == choice.start_frame + 1:
        parts.append(f"at frame {choice.start_frame}")
    elif choice.start_frame is not None or choice.stop_frame is not None:
        parts.append(f"between frames {choice.start_frame or 0} and {choice.stop_frame or 'the end'}")
    if choice.below_db is not None:
        parts.append(f"below {choice.below_db:g} dB")
    return " ".join(parts)


def mended_repairs(repairs: Sequence[Repair], left: frozenset[int]) -> tuple[Repair, ...]:
    """The repairs that are not left."""
    return tuple(repair for index, repair in enumerate(repairs) if index not in left)
