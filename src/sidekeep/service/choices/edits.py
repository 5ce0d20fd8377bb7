"""Small changes to a record, one at a time: applied, kept with their history, undone and redone, also after a restart."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from sidekeep.copies.kinds.forms import read_forms
from sidekeep.errors import NotThere, ParameterError
from sidekeep.flow.tracks import edit_cuts
from sidekeep.model import edits
from sidekeep.model.cuts import SideCuts
from sidekeep.model.edits import Edit, edit_facts, read_edit
from sidekeep.model.recipe import MendChoice, MendSettings, Recipe
from sidekeep.service.choices.untouched import untouched_side
from sidekeep.shelf.choices import choices as kept
from sidekeep.shelf.choices.choice_files import put_side, side_path, sides_in
from sidekeep.shelf.choices.choices import Choices
from sidekeep.shelf.choices.journal import JournalEntry, State
from sidekeep.shelf.choices.recipe_file import put_recipe, read_recipe, recipe_of
from sidekeep.shelf.choices.sleeve_titles import follow_sleeve
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.surveys.kept_survey import kept_conclusions, newest_key

SideEdit = (
    edits.MoveMark
    | edits.Split
    | edits.Join
    | edits.RunsOn
    | edits.Retitle
    | edits.Right
    | edits.MusicStart
    | edits.MusicStop
)


@dataclass(frozen=True, kw_only=True)
class EditResult:
    """What came of an edit. ``entry`` is None when it changed nothing."""

    revision: int
    entry: JournalEntry | None
    choices: Choices


def apply(
    folder: RecordFolder, edit: Edit | Mapping[str, Any], *, expected_revision: int | None = None
) -> EditResult:
    """Make one change. Raises ``ParameterError`` for what cannot be, ``ChangedElsewhere`` when the record is at another
    revision than expected; nothing is written then."""
    wanted = read_edit(edit) if isinstance(edit, Mapping) else edit
    code, facts = edit_facts(wanted)
    choices, entry = kept.change_choices(
        folder.path, code, facts, _change(folder, wanted), expected_revision=expected_revision
    )
    return EditResult(revision=choices.revision, entry=entry, choices=choices)


def undo(folder: RecordFolder, *, expected_revision: int | None = None) -> EditResult:
    """Take back the newest change that stands."""
    choices, entry = kept.take_back(folder.path, expected_revision=expected_revision)
    return EditResult(revision=choices.revision, entry=entry, choices=choices)


def redo(folder: RecordFolder, *, expected_revision: int | None = None) -> EditResult:
    """Make the change again that was taken back last."""
    choices, entry = kept.take_back(folder.path, redo=True, expected_revision=expected_revision)
    return EditResult(revision=choices.revision, entry=entry, choices=choices)


def history(folder: RecordFolder) -> list[JournalEntry]:
    """Every change, oldest first; each has a code and facts."""
    return kept.read_history(folder.path)


def choices(folder: RecordFolder) -> Choices:
    """What stands now."""
    return kept.read_choices(folder.path)


def revision_of(folder: RecordFolder) -> int:
    """Number of the newest change."""
    return choices(folder).revision


def with_recipe_edit(recipe: Recipe, edit: edits.RecipeEdit) -> Recipe:
    """A recipe with single settings changed. Raises ``ParameterError`` for what cannot be."""
    read_forms(edit.forms or ())
    given = {name: value for name in edit.__struct_fields__ if (value := getattr(edit, name)) is not None}
    parts = {}
    for part in ("mend", "level", "edges", "copies"):
        settings = getattr(recipe, part)
        mine = {name: given.pop(name) for name in list(given) if hasattr(settings, name)}
        parts[part] = replace(settings, **mine)
    return replace(recipe, **parts)


def _change(folder: RecordFolder, edit: Edit) -> Callable[[State], State]:
    def change(state: State) -> State:
        if isinstance(edit, SideEdit):
            take = _chosen(folder, state, edit.side)
            side = _side(state, take, edit.side, folder)
            put_side(state, _change_side(side, edit, take.length_frames))
        elif isinstance(edit, edits.AsFound):
            take = _chosen(folder, state, edit.side)
            put_side(state, _proposed_side(folder, take, edit.side))
        elif isinstance(edit, edits.Leave | edits.Mend | edits.MendAll | edits.RecipeEdit):
            put_recipe(state, _change_recipe(recipe_of(state), edit))
        elif isinstance(edit, edits.RecipeText):
            recipe = read_recipe(edit.text)
            read_forms(recipe.copies.forms)
            put_recipe(state, recipe)
        elif isinstance(edit, edits.ChooseTake):
            if edit.number not in {take.number for take in folder.takes() if take.side == edit.side}:
                raise NotThere("no-take-of-number", side=edit.side, number=edit.number)
            state[f"record/use.{edit.side}"] = edit.number
        elif isinstance(edit, edits.SwapSides):
            _swap(folder, state, edit.a, edit.b)
        elif isinstance(edit, edits.Seen):
            take = _chosen(folder, state, edit.side)
            state[f"record/seen.{edit.finding}"] = take.sha256[:16]
            if not edit.seen:
                del state[f"record/seen.{edit.finding}"]
        elif isinstance(edit, edits.Notes):
            state["record/notes"] = edit.text
            if not edit.text:
                del state["record/notes"]
        else:
            before, state["sleeve"] = state.get("sleeve"), edit.text
            follow_sleeve(state, before)
        return state

    return change


def _chosen(folder: RecordFolder, state: State, letter: str) -> ShelfTake:
    """The take that copies of a side are made from."""
    chosen = folder.choose_takes(_numbers(state, "record/use."), _words(state, "record/plays."))
    for take in chosen.takes:
        if take.folder == chosen.owners.get(letter):
            return take
    raise NotThere("no-take-of-side", side=letter)


def _numbers(state: State, prefix: str) -> dict[str, int]:
    return {path.removeprefix(prefix): int(v) for path, v in state.items() if path.startswith(prefix)}


def _words(state: State, prefix: str) -> dict[str, str]:
    return {path.removeprefix(prefix): str(v) for path, v in state.items() if path.startswith(prefix)}


def _side(state: State, take: ShelfTake, letter: str, folder: RecordFolder) -> SideCuts:
    """The side as a person sees it: as it is cut; until that is settled, as its survey proposes (while an evening goes on); where
    its survey found no music, as a person begins."""
    found = [side for side in sides_in(state) if (side.take, side.side) == (take.sha256, letter)]
    return found[0] if found else _proposed_side(folder, take, letter)


def _proposed_side(folder: RecordFolder, take: ShelfTake, letter: str) -> SideCuts:
    take_folder = folder.path / take.folder
    key = newest_key(take_folder)
    surveyed = kept_conclusions(take_folder, key) if key is not None else None
    if surveyed is None:
        raise NotThere("not-surveyed", side=letter)
    for side in surveyed[0].sides:
        if side.side == letter:
            return replace(side, take=take.sha256, rate_hz=take.rate_hz)
    return untouched_side(letter, take)


def _change_side(side: SideCuts, edit: SideEdit, length_frames: int) -> SideCuts:
    match edit:
        case edits.MoveMark():
            return edit_cuts.move_mark(side, edit.track, edit.edge, edit.frame, length_frames)
        case edits.Split():
            return edit_cuts.split(side, edit.frame)
        case edits.Join():
            return edit_cuts.join(side, edit.track)
        case edits.RunsOn():
            return edit_cuts.runs_on(side, edit.track, edit.on)
        case edits.Retitle():
            return edit_cuts.retitle(side, edit.track, edit.title, edit.artist, edit.composer)
        case edits.Right():
            return edit_cuts.right(side, edit.track)
        case edits.MusicStart():
            return edit_cuts.music_bound(side, "start", edit.frame, length_frames)
        case _:
            return edit_cuts.music_bound(side, "stop", edit.frame, length_frames)


def _change_recipe(
    recipe: Recipe, edit: edits.Leave | edits.Mend | edits.MendAll | edits.RecipeEdit
) -> Recipe:
    if isinstance(edit, edits.RecipeEdit):
        return with_recipe_edit(recipe, edit)
    mend = recipe.mend
    if isinstance(edit, edits.MendAll):
        # What a person had mended after all stays mended: without its choice it would be left in doubt again.
        stay = tuple(
            choice
            for choice in mend.choices
            if choice.do == "mend" or (edit.take and choice.take not in (edit.take, ""))
        )
        return replace(recipe, mend=replace(mend, choices=stay, leave=mend.leave if edit.take else ()))
    choice = MendChoice(
        do="leave" if isinstance(edit, edits.Leave) else "mend",
        take=edit.take,
        repair=edit.repair,
        start_frame=edit.start_frame,
        stop_frame=edit.stop_frame,
        of_kind=edit.of_kind,
        below_db=edit.below_db,
    )
    return replace(recipe, mend=_with_choice(mend, choice))


def _with_choice(mend: MendSettings, choice: MendChoice) -> MendSettings:
    """The newest choice counts; an older one about the same repairs is gone. Mending again is a choice too: without it what is in
    doubt would be left."""
    stay = tuple(other for other in mend.choices if not choice.is_about_the_same(other))
    return replace(mend, choices=(*stay, choice))


def _swap(folder: RecordFolder, state: State, a: str, b: str) -> None:
    """What was taken as one side is the other: takes, chosen numbers and cuts change their letters. A take of several
    sides holds them in another order then."""
    if a == b:
        raise ParameterError("same-side", side=a)
    letters = {a: b, b: a}
    plays = _words(state, "record/plays.")
    touched = [take for take in folder.takes(plays) if letters.keys() & set(take.side)]
    if not touched:
        raise NotThere("no-take-of-sides", a=a, b=b)
    for take in touched:
        own = take.folder_name.rpartition("-")[0]
        path = f"record/plays.{take.folder_name}"
        state.pop(path, None)
        played = "".join(letters.get(letter, letter) for letter in take.side)
        if played != own:
            state[path] = played
        for side in [side for side in sides_in(state) if side.take == take.sha256 and side.side in letters]:
            del state[side_path(side.take, side.side)]
    numbers = {letter: state.pop(f"record/use.{letter}", None) for letter in letters}
    for letter, number in numbers.items():
        if number is not None:
            state[f"record/use.{letters[letter]}"] = number


def entry_object(entry: JournalEntry) -> dict[str, Any]:
    """An entry for scripts: without the changes themselves."""
    return {
        "seq": entry.seq,
        "at_utc": entry.at_utc,
        "by": entry.by,
        "code": entry.code,
        "facts": dict(entry.facts),
        "of": entry.of,
    }
