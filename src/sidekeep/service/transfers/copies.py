"""Copies of a record on the shelf: surveyed once, cut as the person likes, written again at any time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sidekeep.copies.kinds.table import parse_kinds
from sidekeep.copies.plan.layout import copies_folder_name
from sidekeep.copies.run.successors import refuse_other_takes
from sidekeep.errors import ShelfError
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.reading.reader import open_take
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.flow.tracks.titles import TitleChoice
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import CopySettings, MendSettings, Recipe
from sidekeep.model.record import Record, Side
from sidekeep.service.choices.kinds import refuse_early, sized_picture
from sidekeep.service.choices.recipes import RecipeWish
from sidekeep.service.choices.sleeves import Sleeve, TakeFiles, read_sleeve_text
from sidekeep.service.choices.titles import told_anew
from sidekeep.service.shelf.pictures import kept_pictures
from sidekeep.service.shelf.records import find_record, index_record
from sidekeep.service.survey import with_outer_findings
from sidekeep.service.transfers.changed_takes import changed_takes
from sidekeep.service.transfers.copies_room import refuse_no_room
from sidekeep.service.transfers.listening import listen_to, name_takes
from sidekeep.service.transfers.report import write_report
from sidekeep.service.transfers.settled_cuts import settle_cuts
from sidekeep.service.transfers.transferred import (
    PreparedCopies,
    SurveyedTake,
    TakeOrigin,
    TransferOptions,
    TransferResult,
)
from sidekeep.service.transfers.writing import prepare_record, write_record
from sidekeep.shelf.art import scan_of
from sidekeep.shelf.choices.choices import change_choices, read_choices
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.choices.recipe_file import put_recipe
from sidekeep.shelf.inventory import remember
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.surveys.draft import SurveyDraft
from sidekeep.shelf.surveys.kept_survey import KeptSurvey, kept_survey
from sidekeep.shelf.surveys.kept_survey import survey_key as key_of_survey
from sidekeep.shelf.take_choice import ChosenTakes
from sidekeep.units import MINIMUM_DB

TITLES_VERSION = 2
"""Raised when the way lines are joined to tracks changes: a kept survey holds the join."""


def copy_record(
    shelf: Path,
    record_name: str,
    *,
    options: TransferOptions | None = None,
    recipe: Recipe | RecipeWish | None = None,
    progress: Progress = no_progress,
) -> tuple[TransferResult, Path]:
    """Write copies of a record on the shelf into its ``copies`` folder. ``recipe`` takes the place of the kept
    one, or is laid over it, and is kept when the copies are written.

    Another job on the same record is waited for.
    """
    folder = find_record(shelf, record_name)
    with at_work(folder.path, "writing copies", wait_s=None, waiting=lambda text: progress(0.0, text)):
        return _copy_held(shelf, folder, options or TransferOptions(), recipe, progress)


def _copy_held(
    shelf: Path,
    folder: RecordFolder,
    options: TransferOptions,
    recipe: Recipe | RecipeWish | None,
    progress: Progress,
) -> tuple[TransferResult, Path]:
    chosen = takes_to_copy(folder)
    kept = read_choices(folder.path).recipe
    wanted = recipe.on(kept) if isinstance(recipe, RecipeWish) else recipe or kept
    options = replace(options, recipe=wanted)
    sleeve = _sleeve(folder)
    barcode = options.facts.barcode or sleeve.record.barcode
    refuse_early(options.kinds, barcode, sleeve.record, wanted.copies.forms)
    refuse_no_room(folder, chosen.takes, parse_kinds(options.kinds), wanted.copies)
    out_dir = folder.path / "copies"
    if not options.replace:
        _refuse_other_takes(out_dir, sleeve.record, chosen, options)
    takes = survey_record(
        folder, chosen, sleeve, options.recipe, part(progress, 0.0, 0.5), titles=options.titles
    )
    pictures = pictures_of(folder, wanted.copies)
    out_dir.mkdir(exist_ok=True)
    before = _folders(out_dir)
    result = write_record(
        takes,
        sleeve,
        name=folder.path.name,
        out_dir=out_dir,
        options=options,
        pictures=pictures,
        progress=part(progress, 0.5, 1.0),
    )
    told = (
        *(_with_name_of_record(finding, folder) for finding in result.copy_findings),
        *changed_takes(folder, chosen.takes),
    )
    result = replace(result, copy_findings=told)
    path = write_report(result, pictures, replace=options.replace)
    keep_recipe(folder, options.recipe)
    remember(folder.path, copies=[result.folder.name], moved=before - _folders(out_dir))
    index_record(shelf, folder)
    return result, path


def _refuse_other_takes(out_dir: Path, record: Record, chosen: ChosenTakes, options: TransferOptions) -> None:
    takes = {take.folder: take for take in chosen.takes}
    refuse_other_takes(
        out_dir / copies_folder_name(record, options.naming),
        parse_kinds(options.kinds),
        {letter: {file.sha256 for file in takes[owner].files} for letter, owner in chosen.owners.items()},
    )


def _with_name_of_record(finding: Finding, folder: RecordFolder) -> Finding:
    """Where copies got the name of a corrected sleeve, and the record's folder has the wrong one still, that is told too."""
    if finding.kind != "copies-moved" or finding.facts.get("before") != (folder.path.name,):
        return finding
    return replace(finding, facts={**finding.facts, "record": folder.path.name})


def prepare_copies(
    shelf: Path,
    record_name: str,
    kinds: Sequence[str],
    *,
    least_peak_dbtp: float = MINIMUM_DB,
    progress: Progress = no_progress,
) -> PreparedCopies:
    """While other sides are still to be taken: encode what can be encoded of those that are. ``copy_record`` uses it.
    ``least_peak_dbtp``: the true peak, after mending, of the side that plays, as far as it was heard. Whoever calls it holds the
    record already."""
    folder = find_record(shelf, record_name)
    recipe, sleeve = read_choices(folder.path).recipe, _sleeve(folder)
    takes = survey_record(folder, takes_to_copy(folder), sleeve, recipe, part(progress, 0.0, 0.3))
    out_dir = folder.path / "copies"
    out_dir.mkdir(exist_ok=True)
    return prepare_record(
        takes,
        sleeve,
        name=folder.path.name,
        out_dir=out_dir,
        options=TransferOptions(kinds=kinds, recipe=recipe),
        pictures=pictures_of(folder, recipe.copies),
        least_peak_dbtp=least_peak_dbtp,
        progress=part(progress, 0.3, 1.0),
    )


def keep_recipe(folder: RecordFolder, recipe: Recipe) -> None:
    """Keep the recipe that was followed; the same one again changes nothing but a file that was not there.

    The defaults that stand in such a file are no choice of the person's: an undo reaches what they chose before."""

    def begin(state: State) -> State:
        if not any(path.startswith("recipe/") for path in state):
            put_recipe(state, Recipe())
        return state

    def change(state: State) -> State:
        put_recipe(state, recipe)
        return state

    change_choices(folder.path, "recipe", {}, begin, by="survey")
    change_choices(folder.path, "recipe", {}, change)


def survey_kept(
    shelf: Path, folder: RecordFolder, progress: Progress = no_progress
) -> tuple[SurveyedTake, ...]:
    """Survey the chosen takes of a record and keep what was found, as copies would before they are written."""
    with at_work(folder.path, "surveying", wait_s=None, waiting=lambda text: progress(0.0, text)):
        chosen = takes_to_copy(folder)
        takes = survey_record(folder, chosen, _sleeve(folder), read_choices(folder.path).recipe, progress)
    index_record(shelf, folder)
    return takes


def _folders(copies: Path) -> set[str]:
    return {path.name for path in copies.iterdir() if path.is_dir()}


def takes_to_copy(folder: RecordFolder) -> ChosenTakes:
    """The take every side is made from, and what there is to tell about the choice."""
    chosen = folder.choose_takes()
    if not chosen.takes:
        raise ShelfError("no-takes", name=folder.path.name)
    return chosen


def survey_record(
    folder: RecordFolder,
    chosen: ChosenTakes,
    sleeve: Sleeve,
    recipe: Recipe,
    progress: Progress = no_progress,
    *,
    titles: TitleChoice = "sure",
) -> tuple[SurveyedTake, ...]:
    """Every chosen take with its survey and the cuts the person wants. Surveys are kept and used again. A choice of
    ``titles`` counts as the person's own edit from then on."""
    count = len(chosen.takes)
    takes = [
        _survey_take(folder, take, sleeve, recipe, part(progress, index / count, (index + 1) / count))
        for index, take in enumerate(chosen.takes)
    ]
    named = name_takes(takes, sleeve.record, "sure", _titled_by_a_person(folder, chosen))
    pairs = list(zip(chosen.takes, named, strict=True))
    settled = settle_cuts(folder, pairs, chosen.owners, sleeve.record.sides, titles)
    told = [replace(take, survey=told_anew(take.survey, sleeve)) for take in settled]
    first = told[0].survey
    told[0] = replace(told[0], survey=replace(first, findings=(*chosen.doubts, *first.findings)))
    return tuple(told)


def _titled_by_a_person(folder: RecordFolder, chosen: ChosenTakes) -> set[str]:
    """Sides whose takes count and whose titles a person gave."""
    sides = [
        side
        for side in read_choices(folder.path).sides
        if side.take in {take.sha256 for take in chosen.takes}
    ]
    return {
        side.side
        for side in sides
        if side.tracks and all(track.edited and track.title for track in side.tracks)
    }


def _survey_take(
    folder: RecordFolder, take: ShelfTake, sleeve: Sleeve, recipe: Recipe, progress: Progress
) -> SurveyedTake:
    take_folder = folder.path / take.folder
    paths = tuple(take_folder / file.name for file in take.files)
    files = TakeFiles(paths=paths, sides=_sides(take, sleeve.record))
    sums = tuple(file.sha256 for file in take.files)
    source = open_take(paths)
    key, kept = _kept(take_folder, sums, take.side, files.sides or (), recipe.mend, str(paths[0]))
    if kept is None:
        draft = SurveyDraft(take_folder)
        try:
            side = f"side {', '.join(take.side)}"
            survey, sums = listen_to(files, source, sleeve, recipe.mend, draft.patches, progress, sums, side)
        except BaseException:
            draft.abandon()
            raise
        kept = draft.finish(survey, key)
    survey = with_outer_findings(kept.survey, source, sleeve, is_side_told=True)
    origin = TakeOrigin(
        taken_utc=take.taken_utc,
        stylus=take.stylus,
        input_name=take.input_name,
        original_name=take.original_name,
    )
    return SurveyedTake.of(files, source, survey, kept.patches_path, sums, recipe.mend, origin)


def _kept(
    take_folder: Path,
    sums: tuple[str, ...],
    letters: str,
    sides: Sequence[Side],
    mend: MendSettings,
    name: str,
) -> tuple[str, KeptSurvey | None]:
    """The survey to use, and the key a new one would get. With mending off one that mended will do: all is left."""
    if not mend.enabled:
        key = survey_key(sums, letters, sides, replace(mend, enabled=True))
        if (kept := kept_survey(take_folder, key, name)) is not None:
            return key, kept
    key = survey_key(sums, letters, sides, mend)
    return key, kept_survey(take_folder, key, name)


def survey_key(sums: tuple[str, ...], letters: str, sides: Sequence[Side], mend: MendSettings) -> str:
    """Names all that a kept survey depends on."""
    durations = [[(track.number, track.duration_s) for track in side.tracks] for side in sides]
    return key_of_survey(sums, letters, (TITLES_VERSION, durations), mend)


def _sides(take: ShelfTake, record: Record) -> tuple[Side, ...]:
    known = {side.name: side for side in record.sides}
    return tuple(known.get(letter, Side(name=letter)) for letter in take.side)


def pictures_of(folder: RecordFolder, settings: CopySettings | None = None) -> list[Picture]:
    """The pictures of the ``art`` folder, made fit for tags; each knows the scan it came from."""
    return [
        replace(
            sized_picture(each.path, each.kind, settings), scan=scan_of(folder.path, each.kind, each.path)
        )
        for each in kept_pictures(folder)
    ]


def _sleeve(folder: RecordFolder) -> Sleeve:
    try:
        return read_sleeve_text(folder.sleeve_text())
    except FileNotFoundError:
        return Sleeve(record=folder.record())
