"""Takes as they are heard: surveyed into patches, and named by the sleeve."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from sidekeep.copies.kept.intact import reading_whole
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.passes.survey import Survey, survey_take
from sidekeep.flow.patches import PatchWriter
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.flow.tracks.titles import TitleChoice, claimed_sides, with_claims
from sidekeep.model.recipe import MendSettings
from sidekeep.model.record import Record
from sidekeep.service.choices.sleeves import Sleeve, TakeFiles
from sidekeep.service.choices.titles import retitled, same_sound
from sidekeep.service.transfers.transferred import (
    SurveyedTake,
    TakeOrigin,
)
from sidekeep.shelf.sleeve.parts.quoting import visible


def file_origin(path: Path) -> TakeOrigin:
    """What a file tells of where it comes from: when it was last written, and its name."""
    written = datetime.fromtimestamp(path.stat().st_mtime, UTC).replace(microsecond=0)
    return TakeOrigin(taken_utc=written.isoformat(), original_name=visible(path.name))


def listen_to(
    files: TakeFiles,
    source: FileSource,
    sleeve: Sleeve | None,
    mend: MendSettings,
    patches: PatchWriter,
    progress: Progress = no_progress,
    known_sha256: tuple[str, ...] | None = None,
    name: str = "",
) -> tuple[Survey, tuple[str, ...]]:
    """Survey one take into ``patches``, and take its checksums on the way; those known must be met. ``name`` is what it is called
    meanwhile, else the name of its file."""
    name = name or files.paths[0].name
    with reading_whole(source, files.paths, known_sha256) as reading:
        survey = survey_take(
            source,
            file=str(files.paths[0]),
            sides=files.sides,
            others=sleeve.record.sides if sleeve else (),
            mend=mend,
            patches=patches,
            progress=lambda share, doing="": progress(share, f"{doing} ({name})"),
        )
    return replace(survey, findings=(*reading.findings, *survey.findings)), reading.sha256


def name_takes(
    takes: Sequence[SurveyedTake], record: Record | None, titles: TitleChoice, trusted: Collection[str] = ()
) -> tuple[SurveyedTake, ...]:
    """The takes with titles as the person chose them, and what there is to tell of titles; of two takes that hold the
    same sound, or that seem to be the same side, neither is named by itself. ``trusted`` sides have their titles from
    a person."""
    sides = record.sides if record else ()
    surveys = [take.survey for take in takes]
    doubles = same_sound(surveys)
    claims = claimed_sides([side for survey in surveys for side in survey.cuts.sides], trusted)
    named = []
    for index, (take, survey) in enumerate(zip(takes, surveys, strict=True)):
        doubted = replace(survey, cuts=with_claims(survey.cuts, claims))
        named.append(replace(take, survey=retitled(doubted, sides, titles, doubles.get(index))))
    return tuple(named)
