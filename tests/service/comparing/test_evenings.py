"""What the shelf knows beside one pair of takes: other records of the same evenings, the history of a side, when to listen again."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sidekeep.cli.main import main
from sidekeep.dsp.alignment.rough import RoughLine
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.differences.bands import BandChange
from sidekeep.flow.comparison.laying.alignment import Alignment
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.flow.comparison.told.contract import comparison_object
from sidekeep.service.comparing.evening import evening_of
from sidekeep.service.comparing.history import history_lines, side_history, sides_due
from sidekeep.service.comparing.reminder import play_again_after, remind, reminders_due
from sidekeep.service.comparing.takes import NamedTake
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.wording.findings import finding_text

LAST_YEAR, TONIGHT = "2025-11-20T19:00:00+00:00", "2026-11-26T20:30:00+00:00"


def changed(inner_db: float, level_db: float = 0.0) -> Comparison:
    """A comparison in which the inner third's treble changed by ``inner_db`` and all of it by ``level_db``."""
    steps = np.arange(100.0)
    curve = TimeMap(start_s=0.0, step_s=1.0, new_s=steps, sd_s=np.full(100, 1e-6))
    line = RoughLine(offset_s=0.0, speed_ratio=1.0, share=1.0, chunks=14, correlation=0.9, alike=0.9)
    bands = [
        BandChange(
            hz=hz,
            part=part,
            channel=channel,
            change_db=level_db + (inner_db if part == "inner" and hz > 7000.0 else 0.0),
            detectable_db=0.1,
            frames=900,
        )
        for hz in (250.0, 500.0, 1000.0, 1995.0, 3981.0, 7943.0, 10_000.0, 12_589.0)
        for part in ("all", "outer", "middle", "inner")
        for channel in (0, 1)
    ]
    return Comparison(
        alignment=Alignment(line=line, curve=curve), covered=1.0, rate_hz=48_000, bands=tuple(bands)
    )


def put_take(record: RecordFolder, name: str, taken_utc: str) -> None:
    folder = record.path / "takes" / name
    folder.mkdir(parents=True)
    facts = {
        "schema": 1, "side": name[0], "number": int(name[2:]), "rate_hz": 48_000, "channels": 2, "bits": 24,
        "length_frames": 48_000, "files": [{"name": "take.wav", "size_bytes": 1, "sha256": "0" * 64}],
        "taken_utc": taken_utc,
    }  # fmt: skip
    (folder / "take.json").write_text(json.dumps(facts))


def keep(
    record: RecordFolder, comparison: Comparison, old: str, new: str, when: tuple[str, str], **more: Any
) -> None:
    folder = record.path / "comparisons" / f"{old} and {new}"
    folder.mkdir(parents=True)
    values = comparison_object(comparison, [], old, new)
    (folder / "comparison.json").write_text(
        json.dumps({**values, "old_taken_utc": when[0], "new_taken_utc": when[1], **more})
    )


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """Three records, each taken on both evenings."""
    for name in ("Charts", "Almanac", "Ledger"):
        record = RecordFolder.create(
            tmp_path / name, sleeve=f"The Wicker Boats - {name} (1971)\nSide A\nA1 Lamp Oil\n"
        )
        put_take(record, "A-1", LAST_YEAR)
        put_take(record, "A-2", TONIGHT)
    return tmp_path


def named(shelf: Path, record_name: str, take_name: str) -> NamedTake:
    record = RecordFolder(shelf / record_name)
    (take,) = [take for take in record.takes() if take.folder_name == take_name]
    return NamedTake(name=take_name, source=FileSource(Path("none")), paths=(), record=record, take=take)


def said(shelf: Path, comparison: Comparison) -> dict[str, str]:
    evening = evening_of(shelf, named(shelf, "Charts", "A-1"), named(shelf, "Charts", "A-2"))
    return {one.kind: finding_text(one, 48_000) for one in conclusions(comparison, evening)}


def test_wear_of_one_record_only_is_that_disc(shelf: Path) -> None:
    for name in ("Almanac", "Ledger"):
        keep(RecordFolder(shelf / name), changed(0.0), "A-1", "A-2", (LAST_YEAR, TONIGHT))
    told = said(shelf, changed(-1.2))
    assert "treble-stylus" not in told
    assert "Wear of the groove; none of 2 other records" in told["treble-worn"]


def test_what_every_record_of_the_evening_lost_is_the_stylus(shelf: Path) -> None:
    for name in ("Almanac", "Ledger"):
        keep(RecordFolder(shelf / name), changed(-1.1, -3.0), "A-1", "A-2", (LAST_YEAR, TONIGHT))
    told = said(shelf, changed(-1.2, -3.1))
    assert "treble-worn" not in told
    assert "not this disc; 2 of 2 other records" in told["treble-stylus"]
    assert "2 of 2 other records of these evenings moved the same way" in told["level-chain"]
    assert "compare-others" not in told


def test_a_loss_inside_that_no_other_third_can_be_held_against_is_never_no_change(shelf: Path) -> None:
    """Where only the inner third holds treble enough, its loss cannot be told from the stylus, but it is a change."""
    whole = changed(-0.5)
    inner_only = [band for band in whole.bands if band.part == "inner" or band.hz < 7000.0]
    marks = dataclasses.replace(whole, bands=tuple(inner_only))
    (unchanged,) = [one for one in conclusions(marks) if one.kind == "unchanged"]
    assert "treble_db" not in unchanged.facts
    # the middle third serves where the outer one holds too little
    middle_too = [band for band in whole.bands if band.part in ("inner", "middle") or band.hz < 7000.0]
    told = {one.kind: one for one in conclusions(dataclasses.replace(whole, bands=tuple(middle_too)))}
    assert told["treble-worn"].facts["change_db"] == pytest.approx(-0.5)


def test_comparisons_of_other_evenings_and_broken_ones_say_nothing(shelf: Path) -> None:
    keep(
        RecordFolder(shelf / "Almanac"), changed(-1.1), "A-1", "A-2", (LAST_YEAR, "2026-10-01T20:00:00+00:00")
    )
    (shelf / "Ledger" / "comparisons" / "A-1 and A-2").mkdir(parents=True)
    (shelf / "Ledger" / "comparisons" / "A-1 and A-2" / "comparison.json").write_text('{"old_taken_utc": 7')
    told = said(shelf, changed(-1.2))
    assert "a stylus that no longer reads short waves" in told["treble-worn"]
    assert "Almanac, Ledger. Compare them too" in told["compare-others"]


def test_history_of_a_side_adds_up_over_its_takes(shelf: Path) -> None:
    record = RecordFolder(shelf / "Charts")
    marks = {"persisting": 9, "new": [{}] * 4, "gone": [{}]}
    later = "2027-11-20T19:00:00+00:00"
    keep(record, changed(-0.4), "A-1", "A-2", (LAST_YEAR, TONIGHT), marks=marks)
    keep(record, changed(-0.5), "A-2", "A-3", (TONIGHT, later), marks=marks)
    keep(record, changed(-9.0), "B-1", "B-2", (LAST_YEAR, later), marks=marks)
    keep(record, changed(-9.0), "A-3", "A-1", (later, LAST_YEAR), marks=marks)
    points = side_history(record, "A")
    assert [(point.take, point.inside_db, point.marks) for point in points] == [
        ("A-1", 0.0, 0),
        ("A-2", pytest.approx(-0.4), 3),
        ("A-3", pytest.approx(-0.9), 6),
    ]
    treble, worn = history_lines(points, 340.0, 64.0)
    assert (treble["name"], treble["now"]) == ("Treble of the inner third", "−0.9\u00a0dB")
    assert worn["now"] == "+6"
    assert treble["places"][0] == (4.0, 32.0)
    assert treble["places"][2][0] == 340.0 - 4.0
    assert treble["places"][2][1] > treble["places"][1][1] > 32.0
    assert side_history(record, "C") == []


def test_sides_are_due_after_the_months_one_asks_for(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put_take(RecordFolder(shelf / "Charts"), "B-1", LAST_YEAR)
    now = datetime(2026, 11, 27, tzinfo=UTC)
    assert [(one.record, one.side) for one in sides_due(shelf, 12.0, now)] == [("Charts", "B")]
    assert sides_due(shelf, 13.0, now) == []
    assert main(["shelf", "--shelf", str(shelf), "again", "--months", "1199"]) == 0
    assert "no side was last taken more than 1199 months ago" in capsys.readouterr().out
    assert main(["shelf", "--shelf", str(shelf), "again", "--months", "0"]) == 2


def tides(shelf: Path) -> RecordFolder:
    """A record without takes."""
    return RecordFolder.create(shelf / "Tides", sleeve="The Wicker Boats - Tides (1973)\nSide A\nA1 Neap\n")


def test_a_date_changed_by_hand_hides_no_other_side(shelf: Path) -> None:
    """Without a time zone it is meant in UTC; what is no date, or lies at the end of time, is nobody's reminder."""
    record, now = tides(shelf), datetime(2026, 11, 27, tzinfo=UTC)
    put_take(record, "A-1", "2024-02-03T20:15:00")
    put_take(record, "B-1", "some day in May")
    put_take(record, "C-1", "9999-12-31T23:00:00+00:00")
    put_take(record, "D-1", LAST_YEAR)
    assert [one.side for one in sides_due(shelf, 12.0, now)] == ["A", "D"]


def test_of_takes_with_and_without_a_time_zone_the_newest_counts(shelf: Path) -> None:
    record, now = tides(shelf), datetime(2026, 11, 27, tzinfo=UTC)
    put_take(record, "A-1", "2024-02-03T20:15:00")
    put_take(record, "A-2", "2024-02-03T23:00:00+04:00")  # an hour and a quarter before the first
    (due,) = sides_due(shelf, 12.0, now)
    assert due.taken_utc == "2024-02-03T20:15:00"


@pytest.mark.parametrize("old", ["2025-11-20T19:00:00", "some day in May", ""])
def test_a_comparison_bears_a_date_changed_by_hand(old: str, shelf: Path) -> None:
    put_take(tides(shelf), "A-1", old)
    put_take(RecordFolder(shelf / "Tides"), "A-2", TONIGHT)
    evening = evening_of(shelf, named(shelf, "Tides", "A-1"), named(shelf, "Tides", "A-2"))
    assert len(evening.uncompared) == (3 if old.startswith("2025") else 0)


def test_a_record_is_due_from_its_day_on_until_it_is_taken(
    shelf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = RecordFolder(shelf / "Charts")
    again = ["shelf", "--shelf", str(shelf), "again"]
    assert main([*again, "charts", "--after", "2026-12-24"]) == 0
    assert capsys.readouterr().out.endswith(": to be played again after 2026-12-24\n")
    assert reminders_due(shelf, date(2026, 12, 23)) == []
    assert [one.record for one in reminders_due(shelf, date(2026, 12, 24))] == ["Charts"]
    # a take from before that day changes nothing, one from that day on does
    put_take(record, "B-1", "2026-12-23T20:00:00+00:00")
    assert len(reminders_due(shelf, date(2027, 1, 1))) == 1
    put_take(record, "B-2", "2026-12-24T20:00:00+00:00")
    assert reminders_due(shelf, date(2027, 1, 1)) == []
    assert main([*again, "charts", "--never"]) == 0
    assert capsys.readouterr().out.endswith(": no reminder\n")
    assert play_again_after(record) is None


def test_what_is_due_stands_at_the_top_of_the_shelf(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = RecordFolder.create(shelf / "Quay", sleeve="The Wicker Boats - Quay (1973)\nSide A\nA1 Tar\n")
    put_take(record, "A-1", "2019-06-01T19:00:00+00:00")
    remind(record, date(2020, 1, 31))
    for words in ([], ["again", "--months", "1199"]):
        assert main(["shelf", "--shelf", str(shelf), *words]) == 0
        assert capsys.readouterr().out.startswith("to be played again since 2020-01-31: Quay\n")


@pytest.mark.parametrize("text", ["after = 7\n", "after = \n", "", "after = [2020-01-31]\n"])
def test_a_reminder_edited_wrongly_is_told_and_reminds_of_nothing(
    shelf: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    (shelf / "Charts" / "again.toml").write_text(text)
    assert reminders_due(shelf, date(2099, 1, 1)) == []
    assert main(["shelf", "--shelf", str(shelf), "again", "charts"]) == 2
    assert capsys.readouterr().err.count("again.toml") == 1
    assert main(["shelf", "--shelf", str(shelf), "again", "charts", "--after", "2099-01-01"]) == 0


def test_a_day_is_written_as_a_day(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["shelf", "--shelf", str(shelf), "again", "charts", "--after", "next year"]) == 2
    assert "2030-01-31" in capsys.readouterr().err
    assert main(["shelf", "--shelf", str(shelf), "again", "--after", "2030-01-31"]) == 2
    assert "which record?" in capsys.readouterr().err
