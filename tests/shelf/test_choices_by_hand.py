"""What a person writes into the files of choices is taken in, kept as it stands, or refused whole."""

from __future__ import annotations

import os
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from sidekeep.errors import CopyError, ParameterError, ShelfError
from sidekeep.model.recipe import LevelSettings, MendChoice, MendSettings, Recipe
from sidekeep.shelf.choices import choices as choices_module
from sidekeep.shelf.choices.choices import change_choices, read_choices, read_history, take_back
from sidekeep.shelf.choices.journal import HISTORY, State
from sidekeep.shelf.choices.recipe_file import recipe_of
from tests.shelf.chosen import TAKE, chosen_record, move, propose, side, start, with_recipe


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return chosen_record(tmp_path)


def test_comments_order_and_foreign_entries_survive(record: Path) -> None:
    with_recipe(record, Recipe())
    cuts, recipe = record / "cuts.toml", record / "recipe.toml"
    cuts.write_text(
        cuts.read_text().replace('title = "Song 2"', 'title = "Song 2" # the long one\nmood = "blue"')
    )
    recipe.write_text("# loud please\n[level] # mine\npeak_dbtp = -2.0 # not more\n[mend]\nsize = 'gentle'\n")
    read_choices(record)
    move(record)
    with_recipe(record, replace(read_choices(record).recipe, mend=MendSettings(size="thorough")))
    text = cuts.read_text()
    assert 'title = "Song 2" # the long one' in text
    assert 'mood = "blue"' in text
    assert recipe.read_text() == (
        '# loud please\n[level] # mine\npeak_dbtp = -2.0 # not more\n[mend]\nsize = "thorough"\n'
    )

    def use(state: State) -> State:
        state["record/use.A"] = 2
        return state

    change_choices(record, "choose-take", {}, use)
    text = (record / "record.toml").read_text()
    assert text.startswith('# mine\nid = "x"\nnotes = "from the attic" # really\n\n[shop]\nprice = 3\n')
    assert read_choices(record).use == {"A": 2}
    take_back(record)
    assert read_choices(record).use == {}
    assert read_choices(record).notes == "from the attic"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('start = "0:04.535147"', 'start = "0:05"'),
        ("start_frame = 200000", "start_frame = 220500"),
        ('start = "0:04.535147"\nstart_frame = 200000', "start_frame = 220500"),
        ('start = "0:04.535147"\nstart_frame = 200000', 'start = "5"'),
        ('start = "0:04.535147"\nstart_frame = 200000', 'start = "0:05"\nstart_frame = 220500'),
    ],
)
def test_either_of_time_and_frame_is_the_edit(record: Path, old: str, new: str) -> None:
    cuts = record / "cuts.toml"
    text = cuts.read_text()
    assert old in text
    cuts.write_text(text.replace(old, new, 1))
    assert start(record) == 220_500
    track = tomllib.loads(cuts.read_text())["side"][0]["track"][1]
    assert (track["start"], track["start_frame"]) == ("0:05.000000", 220_500)
    entry = read_history(record)[-1]
    assert (entry.by, entry.code) == ("by-hand", "by-hand")
    (found,) = [one for one in read_choices(record).sides if one.side == "A"]
    assert [track.edited for track in found.tracks] == [False, True, False]
    take_back(record)
    assert start(record) == 200_000


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        (
            "cuts.toml",
            'start = "0:04.535147"\nstart_frame = 200000',
            'start = "9"\nstart_frame = 7',
            "delete the one",
        ),
        ("cuts.toml", "[[side]]", "[[side]", "cuts.toml cannot be read"),
        ("cuts.toml", 'title = "Song 2"', "title = 2", "text in quotes"),
        ("record.toml", "[shop]", "[use]\nA = 'two'\n[shop]", "the number of a take"),
    ],
)
def test_what_cannot_be_understood_is_refused_and_changes_nothing(
    record: Path, name: str, old: str, new: str, said: str
) -> None:
    path = record / name
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    before = path.read_bytes(), (record / HISTORY).read_bytes()
    for attempt in (lambda: read_choices(record), lambda: move(record), lambda: take_back(record, redo=True)):
        with pytest.raises(ShelfError, match=said) as caught:
            attempt()
        assert "\n" not in str(caught.value)
    assert (path.read_bytes(), (record / HISTORY).read_bytes()) == before


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("recipe.toml", b'size = "thorough"', b'size = "thorough'),
        ("recipe.toml", b'size = "thorough"', b"size = 3"),
        ("recipe.toml", b'size = "thorough"', b'loudness = "\xff\xfe"'),
        ("cuts.toml", b"[[side]]", b"[[side]"),
        ("cuts.toml", b'title = "Song 2"', b"title = 2"),
    ],
)
def test_undo_puts_a_broken_file_back_and_keeps_the_broken_one(
    record: Path, name: str, old: bytes, new: bytes
) -> None:
    with_recipe(record, Recipe(mend=MendSettings(size="thorough")))
    move(record)
    before, moved = read_choices(record), start(record)
    path = record / name
    assert old in path.read_bytes()
    broken = path.read_bytes().replace(old, new, 1)
    path.write_bytes(broken)
    with pytest.raises((ShelfError, ParameterError)):
        read_choices(record)
    _, entry = take_back(record)
    assert (entry.by, entry.code, entry.facts["files"]) == ("undo", "put-back", [name])
    now = read_choices(record)
    assert (now.recipe, now.sides) == (before.recipe, before.sides)
    (kept,) = record.glob(f"{path.stem}.spoilt-*.toml")
    assert kept.read_bytes() == broken
    # What was changed before it can be undone as ever, and nothing more.
    take_back(record)
    assert start(record) != moved
    assert read_choices(record).recipe.mend.size == "thorough"


def test_a_broken_file_without_a_history_is_left(record: Path) -> None:
    """Nobody knows what stood in it."""
    (record / HISTORY).unlink()
    (record / "cuts.toml").write_text("[[side]")
    with pytest.raises(ParameterError, match="nothing to undo"):
        take_back(record)
    assert (record / "cuts.toml").read_text() == "[[side]"
    assert not list(record.glob("*spoilt*"))


def test_other_edits_by_hand_are_taken_in(record: Path) -> None:
    cuts = record / "cuts.toml"
    text = cuts.read_text().replace('title = "Song 3"', 'title = "Moss"\nartist = "Ada Fenn"', 1)
    text = text.replace('music_start = "0:02.267574"', 'music_start = "0:02"', 1)
    cuts.write_text(text)
    (record / "sleeve.txt").write_text("Marrow Lane - The Orchard Hour (1974)\n")
    (found,) = [one for one in read_choices(record).sides if one.side == "A"]
    assert (found.tracks[2].title, found.tracks[2].artist, found.tracks[2].edited) == (
        "Moss",
        "Ada Fenn",
        True,
    )
    assert found.music_start_frame == 88_200
    assert found.is_a_persons
    take_back(record)
    assert (record / "sleeve.txt").read_text() == "Marrow Lane - The Orchard Hours (1974)\n"
    assert 'title = "Song 3"' in cuts.read_text()


@pytest.mark.parametrize(
    ("old", "new", "edge"),
    [
        ("music_start_frame = 100000", "music_start_frame = 88200", "start"),
        ('music_start = "0:02.267574"', 'music_start = "0:02"', "start"),
        ("\nstart_frame = 100000", "\nstart_frame = 88200", "start"),
        ("music_stop_frame = 390000", "music_stop_frame = 396900", "stop"),
        ('music_stop = "0:08.843537"', 'music_stop = "9"', "stop"),
        ("\nstop_frame = 390000", "\nstop_frame = 396900", "stop"),
    ],
)
def test_the_music_and_its_outer_tracks_begin_and_end_at_one_place(
    record: Path, old: str, new: str, edge: str
) -> None:
    """Copies are cut by the tracks: a start of the music that only the side knew would be no edit at all."""
    cuts = record / "cuts.toml"
    assert old in cuts.read_text()
    cuts.write_text(cuts.read_text().replace(old, new, 1))
    (found,) = [one for one in read_choices(record).sides if one.side == "A"]
    outer, wanted = (found.tracks[0], 88_200) if edge == "start" else (found.tracks[-1], 396_900)
    assert getattr(outer, f"{edge}_frame") == getattr(found, f"music_{edge}_frame") == wanted
    written = tomllib.loads(cuts.read_text())["side"][0]
    assert (
        written[f"music_{edge}_frame"]
        == written["track"][0 if edge == "start" else -1][f"{edge}_frame"]
        == wanted
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            (
                ("music_start_frame = 100000", "music_start_frame = 1"),
                ("\nstart_frame = 100000", "\nstart_frame = 2"),
            ),
            "one place",
        ),
        ((("music_start_frame = 100000", "music_start_frame = 195000"),), "beyond its track 1"),
    ],
)
def test_music_and_track_that_contradict_each_other_are_refused(
    record: Path, changes: tuple[tuple[str, str], ...], said: str
) -> None:
    cuts = record / "cuts.toml"
    text = cuts.read_text()
    for old, new in changes:
        text = text.replace(old, new, 1)
    cuts.write_text(text)
    with pytest.raises(ShelfError, match=said):
        read_choices(record)
    assert cuts.read_text() == text


@pytest.mark.parametrize("name", ["cuts.toml", "recipe.toml", "record.toml", "sleeve.txt", HISTORY])
@pytest.mark.parametrize("what", ["pipe", "device", "folder", "endless", "deep", "dots", "no text"])
def test_what_is_no_such_file_is_one_line_at_once(record: Path, name: str, what: str) -> None:
    """A pipe would wait for ever, a device fill the memory, half a million dots take hours."""
    path = record / name
    path.unlink(missing_ok=True)
    if what == "pipe":
        os.mkfifo(path)
    elif what == "device":
        path.symlink_to("/dev/zero")
    elif what == "folder":
        path.mkdir()
    else:
        content = {
            "endless": b"# x\n" * 1_300_000,
            "deep": b"a = " + b"[" * 400_000,
            "dots": b"a." * 400_000 + b"b = 1",
        }
        path.write_bytes(content.get(what, b"\xff\xfe\x00\xd8\x81"))
    said = ""
    try:
        read_choices(record)
    except (ShelfError, CopyError, ParameterError) as error:
        said = str(error)
    # any text is a sleeve; a spoilt history is set aside
    is_taken = (
        what in ("deep", "dots", "no text")
        if name == "sleeve.txt"
        else what not in ("pipe", "device", "folder")
    )
    assert bool(said) != (is_taken and name in ("sleeve.txt", HISTORY))
    assert "\n" not in said
    assert len(said) < 600


def test_choices_never_grow_past_what_can_be_read_again(
    record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(choices_module, "LONGEST_TEXT", 1500)
    before = (record / "cuts.toml").read_bytes(), (record / HISTORY).read_bytes()
    with pytest.raises(ShelfError, match="would grow past"):
        propose(record, *(side("C", take=f"{n:064x}") for n in range(20)))
    assert ((record / "cuts.toml").read_bytes(), (record / HISTORY).read_bytes()) == before


def test_choices_of_repairs_keep_their_order_and_their_comments(record: Path) -> None:
    one = MendChoice(take=TAKE[:16], repair="1843201L")
    many = MendChoice(of_kind="thump")
    back = MendChoice(do="mend", start_frame=5, stop_frame=90)
    with_recipe(record, Recipe(mend=MendSettings(choices=(one, many))))
    recipe = record / "recipe.toml"
    recipe.write_text(recipe.read_text().replace('of_kind = "thump"', 'of_kind = "thump" # boom'))
    with_recipe(record, Recipe(mend=MendSettings(choices=(one, many, back))))
    assert read_choices(record).recipe.mend.choices == (one, many, back)
    assert "# boom" in recipe.read_text()
    take_back(record)
    assert read_choices(record).recipe.mend.choices == (one, many)
    take_back(record, redo=True)
    with_recipe(record, Recipe(mend=MendSettings(choices=(back, one)), level=LevelSettings(target="none")))
    assert read_choices(record).recipe == Recipe(
        mend=MendSettings(choices=(back, one)), level=LevelSettings(target="none")
    )
    assert recipe_of({}) == Recipe()
