"""From surveyed takes to written copies: one gain for the whole record, every side rendered once into all kinds side by side."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, replace
from datetime import date
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
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.errors import ParameterError
from sidekeep.files.pictures.artwork import Picture
from sidekeep.flow.passes.edges import render_spans
from sidekeep.flow.passes.render import GainChoice, RecordLevel, choose_gain, record_level, render_span
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.flow.tracks.titles import sleeve_tracks
from sidekeep.model.cuts import SideCuts
from sidekeep.model.recipe import CopySettings, Recipe
from sidekeep.model.record import Record, Side
from sidekeep.service.choices.repairs import mended_repairs
from sidekeep.service.choices.sleeves import Sleeve
from sidekeep.service.transfers.clips import Clip, choose_place, make_clip
from sidekeep.service.transfers.master import master_plan
from sidekeep.service.transfers.transferred import (
    PreparedCopies,
    RenderedSide,
    SurveyedTake,
    TransferOptions,
    TransferResult,
)
from sidekeep.shelf.record_lock import folder_at_work
from sidekeep.units import MINIMUM_DB


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
    least_peak_dbtp: float = MINIMUM_DB,
    progress: Progress = no_progress,
) -> PreparedCopies:
    """Encode what can be encoded before the other sides are known; it waits for ``write_record``, which uses what the whole
    record's gain leaves as it is. The gain leaves room for ``least_peak_dbtp``, the true peak heard so far of a side that still
    plays. What was prepared for another gain goes. Takes are copied for the master. Kinds that join sides wait: an encoder goes
    through such a file in one piece."""
    level = _level_of(takes, render_plan(takes, options.recipe), least_peak_dbtp)

    def planned(kinds: Sequence[str]) -> tuple[TransferResult, CopyPlan]:
        wanted = replace(options, kinds=kinds)
        return _planned(takes, sleeve, name, out_dir, wanted, pictures, level=level, prepares=True)

    ready = 0
    kinds = parse_kinds(options.kinds)
    encoded = [kind for kind in kinds if kind != "master" and not KINDS[kind].joins_sides]
    if encoded:
        found, plan = planned(encoded)
        run = CopyRun(plan)
        with _held(plan, progress), run:
            run.forget_others()
            _feed(run, found.sides, found.gain, part(progress, 0.0, 0.6))
            ready += run.prepare(part(progress, 0.6, 0.9))
    if "master" in kinds:
        _, plan = planned(["master"])
        if plan.master is not None:
            with _held(plan, progress):
                ready += prepare_takes(plan.master, plan.folder / MAKING_FOLDER)
    return PreparedCopies(files=ready, true_peak_dbtp=level.true_peak_dbtp)


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
    level: RecordLevel | None = None,
    prepares: bool = False,
) -> tuple[TransferResult, CopyPlan]:
    """The record as found, its one gain, and all its files."""
    sides = render_plan(takes, options.recipe)
    if not sides:
        raise ParameterError("no-music")
    gain = choose_gain(level or _level_of(takes, sides), options.recipe.level)
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


def _level_of(
    takes: Sequence[SurveyedTake], sides: Sequence[RenderedSide], least_peak_dbtp: float = MINIMUM_DB
) -> RecordLevel:
    """Of the record, over all that is rendered of it."""
    spans = [
        [(side.spans[0].start_frame, side.spans[-1].stop_frame) for side in sides if side.take is take]
        for take in takes
    ]
    levels = [take.levels for take in takes]
    return record_level(list(zip(levels, spans, strict=True)), least_peak_dbtp=least_peak_dbtp)


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
