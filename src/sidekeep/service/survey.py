"""Survey a file or the pieces of a side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sidekeep.copies.kept.intact import reading_whole
from sidekeep.errors import ParameterError
from sidekeep.files.reading.reader import open_take
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.passes.survey import Survey, survey_take
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendSettings
from sidekeep.model.record import Side
from sidekeep.service.choices.named_sides import (
    name_findings,
    order_findings,
    side_in_name,
    sides_without_sleeve,
)
from sidekeep.service.choices.sleeves import (
    Sleeve,
    letters_of_pieces,
    load_sleeve,
    plain_letters,
    sleeve_findings,
)
from sidekeep.service.take_findings import take_findings


@dataclass(frozen=True, kw_only=True)
class SurveyResult:
    """The survey and the sleeve it was matched to, if any."""

    survey: Survey
    sleeve: Sleeve | None


def survey_file(
    paths: Sequence[Path],
    *,
    sleeve_path: Path | None = None,
    side_letters: str | None = None,
    mend: MendSettings | None = None,
    progress: Progress = no_progress,
) -> SurveyResult:
    """Everything the tool can know from listening once to a recording.

    ``side_letters``: the side(s) on it in order (``A``, ``A,B`` or ``AB``), or one for every piece."""
    sleeve = load_sleeve(sleeve_path)
    letters = letters_of_pieces(side_letters, len(paths)) if side_letters else None
    sides = expected_sides(sleeve, letters, paths[0].name)
    source = open_take(paths)
    with reading_whole(source, paths) as reading:
        survey = survey_take(
            source,
            file=str(paths[0]),
            sides=sides,
            others=sleeve.record.sides if sleeve else (),
            mend=mend or MendSettings(),
            progress=progress,
        )
    survey = replace(survey, findings=(*reading.findings, *survey.findings))
    survey = with_outer_findings(survey, source, sleeve, is_side_told=bool(side_letters))
    return SurveyResult(survey=survey, sleeve=sleeve)


def expected_sides(sleeve: Sleeve | None, letters: str | None, file_name: str) -> tuple[Side, ...] | None:
    """The sides to look for: those asked for, else the one the file's name tells, else all of the sleeve."""
    letters = plain_letters(letters) if letters else None
    if sleeve is None or not sleeve.record.sides:
        letters = letters or sides_without_sleeve([file_name])[0]
        return tuple(Side(name=letter) for letter in letters.upper()) or None
    known = {side.name: side for side in sleeve.record.sides}
    if letters:
        if strange := [letter for letter in letters if letter not in known]:
            raise ParameterError("side-unknown", side=strange[0], known=known)
        return tuple(known[letter] for letter in letters)
    if len(known) > 1 and (named := side_in_name(file_name, known)):
        return (named,)
    return tuple(known.values())


def with_outer_findings(
    survey: Survey, source: FileSource, sleeve: Sleeve | None, *, is_side_told: bool
) -> Survey:
    """Adds what only the file itself or the sleeve text can tell. ``is_side_told``: a person said which sides the file holds."""
    extra = [*source.problems, *take_findings(source.path), *sleeve_findings(sleeve)]
    if not is_side_told:
        taken_as = [side.side for side in survey.cuts.sides]
        extra += name_findings(source.path, taken_as, source.format.length_frames)
    if sleeve is not None and not is_side_told:
        extra += order_findings(source.path, taken_as, sleeve.record, source.format.length_frames)
    extra += _nothing_found(survey)
    return replace(survey, findings=(*extra, *survey.findings)) if extra else survey


def _nothing_found(survey: Survey) -> list[Finding]:
    """A recording without a side, where nothing else says why: steady sound, such as a tone or the noise of an idle input."""
    told = {finding.kind for finding in survey.findings}
    if survey.cuts.sides or told & {"empty", "silent", "too-short"}:
        return []
    length_frames = survey.format.length_frames
    return [Finding(kind="no-music", start_frame=0, stop_frame=length_frames, severity="look", facts={})]
