"""Copies of a record on the shelf: surveyed once, cut as the person likes, written again at any time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sidekeep.errors import ShelfError
from sidekeep.files.atomic import write_text
from sidekeep.files.pictures import Picture, load_picture
from sidekeep.files.reader import open_take
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.flow.titles import TitleChoice, settle_titles
from sidekeep.model.cuts import Cuts, SideCuts
from sidekeep.model.recipe import MendSettings, Recipe
from sidekeep.model.record import Record, Side
from sidekeep.service.report import write_report
from sidekeep.service.shelf import find_record, open_catalogue
from sidekeep.service.sleeves import Sleeve, TakeFiles, read_sleeve_text
from sidekeep.service.survey import with_outer_findings
from sidekeep.service.titles import told_anew
from sidekeep.service.transfer import (
    SurveyedTake,
    TransferOptions,
    TransferResult,
    listen_to,
    name_takes,
    prepare_record,
    write_record,
)
from sidekeep.shelf.cuts_file import keep_edits, read_cuts, write_cuts
from sidekeep.shelf.inventory import remember
from sidekeep.shelf.kept_survey import KeptSurvey, SurveyDraft, kept_survey
from sidekeep.shelf.kept_survey import survey_key as key_of_survey
from sidekeep.shelf.recipe_file import read_recipe, write_recipe
from sidekeep.shelf.record_folder import RecordFolder, ShelfTake
from sidekeep.shelf.record_lock import at_work

TITLES_VERSION = 2
"""Raised when the way lines are joined to tracks changes: a kept survey holds the join."""
PICTURES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".bmp")


def copy_record(
    shelf: Path,
    record_name: str,
    *,
    options: TransferOptions | None = None,
    recipe: Recipe | None = None,
    progress: Progress = no_progress,
) -> tuple[TransferResult, Path]:
    """Write copies of a record on the shelf into its ``copies`` folder. ``recipe`` replaces the kept one.

    Another job on the same record is waited for.
    """
    folder = find_record(shelf, record_name)
    with at_work(folder.path, "writing copies", wait_s=None, waiting=lambda text: progress(0.0, text)):
        return _copy_held(shelf, folder, options or TransferOptions(), recipe, progress)


def _copy_held(
    shelf: Path, folder: RecordFolder, options: TransferOptions, recipe: Recipe | None, progress: Progress
) -> tuple[TransferResult, Path]:
    chosen = takes_to_copy(folder)
    options = replace(options, recipe=settle_recipe(folder, recipe))
    sleeve = _sleeve(folder)
    takes = survey_record(
        folder, chosen, sleeve, options.recipe, part(progress, 0.0, 0.5), titles=options.titles
    )
    pictures = pictures_of(folder)
    out_dir = folder.path / "copies"
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
    path = write_report(result, pictures, replace=options.replace)
    remember(folder.path, copies=[result.folder.name], moved=before - _folders(out_dir))
    with open_catalogue(shelf, create=True) as catalogue:
        if folder.path.is_relative_to(shelf):
            catalogue.put(folder)
    return result, path


def prepare_copies(
    shelf: Path, record_name: str, kinds: Sequence[str], progress: Progress = no_progress
) -> int:
    """While other sides are still to be taken: encode what can be encoded of those that are. ``copy_record`` uses it. The number
    of files that are ready. Whoever calls it holds the record already."""
    folder = find_record(shelf, record_name)
    recipe, sleeve = settle_recipe(folder, None), _sleeve(folder)
    takes = survey_record(folder, takes_to_copy(folder), sleeve, recipe, part(progress, 0.0, 0.3))
    out_dir = folder.path / "copies"
    out_dir.mkdir(exist_ok=True)
    return prepare_record(
        takes,
        sleeve,
        name=folder.path.name,
        out_dir=out_dir,
        options=TransferOptions(kinds=kinds, recipe=recipe),
        pictures=pictures_of(folder),
        progress=part(progress, 0.3, 1.0),
    )


def _folders(copies: Path) -> set[str]:
    return {path.name for path in copies.iterdir() if path.is_dir()}


def settle_recipe(folder: RecordFolder, recipe: Recipe | None) -> Recipe:
    """The recipe to follow, kept in ``recipe.toml``: a new one, the one that is there, or the usual one."""
    path = folder.path / "recipe.toml"
    if recipe is None:
        if path.exists():
            return read_recipe(path.read_text("utf-8"))
        recipe = Recipe()
    write_text(path, write_recipe(recipe), replace=True)
    return recipe


def takes_to_copy(folder: RecordFolder) -> list[ShelfTake]:
    """The chosen take of every side, in order."""
    chosen = sorted(folder.chosen_takes(), key=lambda take: take.side)
    if not chosen:
        raise ShelfError(
            f"{folder.path.name} has no takes yet; record them with 'sidekeep take' or 'adopt' some"
        )
    return chosen


def survey_record(
    folder: RecordFolder,
    chosen: Sequence[ShelfTake],
    sleeve: Sleeve,
    recipe: Recipe,
    progress: Progress = no_progress,
    *,
    titles: TitleChoice = "sure",
) -> tuple[SurveyedTake, ...]:
    """Every chosen take with its survey and the cuts the person wants. Surveys are kept and used again. A choice of
    ``titles`` counts as the person's own edit from then on."""
    takes = [
        _survey_take(
            folder, take, sleeve, recipe, part(progress, index / len(chosen), (index + 1) / len(chosen))
        )
        for index, take in enumerate(chosen)
    ]
    named = name_takes(takes, sleeve.record, "sure")
    settled = settle_cuts(folder, named, sleeve.record.sides, titles)
    return tuple(replace(take, survey=told_anew(take.survey, sleeve)) for take in settled)


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
            survey, sums = listen_to(files, source, sleeve, recipe.mend, draft.patches, progress, sums)
        except BaseException:
            draft.abandon()
            raise
        kept = draft.finish(survey, key)
    survey = with_outer_findings(kept.survey, source, sleeve)
    return SurveyedTake.of(files, source, survey, kept.patches_path, sums, recipe.mend)


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


def settle_cuts(
    folder: RecordFolder,
    takes: Sequence[SurveyedTake],
    printed: Sequence[Side] = (),
    titles: TitleChoice = "sure",
) -> list[SurveyedTake]:
    """The person's cuts where there are any, the proposals elsewhere, written to ``cuts.toml``; titles follow the lines
    of the ``printed`` sides, and where the person chose how, that is an edit as well.

    One file for the record; takes of other rates than the first get a file named after theirs.
    """
    settled: list[SurveyedTake] = []
    first_hz = takes[0].survey.cuts.rate_hz
    for rate_hz in dict.fromkeys(take.survey.cuts.rate_hz for take in takes):
        group = [take for take in takes if take.survey.cuts.rate_hz == rate_hz]
        path = folder.path / ("cuts.toml" if rate_hz == first_hz else f"cuts-{rate_hz}.toml")
        mine = read_cuts(path.read_text("utf-8"))[0] if path.exists() else Cuts(rate_hz=rate_hz)
        kept_sides: list[SideCuts] = []
        for take in group:
            letters = {side.side for side in take.survey.cuts.sides}
            own = replace(mine, sides=tuple(side for side in mine.sides if side.side in letters))
            cuts = settle_titles(keep_edits(own, take.survey.cuts), take.survey.cuts, printed, titles)
            kept_sides += cuts.sides
            settled.append(replace(take, survey=replace(take.survey, cuts=cuts)))
        text = write_cuts(Cuts(rate_hz=rate_hz, sides=tuple(kept_sides)))
        if not path.exists() or path.read_text("utf-8") != text:
            write_text(path, text, replace=True)
    return settled


def pictures_of(folder: RecordFolder) -> list[Picture]:
    """Pictures in ``art``: a file whose name has ``back`` is the back, the first other one is the front."""
    art = folder.path / "art"
    paths = sorted(path for path in art.iterdir() if path.suffix.lower() in PICTURES) if art.is_dir() else []
    backs = [path for path in paths if "back" in path.stem.lower()]
    fronts = [path for path in paths if path not in backs]
    pictures = [load_picture(path, "front") for path in fronts[:1]]
    return pictures + [load_picture(path, "back") for path in backs[:1]]


def _sleeve(folder: RecordFolder) -> Sleeve:
    try:
        return read_sleeve_text(folder.sleeve_text())
    except FileNotFoundError:
        return Sleeve(record=folder.record())
