"""Survey and patches are kept as one: whole, under their key, or not at all."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sidekeep.errors import CopyError
from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.passes.survey import Survey
from sidekeep.flow.patches import PatchPiece, PatchPieces, PatchReader
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.model.finding import Finding
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.recipe import MendSettings
from sidekeep.model.repair import Repair
from sidekeep.shelf.surveys import draft as survey_draft
from sidekeep.shelf.surveys import kept_survey as kept_module
from sidekeep.shelf.surveys.draft import KEPT, SurveyDraft
from sidekeep.shelf.surveys.files import SURVEYS
from sidekeep.shelf.surveys.kept_survey import kept_survey, newest_key, survey_key
from tests.outside import files_no_larger_than


def survey(title: str = "Moss") -> Survey:
    levels = KeptLevels(window_frames=4410, powers=np.array([0.1, 0.2]), peaks=np.array([0.5, 0.6, 0.7]))
    track = Track(number=1, title=title, start_frame=10, stop_frame=9000, confidence=0.5, boundary="edge")
    side = SideCuts(
        side="A",
        needle_down_frame=0,
        needle_up_frame=9900,
        music_start_frame=10,
        music_stop_frame=9000,
        tracks=(track,),
    )
    return Survey(
        file="take",
        format=AudioFormat(rate_hz=44100, channels=2, bits=24, length_frames=10_000),
        cuts=Cuts(rate_hz=44100, sides=(side,)),
        level=Level(
            sample_peak_dbfs=-3.0,
            true_peak_dbtp=-2.5,
            integrated_lufs=-20.0,
            range_lu=4.0,
            clipped_frames=0,
            dc=(0.0, 1e-5),
            balance_db=0.1,
        ),
        noise=Noise(groove_dbfs=-60.0, hum_hz=50.0, hum_dbfs=-80.0, rumble_dbfs=-55.0),
        clicks=Clicks(count=2, per_min=1.5, share_of_samples=0.001),
        turn=Turn(rpm=33.3, period_s=1.8, sd_ppm=40.0, source="clicks"),
        findings=(Finding(kind="hum", start_frame=0, stop_frame=5, facts={"hum_hz": 50.0}),),
        repairs=(
            Repair(start_frame=100, stop_frame=110, channel="L", kind="tick", size_db=30.25, in_doubt=True),
            Repair(start_frame=400, stop_frame=900, channel="both", kind="thump", size_db=11.5),
        ),
        envelope=np.linspace(0.0, 1.0, 7),
        mended=levels,
        recorded=replace(levels, peaks=levels.peaks * 2.0),
    )


def keep(folder: Path, key: str, value: float = 0.5, title: str = "Moss") -> None:
    draft = SurveyDraft(folder)
    draft.patches.add(PatchPieces.of([PatchPiece(100, 0, "replace", np.full(10, value), 0)]))
    draft.patches.set_owners([0])
    draft.finish(survey(title), key)


def test_a_survey_comes_back_as_it_was(tmp_path: Path) -> None:
    keep(tmp_path, "k1")
    kept = kept_survey(tmp_path, "k1", "take")
    assert kept is not None
    mine, theirs = survey(), kept.survey
    assert theirs.repairs == mine.repairs
    assert theirs.cuts == mine.cuts
    assert theirs.findings == mine.findings
    assert (theirs.level, theirs.noise, theirs.clicks, theirs.turn) == (
        mine.level,
        mine.noise,
        mine.clicks,
        mine.turn,
    )
    for name in ("mended", "recorded"):
        np.testing.assert_array_equal(getattr(theirs, name).peaks, getattr(mine, name).peaks)
        np.testing.assert_array_equal(getattr(theirs, name).powers, getattr(mine, name).powers)
    np.testing.assert_array_equal(theirs.envelope, mine.envelope)
    with kept.patches_path.open("rb") as file:
        assert PatchReader(file).facts == {"key": "k1"}
    assert [path.name for path in (tmp_path / SURVEYS).iterdir()] == ["k1"]
    assert kept_survey(tmp_path, "k2", "take") is None
    assert newest_key(tmp_path) == "k1"


def test_the_newest_survey_is_the_one_made_or_used_last_and_a_half_made_one_is_none(tmp_path: Path) -> None:
    for at_s, key in enumerate(("k1", "k3", "k2")):
        keep(tmp_path, key, 0.5)
        os.utime(tmp_path / SURVEYS / key, (at_s, at_s))
    (tmp_path / SURVEYS / "k9").mkdir()
    assert newest_key(tmp_path) == "k2"
    os.utime(tmp_path / SURVEYS / "k1", (9.0, 9.0))
    assert newest_key(tmp_path) == "k1"
    assert newest_key(tmp_path / "no take") is None


@pytest.mark.parametrize("name", ["survey.json", "survey.npz", "mend.patches", "sums.json"])
def test_another_surveys_file_or_a_flipped_byte_is_no_survey(tmp_path: Path, name: str) -> None:
    """Old and new are never paired, whichever file a crash, a copy or a failing disk changed."""
    keep(tmp_path, "k1", 0.5)
    keep(tmp_path, "k2", -0.25, title="Fern")
    one, other = tmp_path / SURVEYS / "k1", tmp_path / SURVEYS / "k2"
    shutil.copy(other / name, one / name)
    assert kept_survey(tmp_path, "k1", "take") is None
    raw = bytearray((other / name).read_bytes())
    raw[len(raw) // 2] ^= 4
    (other / name).write_bytes(raw)
    assert kept_survey(tmp_path, "k2", "take") is None
    keep(tmp_path, "k2", -0.25, title="Fern")
    kept = kept_survey(tmp_path, "k2", "take")
    assert kept is not None
    assert kept.survey.cuts.sides[0].tracks[0].title == "Fern"


def test_a_stop_at_any_moment_keeps_the_old_or_the_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every file operation of the keeping fails in turn, as on a full disk: what is found afterwards is whole."""
    keep(tmp_path, "k1")
    calls = {"left": 0}
    real = {name: getattr(os, name) for name in ("rename", "replace")}

    def failing(name: str):  # type: ignore[no-untyped-def]
        def call(*arguments):  # type: ignore[no-untyped-def]
            calls["left"] -= 1
            if calls["left"] < 0:
                raise OSError(28, "No space left on device")
            return real[name](*arguments)

        return call

    real["flush_file"] = survey_draft.flush_file
    real["flush_folder"] = survey_draft.flush_folder
    monkeypatch.setattr(survey_draft.os, "rename", failing("rename"))
    monkeypatch.setattr(survey_draft, "flush_file", failing("flush_file"))
    monkeypatch.setattr(survey_draft, "flush_folder", failing("flush_folder"))
    done = False
    for allowed in range(20):
        calls["left"] = allowed
        try:
            keep(tmp_path, "k2", 0.25)
            done = True
        except CopyError:
            pass
        calls["left"] = 1000
        assert kept_survey(tmp_path, "k1", "take") is not None
        found = kept_survey(tmp_path, "k2", "take")
        assert found is not None or not done
        assert not list((tmp_path / SURVEYS).glob(".draft*"))
        if done:
            break
    assert done
    assert allowed >= 5


def test_the_least_used_surveys_go(tmp_path: Path) -> None:
    for number in range(KEPT + 2):
        keep(tmp_path, f"k{number}")
        os.utime(tmp_path / SURVEYS / f"k{number}", (1000.0 + number, 1000.0 + number))
    names = {path.name for path in (tmp_path / SURVEYS).iterdir()}
    assert len(names) == KEPT
    assert f"k{KEPT + 1}" in names
    assert "k0" not in names


def killed_while_it_listened(take_folder: Path) -> Path:
    """The draft that a killed process leaves in a take's folder."""
    before = set((take_folder / SURVEYS).glob("*"))
    script = (
        "import os, sys; from pathlib import Path; from sidekeep.shelf.surveys.draft import SurveyDraft; "
        "draft = SurveyDraft(Path(sys.argv[1])); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", script, str(take_folder)], check=False)
    (left,) = set((take_folder / SURVEYS).glob(".draft*")) - before
    return left


def test_a_forgotten_draft_is_cleared_and_a_live_one_stays(tmp_path: Path) -> None:
    live = SurveyDraft(tmp_path)
    dead = killed_while_it_listened(tmp_path)
    other = SurveyDraft(tmp_path)
    assert not dead.exists()
    live.patches.set_owners([0])
    live.patches.add(PatchPieces.of([PatchPiece(100, 0, "replace", np.zeros(10), 0)]))
    assert live.finish(survey(), "k").patches_path.exists()
    other.abandon()
    assert [path.name for path in (tmp_path / SURVEYS).iterdir()] == ["k"]


def test_the_key_holds_what_decides_the_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    def key(sums: tuple[str, ...] = ("a",), sides: str = "A", times: object = (1, 2), **mend: object) -> str:
        return survey_key(sums, sides, times, MendSettings(**mend))  # type: ignore[arg-type]

    assert key() == key()
    assert (
        len({key(), key(("b",)), key(sides="B"), key(times=(1, 3)), key(size="gentle"), key(enabled=False)})
        == 6
    )
    assert key(leave=(5,)) == key(), "what is left is a choice at the time of rendering"
    before = key()
    monkeypatch.setattr(kept_module, "mender_identity", lambda: "another")
    assert key() != before


def test_numbers_of_numpy_are_kept_like_any_other(tmp_path: Path) -> None:
    """Kernels give them: a survey with one in its evidence could not be kept at all."""
    found = Finding(
        kind="hum", start_frame=0, stop_frame=9, facts={"hz": np.float64(50.25), "n": np.int64(3)}
    )  # type: ignore[dict-item]
    draft = SurveyDraft(tmp_path)
    draft.finish(replace(survey(), findings=(found,)), "key")
    kept = kept_survey(tmp_path, "key", "take")
    assert kept is not None
    assert dict(kept.survey.findings[0].facts) == {"hz": 50.25, "n": 3}


def test_a_draft_that_the_disk_does_not_take_names_its_place(tmp_path: Path) -> None:
    """Was told as "No space left on device" and no word more."""
    draft = SurveyDraft(tmp_path)
    pieces = [PatchPiece(start, 0, "replace", np.ones(1_000), 0) for start in range(0, 20_000, 1_000)]
    with files_no_larger_than(20_000), pytest.raises(CopyError, match=f"{SURVEYS}: .*file grows past"):
        draft.patches.add(PatchPieces.of(pieces))
    draft.abandon()
