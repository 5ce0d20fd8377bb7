"""Copies give way only to their own successors: everything else in the folder stays, and is told."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from sidekeep.copies.kept.history import HISTORY_NAME
from sidekeep.copies.kept.verify import verify_folder
from sidekeep.copies.run import successors
from sidekeep.copies.run.run import CopyRun
from sidekeep.errors import CopyError, ParameterError
from sidekeep.wording.findings import finding_text
from tests.copies.feeder import FOLDER, Feeder, record, tree


def only_b(feeder: Feeder) -> Feeder:
    """The same record with side B alone to be made."""
    later = Feeder(feeder.out)
    later.sides, later.takes = [feeder.sides[1]], [feeder.takes[1]]
    return later


def test_side_b_alone_leaves_the_tracks_of_side_a(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.copies("lossless,side")
    before = tree(tmp_path)
    later = only_b(feeder)
    later.copies("lossless,side", replace_existing=True, elsewhere={"A": 2})
    after = tree(tmp_path)
    side_a = [path for path in before if "01 Lamp Oil" in path or "02 Grüße" in path or "(side A)" in path]
    assert len(side_a) == 4
    assert {path: after.get(path) for path in side_a} == {path: before[path] for path in side_a}
    # The track of side B keeps its number, and the playlist still names all three.
    playlist = after[f"{FOLDER}/lossless/Tallow Wharf Almanac.m3u8"].decode()
    assert [line for line in playlist.splitlines() if line[0] != "#"] == [
        "01 Lamp Oil.flac",
        "02 Grüße.flac",
        "03 Tide Table.flac",
    ]
    assert [each.kind for each in later.findings] == ["copies-of-some-sides"]


@pytest.mark.parametrize("kind", ["record", "cd"])
def test_what_holds_both_sides_is_not_replaced_by_one(tmp_path: Path, kind: str) -> None:
    feeder = Feeder(tmp_path, lengths=((240_007, 231_111), (245_000,)))
    feeder.copies(kind)
    before = tree(tmp_path)
    with pytest.raises(CopyError, match="also belongs to side A"):
        only_b(feeder).copies(kind, replace_existing=True)
    assert tree(tmp_path) == before


def test_a_corrected_title_renames_the_folder(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.copies("lossless", takes=["1" * 64, "2" * 64])
    (tmp_path / FOLDER / "my notes.txt").write_text("mine", "utf-8")
    feeder.record = record(title="Tallow Wharf Almanack")
    feeder.copies("lossless", takes=["1" * 64, "2" * 64])
    (folder,) = tmp_path.iterdir()
    assert folder.name == "The Wicker Boats - Tallow Wharf Almanack (1971)"
    assert (folder / "my notes.txt").read_text("utf-8") == "mine"
    assert len(list(folder.rglob("*.flac"))) == 3
    assert [each.kind for each in feeder.findings] == ["copies-moved"]
    # Copies of another record beside it are none of its business.
    other = Feeder(tmp_path, record=record(title="Something Else"), key="take-9")
    other.copies("lossless", takes=["3" * 64])
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("path", ["../keep.txt", "/etc/keep.txt", "lossless/../../keep.txt", "..\\keep.txt"])
def test_a_history_that_names_a_file_outside_is_not_followed(tmp_path: Path, path: str) -> None:
    feeder = Feeder(tmp_path)
    feeder.copies("lossless")
    keep = tmp_path / "keep.txt"
    keep.write_text("keep", "utf-8")
    history = tmp_path / FOLDER / HISTORY_NAME
    value = json.loads(history.read_text("utf-8"))
    entry = dict(value["files"][0])
    entry |= {"path": path, "sha256": "6ca7ea2feefc88ecb5ed6356ed963f47dc9137f82526fdd25d618ea626d0803f"}
    value["files"].append(entry)
    history.write_text(json.dumps(value), "utf-8")
    feeder.record = record(titles=(("Lamp Oil", "Grüße"), ("Tide Tables",)))
    with pytest.raises(CopyError, match="outside its folder"):
        feeder.copies("lossless", replace_existing=True)
    assert keep.read_text("utf-8") == "keep"


def test_a_file_behind_a_link_is_not_removed(tmp_path: Path) -> None:
    """The folder of a kind was moved to another disk and linked: what lies there is not in this folder."""
    feeder = Feeder(tmp_path / "out")
    feeder.copies("lossless")
    place = tmp_path / "out" / FOLDER / "lossless"
    place.rename(tmp_path / "elsewhere")
    place.symlink_to(tmp_path / "elsewhere")
    feeder.record = record(titles=(("Lamp Oil", "Grüße"), ("Tide Tables",)))
    feeder.copies("lossless")
    assert (tmp_path / "elsewhere" / "03 Tide Table.flac").exists()
    assert "copies-kept" in [each.kind for each in feeder.findings]


def test_an_old_name_that_a_person_changed_stays_and_is_told(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.copies("wav")
    old = tmp_path / FOLDER / "wav" / "03 Tide Table.wav"
    old.write_bytes(old.read_bytes() + b"x")
    feeder.record = record(titles=(("Lamp Oil", "Grüße"), ("Tide Tables",)))
    feeder.copies("wav", replace_existing=True)
    assert old.exists()
    (told,) = [each for each in feeder.findings if each.kind == "copies-kept"]
    assert "03 Tide Table.wav" in finding_text(told, 1)


@pytest.mark.parametrize("how", ["same", "hard link", "link", "folder link"])
def test_an_input_is_never_an_output(tmp_path: Path, how: str) -> None:
    """Copies that were given in again as recordings: with --replace they would have gone."""
    feeder = Feeder(tmp_path / "out")
    feeder.copies("lossless")
    copy = tmp_path / "out" / FOLDER / "lossless" / "01 Lamp Oil.flac"
    given = tmp_path / "given.flac"
    if how == "same":
        given = copy
    elif how == "hard link":
        given.hardlink_to(copy)
    elif how == "link":
        given.symlink_to(copy)
    else:
        (tmp_path / "way in").symlink_to(tmp_path / "out")
        given = tmp_path / "way in" / FOLDER / "lossless" / "01 Lamp Oil.flac"
    before = copy.read_bytes()
    feeder.gain = 0.5
    with pytest.raises(ParameterError, match="only ever read"):
        feeder.copies("lossless", replace_existing=True, inputs=[given])
    assert copy.read_bytes() == before


def test_copies_do_not_go_into_a_bag_or_a_take(tmp_path: Path) -> None:
    for name in ("bagit.txt", "take.json"):
        place = tmp_path / name[:3]
        (place / "data").mkdir(parents=True)
        (place / name).write_text("x", "utf-8")
        with pytest.raises(ParameterError, match="where nothing is ever changed"):
            Feeder(place / "data").copies("lossless")
        assert sorted(path.name for path in place.rglob("*")) == sorted(["data", name])


def test_what_an_interrupted_run_left_is_not_written_through(tmp_path: Path) -> None:
    """A temporary name that is a link to something precious."""
    feeder = Feeder(tmp_path / "out")
    precious = tmp_path / "precious.wav"
    precious.write_bytes(b"precious")
    run = CopyRun(feeder.plan("lossless"))
    making = tmp_path / "out" / FOLDER / ".making"
    making.mkdir(parents=True)
    for planned in run.plan.files:
        (making / f"{planned.audio_key}.flac.00000000-7-1.part").symlink_to(precious)
    feeder.copies("lossless")
    assert precious.read_bytes() == b"precious"


def test_a_note_of_sides_from_before_is_read(tmp_path: Path) -> None:
    """Folders made before sides were noted: entries without them belong to the whole record."""
    feeder = Feeder(tmp_path)
    feeder.copies("lossless")
    history = tmp_path / FOLDER / HISTORY_NAME
    value = json.loads(history.read_text("utf-8"))
    for entry in value["files"]:
        entry.pop("sides")
        entry.pop("label")
    history.write_text(json.dumps(value), "utf-8")
    assert {each.action for each in feeder.copies("lossless")} == {"kept"}


@pytest.mark.parametrize("step", [1, 2, 3, 4])
def test_a_report_that_was_broken_off_at_any_step_is_known_as_our_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    Feeder(tmp_path).copies("lossless")
    folder = tmp_path / FOLDER
    successors.write_report_file(folder, b"first", replace=False, made_by="test")
    steps = iter(range(1, 10))

    def dying(whole: Callable[..., object]) -> Callable[..., object]:
        def call(*given: object, **facts: object) -> object:
            if next(steps) == step:
                raise KeyboardInterrupt
            return whole(*given, **facts)

        return call

    with monkeypatch.context() as context:
        for name in ("write_bytes", "write_history", "add_to_manifest"):
            context.setattr(successors, name, dying(getattr(successors, name)))
        with pytest.raises(KeyboardInterrupt):
            successors.write_report_file(folder, b"second", replace=False, made_by="test")
    successors.write_report_file(folder, b"second", replace=False, made_by="test")
    assert verify_folder(tmp_path).ok
    (folder / "report.html").write_bytes(b"a person's")
    with pytest.raises(CopyError):
        successors.write_report_file(folder, b"third", replace=False, made_by="test")
