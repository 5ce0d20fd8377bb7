"""A recording with next to no damage: what may be music again and again is left, told, and mended when a person says so."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.cli.main import main
from sidekeep.model.finding import Finding
from sidekeep.model.repair import Repair
from sidekeep.service.choices.repairs import open_findings
from sidekeep.service.mend import mend_file
from tests.flow.test_mend import music

RATE_HZ = 44_100
IN_PHASE_AT = (464_095, 500_321, 555_555)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three clicks that move both walls in phase, and a tick on one wall that is plain damage."""
    audio = music(14.0)
    click = 0.015 * np.exp(-0.4 * np.arange(14)) * np.sin(0.9 * np.arange(1, 15))
    for start in IN_PHASE_AT:
        audio[start : start + 14] += click[:, np.newaxis] * np.array([1.0, 0.7])
    audio[300_000:300_014, 1] += 16.0 * click
    path = tmp_path_factory.mktemp("clean") / "side.wav"
    soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")
    return path


def read(path: Path) -> NDArray[np.int32]:
    samples, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return np.asarray(samples)


def mended(
    recording: Path, folder: Path, capsys: pytest.CaptureFixture[str], *words: str
) -> tuple[NDArray[np.bool_], dict[str, list[dict[str, object]]]]:
    """Which frames were changed, and what ``--json`` prints."""
    out = folder / "out.wav"
    main(["mend", str(recording), str(out), "--json", "--replace", *words])
    told = json.loads(capsys.readouterr().out)
    return (read(out) != read(recording)).any(axis=1), told


def test_doubts_are_left_and_told_and_mended_when_asked(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    changed, told = mended(recording, tmp_path, capsys)
    assert changed[300_000:300_012].any()
    assert not changed[400_000:].any()
    starts = [each["start_frame"] for each in told["left"]]
    assert np.abs(np.array(starts) - IN_PHASE_AT).max() < 30
    assert {each["reason"] for each in told["left"]} == {"perhaps-music"}
    assert not {each["start_frame"] for each in told["repairs"]} & set(starts)
    assert [each["kind"] for each in told["findings"]] == ["left-in-doubt"] * 3

    one, taken = starts[1], tmp_path / "taken.wav"
    changed, told = mended(recording, tmp_path, capsys, "--mend-too", str(one), "--taken-out", str(taken))
    assert changed[500_300:500_350].any()
    assert not changed[520_000:].any()
    assert not changed[400_000:490_000].any()
    assert [each["start_frame"] for each in told["left"]] == [starts[0], starts[2]]
    assert [each["kind"] for each in told["findings"]] == ["left-in-doubt"] * 2
    assert (read(taken).any(axis=1) == changed).all()


def test_the_bar_goes_once_from_nothing_to_all(recording: Path, tmp_path: Path) -> None:
    """Where something is left in doubt all is written a second time: that is the last part of one bar."""
    told: list[float] = []
    mended = mend_file(recording, tmp_path / "out.wav", progress=lambda share, doing="": told.append(share))
    assert mended.left
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert max(b - a for a, b in zip(told, told[1:], strict=False)) < 0.2


def test_a_frame_that_fits_nothing_is_no_matter_of_a_recipe(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["mend", str(recording), str(tmp_path / "out.wav"), "--mend-too", "77"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "Look: Mend repairs at frame 77: so it was chosen, but this take has no such repair." in said


def test_what_was_taken_out_holds_nothing_of_what_was_left(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = tmp_path / "taken.wav"
    changed, _ = mended(recording, tmp_path, capsys, "--taken-out", str(taken))
    assert (read(taken).any(axis=1) == changed).all()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.wav", "taken.wav"]


def test_one_that_is_left_by_choice_says_so(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, told = mended(recording, tmp_path, capsys)
    (tick,) = [each["start_frame"] for each in told["repairs"] if each["start_frame"] < 400_000]  # type: ignore[operator]
    changed, told = mended(recording, tmp_path, capsys, "--leave", str(tick))
    assert not changed.any()
    assert [each["reason"] for each in told["left"]] == ["chosen"] + ["perhaps-music"] * 3


def test_frames_that_are_no_numbers_are_one_line(recording: Path, tmp_path: Path) -> None:
    assert main(["mend", str(recording), str(tmp_path / "out.wav"), "--mend-too", "12,x"]) == 2


def test_what_was_said_of_a_place_ends_when_it_is_decided_otherwise() -> None:
    repairs = [
        Repair(start_frame=at, stop_frame=at + 9, channel="L", kind="tick", size_db=30.0, in_doubt=at < 300)
        for at in (100, 200, 300)
    ]
    findings = [
        Finding(kind=kind, start_frame=0, stop_frame=1, facts={"repair": repair.id})
        for kind, repair in zip(("left-in-doubt", "left-in-doubt", "perhaps-music"), repairs, strict=True)
    ]
    hum = Finding(kind="hum", start_frame=0, stop_frame=1)
    kept = {
        left: [
            findings.index(one)
            for one in open_findings([*findings, hum], repairs, frozenset(left))
            if one != hum
        ]
        for left in ((0, 1), (1,), (1, 2), (0, 1, 2), ())
    }
    assert kept == {(0, 1): [0, 1, 2], (1,): [1, 2], (1, 2): [1], (0, 1, 2): [0, 1], (): [2]}
