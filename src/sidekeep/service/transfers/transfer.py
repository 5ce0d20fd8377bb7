"""The whole job from files: recordings and a sleeve text in, finished copies out.

Every take is surveyed once (mended samples are kept as patches in a work folder), one gain is chosen for
the whole record, and every side is rendered once into all kinds of copies side by side.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, replace
from datetime import UTC, date, datetime
from itertools import groupby
from pathlib import Path

from sidekeep import __version__
from sidekeep.copies.kept.history import MAKING_FOLDER
from sidekeep.copies.kept.intact import reading_whole
from sidekeep.copies.keys import key_of
from sidekeep.copies.kinds.table import KINDS, parse_kinds
from sidekeep.copies.master.build import MasterPlan, prepare_takes
from sidekeep.copies.plan.layout import plan_copies
from sidekeep.copies.plan.planned import CopyPlan
from sidekeep.copies.run.run import CopyRun
from sidekeep.copies.tracks.codes import check_isrc
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.copies.tracks.naming import NamingRules
from sidekeep.copies.tracks.tagging import TransferFacts
from sidekeep.errors import CopyError, ParameterError
from sidekeep.files.atomic import copy_error
from sidekeep.files.guard import Guard
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.reading.reader import open_take
from sidekeep.files.reading.sources import FileSource
from sidekeep.flow.passes.edges import render_spans
from sidekeep.flow.passes.render import GainChoice, choose_gain, record_level, render_span
from sidekeep.flow.passes.survey import Survey, survey_take
from sidekeep.flow.patches import PatchReader, PatchWriter
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.flow.tracks.titles import TitleChoice, claimed_sides, sleeve_tracks, with_claims
from sidekeep.model.cuts import SideCuts
from sidekeep.model.recipe import CopySettings, MendSettings, Recipe
from sidekeep.model.record import Record, Side
from sidekeep.service.choices.kinds import refuse_early
from sidekeep.service.choices.repairs import mended_repairs
from sidekeep.service.choices.sleeves import Sleeve, TakeFiles, assign_files, load_sleeve
from sidekeep.service.choices.titles import retitled, same_sound
from sidekeep.service.shelf.records import default_shelf
from sidekeep.service.survey import with_outer_findings
from sidekeep.service.transfers.clips import Clip, choose_place, make_clip
from sidekeep.service.transfers.master import master_plan
from sidekeep.service.transfers.transferred import (
    RenderedSide,
    SurveyedTake,
    TakeOrigin,
    TransferOptions,
    TransferResult,
)
from sidekeep.shelf.record_lock import folder_at_work
from sidekeep.shelf.sleeve.quoting import visible

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
    Guard(read, shelf=default_shelf()).check(out_dir)
    _make_folder(out_dir)
    with _work_folder(out_dir) as work:
        takes = _survey_all(
            assigned, sources, sleeve, options.recipe, work, part(progress, 0.0, _SURVEY_SHARE)
        )
        takes = name_takes(takes, record, options.titles)
        return write_record(
            takes,
            sleeve,
            name=visible(files[0].stem),
            out_dir=out_dir,
            options=options,
            pictures=pictures,
            also_read=read,
            progress=part(progress, _SURVEY_SHARE, 1.0),
        )


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
        work = Path(tempfile.mkdtemp(prefix=".sidekeep-", dir=out_dir))
    except OSError as error:
        raise copy_error(error, out_dir) from error
    try:
        yield work
    except OSError as error:
        raise copy_error(error, out_dir) from error
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _survey_all(
    assigned: Sequence[TakeFiles],
    sources: Sequence[FileSource],
    sleeve: Sleeve | None,
    recipe: Recipe,
    work: Path,
    progress: Progress,
) -> tuple[SurveyedTake, ...]:
    total = sum(source.format.length_s for source in sources)
    takes: list[SurveyedTake] = []
    done = 0.0
    for index, (files, source) in enumerate(zip(assigned, sources, strict=True)):
        share = source.format.length_s / total
        report = part(progress, done, done + share)
        patches_path = work / f"{index}.patches"
        with patches_path.open("wb") as file:
            patches = PatchWriter(file)
            survey, sha256 = listen_to(files, source, sleeve, recipe.mend, patches, report)
            patches.close()
        survey = with_outer_findings(survey, source, sleeve)
        origin = file_origin(files.paths[0])
        takes.append(SurveyedTake.of(files, source, survey, patches_path, sha256, recipe.mend, origin))
        done += share
    return tuple(takes)


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
) -> tuple[Survey, tuple[str, ...]]:
    """Survey one take into ``patches``, and take its checksums on the way; those known must be met."""
    name = files.paths[0].name
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
    return survey, reading.sha256


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


def render_plan(takes: Sequence[SurveyedTake], recipe: Recipe) -> tuple[RenderedSide, ...]:
    """The sides of all takes in order, with the spans of their tracks."""
    return tuple(
        RenderedSide(
            take=take,
            cuts=side,
            spans=render_spans(
                side,
                recipe.edges,
                rate_hz=take.source.format.rate_hz,
                length_frames=take.source.format.length_frames,
            ),
        )
        for take in takes
        for side in take.survey.cuts.sides
        if side.tracks
    )


def record_as_found(record: Record | None, sides: Sequence[RenderedSide], name: str) -> Record:
    """The sleeve's record with the tracks that were found, joined by their printed lines."""
    known = record or Record(title=name)
    by_name = {side.name: side for side in known.sides}
    found = tuple(
        Side(name=side.cuts.side, tracks=sleeve_tracks(_as_played(side), by_name.get(side.cuts.side)))
        for side in sides
    )
    return replace(known, sides=found)


def _as_played(side: RenderedSide) -> SideCuts:
    """The cuts with the tracks in the order of their spans."""
    return replace(side.cuts, tracks=tuple(span.track for span in side.spans))


def write_record(
    takes: tuple[SurveyedTake, ...],
    sleeve: Sleeve | None,
    *,
    name: str,
    out_dir: Path,
    options: TransferOptions,
    pictures: Sequence[Picture] = (),
    also_read: Sequence[Path] = (),
    progress: Progress = no_progress,
) -> TransferResult:
    """From surveyed takes to finished copies; ``name`` stands for the title where the sleeve has none,
    ``also_read`` are files besides the takes that nothing may be written over."""
    found, plan = _planned(takes, sleeve, name, out_dir, options, pictures, also_read)
    run = CopyRun(plan)
    with _held(plan, progress), run:
        _feed(run, found.sides, found.gain, part(progress, 0.0, 0.6))
        written = run.finish(part(progress, 0.6, 1.0))
    return replace(
        found,
        folder=plan.folder,
        written=tuple(written),
        clips=_clips(found.sides, found.gain),
        copy_findings=tuple(run.findings),
    )


def prepare_record(
    takes: tuple[SurveyedTake, ...],
    sleeve: Sleeve | None,
    *,
    name: str,
    out_dir: Path,
    options: TransferOptions,
    pictures: Sequence[Picture] = (),
    progress: Progress = no_progress,
) -> int:
    """Encode what can be encoded before the other sides are known; it waits for ``write_record``, which uses what the whole
    record's gain leaves as it is. Takes are copied for the master. Kinds that join sides wait: an encoder goes through
    such a file in one piece. The number of files that are ready."""

    def planned(kinds: Sequence[str]) -> tuple[TransferResult, CopyPlan]:
        wanted = replace(options, kinds=kinds)
        return _planned(takes, sleeve, name, out_dir, wanted, pictures, prepares=True)

    ready = 0
    kinds = parse_kinds(options.kinds)
    encoded = [kind for kind in kinds if kind != "master" and not KINDS[kind].joins_sides]
    if encoded:
        found, plan = planned(encoded)
        run = CopyRun(plan)
        with _held(plan, progress), run:
            _feed(run, found.sides, found.gain, part(progress, 0.0, 0.6))
            ready += run.prepare(part(progress, 0.6, 0.9))
    if "master" in kinds:
        _, plan = planned(["master"])
        if plan.master is not None:
            with _held(plan, progress):
                ready += prepare_takes(plan.master, plan.folder / MAKING_FOLDER)
    return ready


def _held(plan: CopyPlan, progress: Progress) -> AbstractContextManager[None]:
    """The folder of the copies for this run alone: another one that writes there is waited for."""
    return folder_at_work(plan.folder, "writing copies", waiting=lambda text: progress(0.0, text))


def _planned(
    takes: tuple[SurveyedTake, ...],
    sleeve: Sleeve | None,
    name: str,
    out_dir: Path,
    options: TransferOptions,
    pictures: Sequence[Picture],
    also_read: Sequence[Path] = (),
    *,
    prepares: bool = False,
) -> tuple[TransferResult, CopyPlan]:
    """The record as found, its one gain, and all its files."""
    sides = render_plan(takes, options.recipe)
    if not sides:
        raise ParameterError("no-music")
    gain = choose_gain(
        record_level(
            [
                (
                    take.levels,
                    [
                        (side.spans[0].start_frame, side.spans[-1].stop_frame)
                        for side in sides
                        if side.take is take
                    ],
                )
                for take in takes
            ]
        ),
        options.recipe.level,
    )
    record = record_as_found(sleeve.record if sleeve else None, sides, name)
    found = TransferResult(folder=out_dir, record=record, takes=takes, sides=sides, gain=gain)
    plan = plan_copies(
        record,
        [_side_audio(side, options.recipe, gain) for side in sides],
        options.kinds,
        out_dir,
        naming=options.naming,
        facts=options.facts,
        pictures=pictures,
        master=_master(found, options, sleeve, pictures),
        settings=options.recipe.copies,
        dither_seed=options.recipe.dither_seed,
        replace_existing=options.replace,
        inputs=[
            *(path for take in takes for path in take.files.paths),
            *(picture.scan for picture in pictures if picture.scan is not None),
            *also_read,
        ],
        takes=[digest for take in takes for digest in take.sha256],
        elsewhere=_tracks_elsewhere(sleeve.record if sleeve else None, sides),
        prepares=prepares,
    )
    return found, plan


def _master(
    found: TransferResult, options: TransferOptions, sleeve: Sleeve | None, pictures: Sequence[Picture]
) -> MasterPlan | None:
    if "master" not in parse_kinds(options.kinds):
        return None
    return master_plan(
        found,
        options.recipe,
        comment=options.facts.comment,
        sleeve_text=sleeve.text if sleeve else "",
        pictures=pictures,
        day=date.today(),
    )


def _tracks_elsewhere(record: Record | None, sides: Sequence[RenderedSide]) -> dict[str, int]:
    """How many tracks the sleeve names on sides that are not made now."""
    made = {side.cuts.side for side in sides}
    return {side.name: len(side.tracks) for side in record.sides if side.name not in made} if record else {}


def _feed(run: CopyRun, sides: Sequence[RenderedSide], gain: GainChoice, progress: Progress) -> None:
    """The second pass: every side flows once into all copies."""
    total = sum(span.length_frames for side in sides for span in side.spans)
    done = 0
    for _, group in groupby(sides, key=lambda side: id(side.take)):
        needed = [side for side in group if run.needs_side(side.cuts.side)]
        if not needed:
            continue
        take = needed[0].take
        # The take is hashed as it flows: one that is not what was surveyed gives no copies.
        with (
            reading_whole(take.source, take.files.paths, take.sha256),
            take.patches_path.open("rb") as file,
        ):
            patches = PatchReader(file, take.left)
            spans = ((side.cuts.side, at, span) for side in needed for at, span in enumerate(side.spans))
            for letter, index, span in spans:
                for block in render_span(take.source, patches, span, gain.gain_db):
                    run.feed(letter, index, block, is_given_away=True)
                    done += len(block)
                    progress(done / total, f"writing side {letter}")


def _clips(sides: Sequence[RenderedSide], gain: GainChoice) -> tuple[Clip, ...]:
    """One listen per side, while the patches are at hand."""
    clips = []
    for side in sides:
        span = (side.spans[0].start_frame, side.spans[-1].stop_frame)
        mended = mended_repairs(side.take.survey.repairs, side.take.left)
        place = choose_place(mended, span, side.take.source.format.rate_hz)
        if place is not None:
            clips.append(
                make_clip(
                    side.take.source,
                    side.take.patches_path,
                    side.take.left,
                    place,
                    gain_db=gain.gain_db,
                    side=side.cuts.side,
                )
            )
    return tuple(clips)


def _side_audio(side: RenderedSide, recipe: Recipe, gain: GainChoice) -> SideAudio:
    """What the copies need to know of a side. The key names all that decides its samples."""
    form = side.take.source.format
    # Which repairs are left decides the samples, not how the recipe says so.
    # What the files are like is no matter of the samples that are fed.
    alike = replace(recipe, mend=replace(recipe.mend, leave=(), choices=()), copies=CopySettings())
    settings = asdict(alike)
    return SideAudio(
        side=side.cuts.side,
        rate_hz=form.rate_hz,
        channels=form.channels,
        spans=tuple((span.start_frame, span.stop_frame) for span in side.spans),
        source_key=key_of(
            __version__,
            side.take.sha256,
            settings,
            sorted(side.take.left),
            gain.gain_db,
            [(span.fade_in_frames, span.fade_out_frames) for span in side.spans],
        ),
        is_exact=gain.gain_db == 0.0,
        bits=24 if form.is_float else form.bits,
    )


def naming_from(track_names: str | None) -> NamingRules:
    """Naming with another template for the tracks' files, or the usual one."""
    return NamingRules(track=track_names) if track_names else NamingRules()


def facts_from(*, comment: str = "", isrcs: Sequence[str] = ()) -> TransferFacts:
    """What the tags tell of the transfer besides the sleeve. ``isrcs`` are codes by mark, such as ``A2=AA6Q72000047``."""
    marks = {}
    for text in isrcs:
        mark, equals, code = (part.strip() for part in text.partition("="))
        if not equals or not mark:
            raise ParameterError("isrc-unreadable", text=text)
        marks[mark] = check_isrc(code)
    return TransferFacts(comment=comment, isrc_marks=marks)
