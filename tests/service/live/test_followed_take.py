"""The survey of a growing take is, byte for byte, the survey of the closed file."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from sidekeep.dsp.level.peak_pyramid import PeakBuilder, read_peaks
from sidekeep.files.reading.reader import open_source
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.flow.live.news import LiveEvent
from sidekeep.model.recipe import Recipe
from sidekeep.service.live.followed_take import FollowedTake
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.transfers import copies
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.surveys.kept_survey import kept_survey, newest_key
from sidekeep.shelf.take_bin import relabel_take
from tests.flow.test_survey_run import take as made_take
from tests.small_record import SLEEVE

KEPT = ("survey.json", "survey.npz", "mend.patches")


def record_folder(tmp_path: Path) -> RecordFolder:
    return RecordFolder.create(tmp_path / "record", sleeve=SLEEVE)


def pieces(audio: np.ndarray, seed: int) -> Iterator[np.ndarray]:
    """The take as the capture writes it: blocks of any size."""
    random = np.random.default_rng(seed)
    at = 0
    while at < len(audio):
        size = int(random.integers(1, 200_000))
        steps = np.nan_to_num(audio[at : at + size], posinf=0.0) * 2.0**23
        yield np.clip(np.rint(steps), -(2**23), 2**23 - 1).astype(np.int32)
        at += size


def record_and_follow(folder: RecordFolder, audio: np.ndarray, rate_hz: int, seed: int) -> list[LiveEvent]:
    """Write a take and survey it behind the writer, now nearer, now farther."""
    random = np.random.default_rng(seed)
    path = folder.new_take_folder("A") / "take.wav"
    writer = TakeWriter(path, rate_hz=rate_hz, channels=audio.shape[1], bits=24)
    followed = FollowedTake(path, folder, "A")
    events = [followed.begun()]
    for piece in pieces(audio, seed):
        writer.append(piece)
        if random.random() < 0.5:
            writer.sync()
        for _ in range(int(random.integers(0, 3))):
            events += followed.advance() or []
    writer.close()
    events += followed.conclude()
    take = close_recorded(folder, path, side="A")
    return [*events, *followed.keep(take.files[0].sha256)]


def kept(folder: RecordFolder) -> dict[str, bytes]:
    (take,) = folder.takes()
    take_folder = folder.path / take.folder
    key = newest_key(take_folder)
    assert key is not None
    return {name: (take_folder / "surveys" / key / name).read_bytes() for name in KEPT}


@pytest.mark.parametrize(
    ("name", "seed"),
    [("two tracks at 44.1 kHz", 1), ("mono at 96 kHz", 2), ("odd numbers at 48 kHz", 3)],
)
def test_what_is_kept_is_what_a_survey_of_the_closed_file_keeps(
    tmp_path: Path, name: str, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = record_folder(tmp_path)
    audio, rate_hz = made_take(name)
    record_and_follow(folder, audio, rate_hz, seed)
    live = kept(folder)
    (take,) = folder.takes()
    take_folder = folder.path / take.folder
    assert sorted(path.name for path in take_folder.iterdir()) == sorted(
        ["surveys", "peaks.bin", "take.json", "take.wav"]
    )
    sleeve = copies._sleeve(folder)
    with monkeypatch.context() as patch:
        patch.setattr(copies, "listen_to", None)  # what was kept is used: nothing is surveyed again
        (used,) = copies.survey_record(folder, folder.choose_takes(), sleeve, Recipe())
    assert used.survey.format.length_frames == len(audio)
    shutil.rmtree(take_folder / "surveys")
    copies.survey_record(folder, folder.choose_takes(), sleeve, Recipe())
    assert kept(folder) == live
    builder = PeakBuilder(rate_hz, audio.shape[1])
    builder.process(open_source(take_folder / "take.wav").read(0, len(audio)))
    again, whole = read_peaks((take_folder / "peaks.bin").read_bytes()), builder.result()
    assert [level.tobytes() for level in again.levels] == [level.tobytes() for level in whole.levels]


@pytest.mark.parametrize("when", ["before it was closed", "afterwards", "there and back"])
def test_a_take_that_is_another_side_is_kept_as_that_one(
    tmp_path: Path, when: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a survey of the renamed take would be, byte for byte, without listening to it again."""
    folder = record_folder(tmp_path)
    audio, rate_hz = made_take("two tracks at 44.1 kHz")
    path = folder.new_take_folder("A") / "take.wav"
    writer = TakeWriter(path, rate_hz=rate_hz, channels=audio.shape[1], bits=24)
    followed = FollowedTake(path, folder, "A")
    for piece in pieces(audio, 4):
        writer.append(piece)
    writer.close()
    take = close_recorded(folder, path, side="A")
    sides = {"before it was closed": "B", "afterwards": "AB", "there and back": "ABA"}[when]
    if when != "before it was closed":
        followed.conclude()
    for side in sides:
        take = relabel_take(folder, take, side)
        if when == "before it was closed":
            followed.conclude()  # the folder has its new name already
        followed.keep(take.files[0].sha256, folder.path / take.folder, side)
    mine = kept(folder)
    with monkeypatch.context() as patch:
        patch.setattr(copies, "listen_to", None)
        (used,) = copies.survey_record(folder, folder.choose_takes(), copies._sleeve(folder), Recipe())
    assert [side.side for side in used.survey.cuts.sides] == [sides[-1]]
    shutil.rmtree(folder.path / take.folder / "surveys")
    copies.survey_record(folder, folder.choose_takes(), copies._sleeve(folder), Recipe())
    assert kept(folder) == mine


def test_the_news_tells_what_the_survey_settles(tmp_path: Path) -> None:
    folder = record_folder(tmp_path)
    audio, rate_hz = made_take("two tracks at 44.1 kHz")
    events = record_and_follow(folder, audio, rate_hz, 5)
    (take,) = folder.takes()
    key = newest_key(folder.path / take.folder)
    found = kept_survey(folder.path / take.folder, key or "", "take")
    assert found is not None
    survey = found.survey
    by_code: dict[str, list[LiveEvent]] = {}
    for event in events:
        json.dumps(dict(event.facts), allow_nan=False)
        by_code.setdefault(event.code, []).append(event)
    assert set(by_code) >= {
        "live-begun",
        "live-level",
        "live-turns",
        "live-damage",
        "live-track",
        "live-settled",
    }
    level = by_code["live-level"][-1].facts
    assert level["sample_peak_dbfs"] <= survey.level.sample_peak_dbfs + 1e-2
    rows = [tuple(row[:3]) for event in by_code["live-damage"] for row in event.facts["repairs"]]
    assert len(rows) == len(set(rows))
    spans = {(repair.start_frame, repair.channel) for repair in survey.repairs}
    assert np.mean([(row[0], row[2]) in spans or (row[0], "both") in spans for row in rows]) > 0.8
    last = {event.facts["id"]: event.facts for event in by_code["live-boundary"]}
    settled = [facts["frame"] for facts in last.values() if facts["state"] == "settled"]
    assert settled == [track.start_frame for track in survey.cuts.sides[0].tracks if track.boundary != "edge"]
    assert all(event.facts["track"] in (None, 1, 2) for event in by_code["live-boundary"])
    assert by_code["live-settled"][-1].facts["repairs"] == len(survey.repairs)
    turns = by_code["live-turns"]
    numbers = [event.facts["first_turn"] + n for event in turns for n in range(len(event.facts["levels_db"]))]
    assert numbers == list(range(len(numbers)))
    assert {len(row) for event in turns for row in event.facts["levels_db"]} == {48}


def test_a_take_that_is_dropped_leaves_nothing(tmp_path: Path) -> None:
    folder = record_folder(tmp_path)
    path = folder.new_take_folder("A") / "take.wav"
    writer = TakeWriter(path, rate_hz=48_000, channels=2, bits=24)
    followed = FollowedTake(path, folder, "A")
    writer.append(np.zeros((200_000, 2), np.int32))
    writer.sync()
    while followed.advance() is not None:
        pass
    followed.abandon()
    writer.close()
    assert [each.name for each in path.parent.iterdir()] == ["take.wav"]
