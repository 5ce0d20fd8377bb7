"""The whole job from files: recordings and a sleeve text in, finished copies out.

Every take is surveyed once (mended samples are kept as patches in a work folder), one gain is chosen for
the whole record, and every side is rendered once into all kinds of copies side by side.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from sidekeep.copies.kept.history import HISTORY_NAME
from sidekeep.copies.kinds.table import parse_kinds
from sidekeep.copies.plan.layout import copies_folder_name
from sidekeep.copies.run.successors import refuse_other_takes
from sidekeep.errors import CopyError
from sidekeep.files.atomic import copy_error, work_folder
from sidekeep.files.checksum import file_sha256
from sidekeep.files.guard import OutputGuard
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.reading.reader import open_take
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.patches import PatchWriter
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.model.record import Record
from sidekeep.service.choices.kinds import refuse_early
from sidekeep.service.choices.sleeves import Sleeve, TakeFiles, assign_files, load_sleeve
from sidekeep.service.shelf.place import default_shelf
from sidekeep.service.survey import with_outer_findings
from sidekeep.service.transfers.listening import file_origin, listen_to, name_takes
from sidekeep.service.transfers.transferred import (
    SurveyedTake,
    TransferOptions,
    TransferResult,
)
from sidekeep.service.transfers.writing import write_record
from sidekeep.shelf.sleeve.parts.quoting import visible

_SURVEY_SHARE = 0.55


def transfer(
    files: Sequence[Path],
    *,
    out_dir: Path,
    sleeve_path: Path | None = None,
    options: TransferOptions | None = None,
    pictures: Sequence[Picture] = (),
    progress: Progress = no_progress,
) -> TransferResult:
    """Everything between recordings and finished copies. Nothing under ``out_dir`` is overwritten unless
    the options say so; what an interrupted run had finished is kept and not made again."""
    options = options or TransferOptions()
    sleeve = load_sleeve(sleeve_path)
    record = sleeve.record if sleeve else None
    barcode = options.facts.barcode or (record.barcode if record else "")
    refuse_early(options.kinds, barcode, record, options.recipe.copies.forms)
    assigned = assign_files(files, record if record and record.sides else None, options.side_letters)
    sources = [open_take(take.paths) for take in assigned]
    read = [*files, *([sleeve_path] if sleeve_path else [])]
    OutputGuard(read, shelf=default_shelf()).check(out_dir)
    name = visible(files[0].stem)
    if not options.replace:
        _refuse_other_takes(out_dir, record or Record(title=name), assigned, options)
    _make_folder(out_dir)
    with _work_folder(out_dir) as work:
        takes = _survey_all(assigned, sources, sleeve, options, work, part(progress, 0.0, _SURVEY_SHARE))
        takes = name_takes(takes, record, options.titles)
        return write_record(
            takes,
            sleeve,
            name=name,
            out_dir=out_dir,
            options=options,
            pictures=pictures,
            also_read=read,
            progress=part(progress, _SURVEY_SHARE, 1.0),
        )


def _refuse_other_takes(
    out_dir: Path, record: Record, assigned: Sequence[TakeFiles], options: TransferOptions
) -> None:
    """Copies of other recordings in the way are told before these are listened to."""
    folder = out_dir / copies_folder_name(record, options.naming)
    if not (folder / HISTORY_NAME).is_file():
        return
    takes = {
        side.name: {file_sha256(path) for path in take.paths}
        for take in assigned
        for side in take.sides or ()
    }
    refuse_other_takes(folder, parse_kinds(options.kinds), takes)


def _make_folder(out_dir: Path) -> None:
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise CopyError("out-is-file", path=out_dir) from None
    except OSError as error:
        raise copy_error(error, out_dir) from error


@contextlib.contextmanager
def _work_folder(out_dir: Path) -> Iterator[Path]:
    """A folder for patches on the same disk as the copies, gone at the end whatever happens."""
    try:
        with work_folder(out_dir) as work:
            yield work
    except OSError as error:
        raise copy_error(error, out_dir) from error


def _survey_all(
    assigned: Sequence[TakeFiles],
    sources: Sequence[FileSource],
    sleeve: Sleeve | None,
    options: TransferOptions,
    work: Path,
    progress: Progress,
) -> tuple[SurveyedTake, ...]:
    mend, is_side_told = options.recipe.mend, options.side_letters is not None
    total = sum(source.format.length_s for source in sources)
    takes: list[SurveyedTake] = []
    done = 0.0
    for index, (files, source) in enumerate(zip(assigned, sources, strict=True)):
        share = source.format.length_s / total
        report = part(progress, done, done + share)
        patches_path = work / f"{index}.patches"
        with patches_path.open("wb") as file:
            patches = PatchWriter(file)
            survey, sha256 = listen_to(files, source, sleeve, mend, patches, report)
            patches.close()
        survey = with_outer_findings(survey, source, sleeve, is_side_told=is_side_told)
        origin = file_origin(files.paths[0])
        takes.append(SurveyedTake.of(files, source, survey, patches_path, sha256, mend, origin))
        done += share
    return tuple(takes)
