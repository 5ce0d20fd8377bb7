"""Choices under attack: the process killed or the disk full at every single step of a change, and two processes at once."""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from sidekeep.errors import CopyError
from sidekeep.model.recipe import LevelSettings, Recipe
from sidekeep.shelf.choices.choice_files import put_side
from sidekeep.shelf.choices.choices import Choices, change_choices, read_choices, read_history, take_back
from sidekeep.shelf.choices.journal import HISTORY, State, read_journal
from sidekeep.shelf.choices.recipe_file import put_recipe
from tests.shelf.test_choices import side

OLD, NEW = 100_000, 104_000
TOP = Path(__file__).parents[2]
"""Where ``tests`` can be imported from."""
CHANGE = """
import errno, os, shutil, sys
from pathlib import Path
from sidekeep.errors import CopyError
from tests.shelf.test_choices_attacked import change_both

how, source, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
real = {name: getattr(os, name) for name in ("replace", "fsync", "rename", "ftruncate")}
for step in range(60):
    record = out / str(step)
    shutil.copytree(source, record)
    child = os.fork()
    if child == 0:
        left = [step]

        def guarded(name):
            def call(*arguments, **named):
                left[0] -= 1
                if left[0] < 0 and how == "full":
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                if left[0] < 0:
                    os._exit(9)
                return real[name](*arguments, **named)
            return call

        for name in real:
            setattr(os, name, guarded(name))
        try:
            change_both(record)
        except CopyError as error:
            os._exit(8 if error.code == "disk-full" else 7)
        except BaseException:
            os._exit(6)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    code = os.waitstatus_to_exitcode(status)
    print(step, code, flush=True)
    if code == 0:
        break
"""


def change_both(record: Path) -> None:
    """One change of two files: a mark of side A, and the level."""

    def change(state: State) -> State:
        put_side(state, side("A", moved=NEW - OLD))
        put_recipe(state, Recipe(level=LevelSettings(target="none")))
        return state

    change_choices(record, "both", {}, change)


def as_seen(choices: Choices) -> tuple[int, str]:
    (found,) = [one for one in choices.sides if one.side == "A"]
    return found.tracks[0].start_frame, choices.recipe.level.target


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("attacked") / "record"
    folder.mkdir()
    (folder / "record.toml").write_text('# mine\nid = "x"\n')
    (folder / "sleeve.txt").write_text("Marrow Lane - The Orchard Hours (1974)\n")

    def propose(state: State) -> State:
        put_side(state, side("A"))
        put_side(state, side("B"))
        put_recipe(state, Recipe(level=LevelSettings(target="peak", peak_dbtp=-2.0)))
        return state

    change_choices(folder, "proposed", {}, propose, by="survey")
    return folder


@pytest.mark.parametrize("how", ["killed", "full"])
def test_a_change_that_ends_at_any_step_is_whole_or_not_there(how: str, record: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CHANGE, how, str(record), str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
        cwd=TOP,
    )
    ended = [tuple(map(int, line.split())) for line in done.stdout.splitlines()]
    assert len(ended) > 4
    assert {code for _, code in ended[:-1]} == ({9} if how == "killed" else {8})
    assert ended[-1][1] == 0
    seen = set()
    for step, _ in ended:
        folder = tmp_path / str(step)
        found = read_choices(folder)
        assert as_seen(found) in ((OLD, "peak"), (NEW, "none")), step
        seen.add(as_seen(found))
        # What the files say is what the history says, also to whoever comes next.
        assert as_seen(read_choices(folder)) == as_seen(found)
        assert "# mine" in (folder / "record.toml").read_text()
        if as_seen(found) == (NEW, "none"):
            assert as_seen(take_back(folder)[0]) == (OLD, "peak"), step
        else:
            change_both(folder)
            assert as_seen(read_choices(folder)) == (NEW, "none"), step
        assert [entry.seq for entry in read_history(folder)] == list(
            range(1, 1 + read_choices(folder).revision)
        )
    assert seen == {(OLD, "peak"), (NEW, "none")}


HANDS = """
import json, random, sys
from pathlib import Path
from sidekeep.errors import ChangedElsewhere, ParameterError
from sidekeep.shelf.choices.choice_files import put_side
from sidekeep.shelf.choices.choices import change_choices, take_back
from tests.shelf.test_choices import side

record, seed = Path(sys.argv[1]), int(sys.argv[2])
rng, made = random.Random(seed), []
print("ready", flush=True)
sys.stdin.readline()
for number in range(40):
    letter, moved = rng.choice("AB"), rng.randrange(1, 4_000)

    def change(state):
        put_side(state, side(letter, moved=moved))
        return state

    try:
        kind = rng.choice(("move", "move", "move", "undo", "redo"))
        entry = change_choices(record, "move", {"by": seed, "number": number}, change)[1] if kind == "move" else (
            take_back(record, redo=kind == "redo")[1])
    except (ParameterError, ChangedElsewhere):
        continue  # nothing to undo, or the other one was there first
    if entry is not None:
        made.append([entry.seq, entry.code])
print(json.dumps(made), flush=True)
"""


def test_two_processes_that_change_undo_and_redo_lose_nothing(record: Path, tmp_path: Path) -> None:
    folder = tmp_path / "record"
    shutil.copytree(record, folder)
    before = read_choices(folder).revision
    hands = [
        subprocess.Popen(
            [sys.executable, "-c", HANDS, str(folder), str(seed)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=TOP,
        )
        for seed in random.Random(3).sample(range(1000), 2)
    ]
    for hand in hands:
        assert hand.stdout is not None
        assert hand.stdout.readline() == "ready\n"
    made: list[list[object]] = []
    for hand in hands:
        assert hand.stdin is not None
        hand.stdin.write("go\n")
        hand.stdin.flush()
    for hand in hands:
        out, _ = hand.communicate(timeout=120)
        assert hand.returncode == 0
        made += json.loads(out)
    entries = read_history(folder)[before:]
    # Every change that a process was told of stands in the history, once, and nothing else does.
    assert [entry.seq for entry in entries] == list(range(before + 1, before + 1 + len(entries)))
    assert sorted(made, key=str) == sorted(([entry.seq, entry.code] for entry in entries), key=str)
    assert len(made) > 30
    # The files say what the history says: nobody finds a change by hand that no hand made.
    state = read_journal(folder).state
    read_choices(folder)
    assert read_journal(folder).state == state
    assert len((folder / HISTORY).read_bytes().splitlines()) == len(read_history(folder))


def test_what_was_refused_before_a_file_got_its_name_is_not_there_afterwards(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The journal has the change already when the disk refuses the first name: a person who was told of a failure must not find
    the change made at the next look."""
    folder = tmp_path / "record"
    shutil.copytree(record, folder)
    before = read_history(folder)
    real = os.replace

    def refuse(part: Path, final: Path) -> None:
        if final.name.endswith(".toml"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(part, final)

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", refuse)
        with pytest.raises(CopyError, match="disk is full"):
            change_both(folder)
    assert as_seen(read_choices(folder)) == (OLD, "peak")
    assert [entry.seq for entry in read_history(folder)] == [entry.seq for entry in before]
