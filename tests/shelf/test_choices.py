"""Nothing decided is lost: the journal and the files, whatever a second window or a pulled plug does."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from sidekeep.errors import ChangedElsewhere, CopyError, ParameterError
from sidekeep.shelf.choices import choice_files
from sidekeep.shelf.choices.choices import read_choices, read_history, take_back
from sidekeep.shelf.choices.journal import HISTORY
from tests.shelf.chosen import chosen_record, move, propose, side, start


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return chosen_record(tmp_path)


def test_a_change_is_kept_undone_and_redone_also_after_a_restart(record: Path) -> None:
    move(record)
    assert start(record) == 205_000
    assert "start_frame = 205000" in (record / "cuts.toml").read_text()
    assert read_choices(record).can_undo
    choices, entry = take_back(record)
    assert start(record) == 200_000
    assert (entry.by, entry.code) == ("undo", "move-mark")
    assert (choices.can_undo, choices.can_redo) == (False, True)
    take_back(record, redo=True)
    assert start(record) == 205_000
    with pytest.raises(ParameterError) as caught:
        take_back(record, redo=True)
    assert caught.value.code == "nothing-to-redo"
    assert [entry.by for entry in read_history(record)][-3:] == ["person", "undo", "redo"]


def test_undo_passes_over_what_the_survey_did(record: Path) -> None:
    move(record)
    propose(record, side("C"))
    take_back(record)
    assert start(record) == 200_000
    assert {one.side for one in read_choices(record).sides} == {"A", "B", "C"}


def test_undo_is_refused_when_the_place_was_changed_since(record: Path) -> None:
    move(record)
    propose(record, side("A", moved=7))
    with pytest.raises(ChangedElsewhere, match="the cuts of side A"):
        take_back(record)


def test_a_stale_revision_writes_nothing(record: Path) -> None:
    revision = read_choices(record).revision
    move(record)
    before = (record / "cuts.toml").read_bytes(), (record / HISTORY).read_bytes()
    with pytest.raises(ChangedElsewhere) as caught:
        move(record, "B", revision=revision)
    assert caught.value.facts["revision"] == revision + 1
    assert ((record / "cuts.toml").read_bytes(), (record / HISTORY).read_bytes()) == before


def test_without_a_journal_everything_in_the_file_is_the_persons(record: Path) -> None:
    (record / HISTORY).unlink()
    sides = read_choices(record).sides
    assert sides
    assert all(one.is_a_persons for one in sides)
    assert [entry.code for entry in read_history(record)] == ["begun"]


def test_a_pulled_plug_before_the_file_is_rolled_forward(record: Path) -> None:
    old = (record / "cuts.toml").read_bytes()
    stat = (record / "cuts.toml").stat()
    move(record)
    (record / "cuts.toml").write_bytes(old)
    os.utime(record / "cuts.toml", ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert start(record) == 205_000
    assert "start_frame = 205000" in (record / "cuts.toml").read_text()


def test_a_file_put_back_by_hand_is_an_edit_not_an_accident(record: Path) -> None:
    old = (record / "cuts.toml").read_bytes()
    move(record)
    later = (record / HISTORY).stat().st_mtime_ns + 1_000_000_000
    (record / "cuts.toml").write_bytes(old)
    os.utime(record / "cuts.toml", ns=(later, later))
    assert start(record) == 200_000
    assert read_history(record)[-1].by == "by-hand"


@pytest.mark.parametrize("keep", [1, 20, -2])
def test_a_torn_last_line_is_cut_off(record: Path, keep: int) -> None:
    revision = read_choices(record).revision
    old = (record / "cuts.toml").read_bytes()
    whole = (record / HISTORY).read_bytes()
    move(record)
    (record / "cuts.toml").write_bytes(old)
    line = (record / HISTORY).read_bytes()[len(whole) :]
    (record / HISTORY).write_bytes(whole + line[:keep])
    assert read_choices(record).revision == revision
    move(record, frame=206_000)
    assert start(record) == 206_000
    for number, text in enumerate((record / HISTORY).read_text().splitlines(), 1):
        assert json.loads(text)["seq"] == number


def test_a_spoilt_journal_is_set_aside(record: Path) -> None:
    move(record)
    lines = (record / HISTORY).read_bytes().splitlines(keepends=True)
    (record / HISTORY).write_bytes(b"".join([lines[0][:30] + b"\n", *lines[1:]]))
    assert start(record) == 205_000
    (aside,) = record.glob("history.spoilt-*.jsonl")
    assert read_history(record)[0].facts == {"set_aside": aside.name}


def test_a_bit_that_rots_in_the_journal_moves_no_mark_and_breaks_nothing(record: Path) -> None:
    move(record)
    move(record, frame=206_000)
    whole = (record / HISTORY).read_bytes()
    files = {name: (record / name).read_bytes() for name in ("record.toml", "sleeve.txt")}
    cuts = (record / "cuts.toml").read_bytes()
    for at in range(5, len(whole), 97):
        rotten = bytearray(whole)
        rotten[at] ^= 1 << at % 7
        (record / HISTORY).write_bytes(rotten)
        assert start(record) == 206_000
        first = read_history(record)[0]
        assert "set_aside" in first.facts or (record / HISTORY).read_bytes().startswith(whole[: at // 2])
        assert {name: (record / name).read_bytes() for name in files} == files
        (record / "cuts.toml").write_bytes(cuts)  # where the journal is gone, all in it is a person's
        for aside in record.glob("history.spoilt-*.jsonl"):
            aside.unlink()


def test_lines_of_an_earlier_version_have_no_checksum_and_are_read(record: Path) -> None:
    move(record)
    lines = [json.loads(line) for line in (record / HISTORY).read_text().splitlines()]
    bare = "".join(json.dumps({name: line[name] for name in line if name != "sum"}) + "\n" for line in lines)
    (record / HISTORY).write_text(bare)
    assert [entry.seq for entry in read_history(record)] == [line["seq"] for line in lines]
    move(record, frame=206_000)
    assert len(read_history(record)) == len(lines) + 1
    # Where such a line rotted into what can be read and means nothing, it is as spoilt as any.
    (record / HISTORY).write_text(bare.replace('"cuts/', '"zuts/', 1))
    assert start(record) == 206_000
    assert len(list(record.glob("history.spoilt-*.jsonl"))) == 1


def test_a_full_disk_keeps_the_old_in_journal_and_files(
    record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (record / "cuts.toml").read_bytes(), (record / HISTORY).read_bytes()
    real = choice_files.whole_file

    def full(*arguments: object, **named: object) -> None:
        raise CopyError("disk-full", path="x")

    monkeypatch.setattr(choice_files, "whole_file", full)
    with pytest.raises(CopyError):
        move(record)
    monkeypatch.setattr(choice_files, "whole_file", real)
    assert ((record / "cuts.toml").read_bytes(), (record / HISTORY).read_bytes()) == before
    move(record)
    assert start(record) == 205_000
