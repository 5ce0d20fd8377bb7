"""The survey as a whole: the contract, truth, pieces against the whole, and everything that can be wrong."""

from __future__ import annotations

import io
import json
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.cli.main import main
from sidekeep.files.reading.reader import open_source, open_take
from sidekeep.flow.passes.contract import survey_object
from sidekeep.flow.passes.survey import Survey, survey_take
from sidekeep.flow.patches import PatchReader, PatchWriter
from sidekeep.flow.tracks.side_features import SideFeatures
from sidekeep.model.recipe import MendSettings
from sidekeep.model.record import Side
from sidekeep.service.choices.sleeves import load_sleeve
from tests.small_record import RATE_HZ, SLEEVE, play, small_record

CONTRACT: dict[str, Any] = {
    "schema": 1, "file": "", "rate_hz": 0, "channels": 0, "bits": 0, "length_frames": 0,
    "sides": [
        {
            "side": "", "needle_down_s": 0.0, "needle_up_s": 0.0, "music_start_s": 0.0, "music_stop_s": 0.0,
            "tracks": [
                {"number": 1, "title": "", "start_s": 0.0, "stop_s": 0.0, "confidence": 0.0, "boundary": ""}
            ],
        }
    ],
    "level": {
        "sample_peak_dbfs": 0.0, "true_peak_dbtp": 0.0, "integrated_lufs": 0.0, "range_lu": 0.0,
        "clipped_frames": 0, "dc": [0.0], "balance_db": 0.0,
    },
    "noise": {"groove_dbfs": 0.0, "hum_hz": 0.0, "hum_dbfs": 0.0, "rumble_dbfs": 0.0},
    "clicks": {"count": 0, "per_min": 0.0, "share_of_samples": 0.0},
    "turn": {"rpm": 0.0, "period_s": 0.0, "sd_ppm": 0.0, "from": ""},
    "findings": [{"kind": "", "start_s": 0.0, "stop_s": 0.0, "channel": "", "severity": "", "text": ""}],
}  # fmt: skip
"""Design section 7, word for word: fields may be added, never renamed or given another type."""


@pytest.fixture(scope="module")
def side_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("survey") / "side.wav"
    soundfile.write(path, small_record().a.audio, RATE_HZ, subtype="PCM_24")
    return path


def sleeve_side(folder: Path) -> tuple[Side, ...]:
    (folder / "sleeve.txt").write_text(SLEEVE)
    sleeve = load_sleeve(folder / "sleeve.txt")
    assert sleeve is not None
    return sleeve.record.sides[:1]


def surveyed(paths: list[Path]) -> tuple[Survey, bytes]:
    source, patches = open_take(paths), io.BytesIO()
    writer = PatchWriter(patches)
    survey = survey_take(
        source,
        file="take",
        sides=sleeve_side(paths[0].parent),
        mend=MendSettings(),
        patches=writer,
    )
    writer.close()
    return survey, patches.getvalue()


@pytest.fixture(scope="module")
def whole(side_file: Path) -> tuple[Survey, bytes]:
    return surveyed([side_file])


def check_shape(found: Any, wanted: Any, place: str = "") -> None:
    """Every promised field is there with its type; lists are checked by their first entry."""
    if isinstance(wanted, dict):
        assert isinstance(found, dict), place
        assert set(wanted) <= set(found), f"{place}: {set(wanted) - set(found)} missing"
        for name, value in wanted.items():
            check_shape(found[name], value, f"{place}.{name}")
    elif isinstance(wanted, list):
        assert isinstance(found, list), place
        for entry in found:
            check_shape(entry, wanted[0], place)
    elif isinstance(wanted, float):
        assert isinstance(found, int | float), place
    else:
        assert isinstance(found, type(wanted)), place


def test_the_object_keeps_the_contract(whole: tuple[Survey, bytes]) -> None:
    told = json.loads(json.dumps(survey_object(whole[0]), allow_nan=False))
    check_shape(told, CONTRACT)
    assert len(told["sides"]) == 1
    assert len(told["sides"][0]["tracks"]) == 2
    assert {track["boundary"] for track in told["sides"][0]["tracks"]} <= {"gap", "segue", "edge"}
    assert told["turn"]["from"] in ("clicks", "sway", "none")
    with_finding = replace(whole[0], findings=(*whole[0].findings, *_a_finding()))
    told = survey_object(with_finding)
    check_shape(told, CONTRACT)
    assert {found["severity"] for found in told["findings"]} <= {"note", "look", "act"}
    assert {found["channel"] for found in told["findings"]} <= {"L", "R", "both"}


def _a_finding() -> tuple[Any, ...]:
    from sidekeep.model.finding import Finding

    return (
        Finding(
            kind="hum",
            start_frame=0,
            stop_frame=10,
            severity="look",
            facts={"hum_hz": 50.0, "hum_dbfs": -50.0},
        ),
    )


def test_what_was_pressed_is_found(whole: tuple[Survey, bytes]) -> None:
    """Against the press's own truth."""
    survey, truth = whole[0], small_record().a.truth
    side = survey.cuts.sides[0]
    assert side.side == "A"
    assert abs(side.needle_down_frame - truth.needle_down_frame) < 0.3 * RATE_HZ
    assert abs(side.needle_up_frame - truth.needle_up_frame) < 0.3 * RATE_HZ
    for found, pressed in zip(side.tracks, truth.tracks, strict=True):
        assert abs(found.start_frame - pressed.start_frame) < 0.5 * RATE_HZ
    assert [track.title for track in side.tracks] == ["Dew on the Crates", "Second Sight"]
    assert survey.level.sample_peak_dbfs == pytest.approx(
        20.0 * np.log10(np.abs(small_record().a.audio).max()), abs=1e-6
    )
    assert survey.level.balance_db == pytest.approx(truth.settings["channel_gain_db"], abs=1.0)
    assert survey.clicks.count > 10
    assert survey.turn.source != "none"
    assert survey.turn.period_s == pytest.approx(truth.turn_period_s, rel=0.01)


def test_pieces_of_a_side_are_the_whole_side(
    side_file: Path, whole: tuple[Survey, bytes], tmp_path: Path
) -> None:
    """The same frames in three files give the same survey, number for number, and the same patches."""
    audio, _ = soundfile.read(side_file, dtype="int32", always_2d=True)
    paths = []
    for number, part in enumerate(np.split(audio, [65_536, 700_001])):
        paths.append(tmp_path / f"part {number}.wav")
        soundfile.write(paths[-1], part, RATE_HZ, subtype="PCM_24")
    joined, patches = surveyed(paths)
    assert patches == whole[1]
    for field in fields(Survey):
        mine, theirs = getattr(joined, field.name), getattr(whole[0], field.name)
        if field.name == "envelope":
            np.testing.assert_array_equal(mine, theirs)
        elif field.name in ("mended", "recorded"):
            np.testing.assert_array_equal(mine.powers, theirs.powers)
            np.testing.assert_array_equal(mine.peaks, theirs.peaks)
        else:
            assert mine == theirs, field.name


def test_the_mended_level_is_that_of_take_and_patches(side_file: Path, whole: tuple[Survey, bytes]) -> None:
    """What was measured while listening is what the render will write."""
    from sidekeep.dsp.level.true_peak import measure_true_peak

    take = open_source(side_file).read(0, whole[0].format.length_frames)
    mended = PatchReader(io.BytesIO(whole[1])).apply(0, take)
    assert not np.array_equal(mended, take)
    span = (3 * RATE_HZ, 20 * RATE_HZ)
    direct = measure_true_peak(mended[slice(*span)], rate_hz=RATE_HZ)
    assert whole[0].mended.true_peak([span]) == pytest.approx(direct, rel=1e-4)


class Broken(Exception):
    """Stands for any failure inside a meter."""


def test_a_failing_meter_fails_the_survey(side_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The meters run behind in a thread of their own; what goes wrong there must not be lost."""
    blocks = 0

    def fail_late(self: SideFeatures, block: NDArray[np.float64]) -> None:
        nonlocal blocks
        blocks += 1
        if blocks == 11:
            raise Broken

    monkeypatch.setattr(SideFeatures, "process", fail_late)
    source = open_source(side_file)
    assert -(-source.format.length_frames // 131_072) >= 12
    with pytest.raises(Broken):
        survey_take(source, file="x", sides=None, mend=MendSettings(enabled=False))


def test_what_is_not_a_number_becomes_silence_and_a_patch(tmp_path: Path) -> None:
    audio = _music()
    audio[50_000:50_010, 1] = np.nan
    audio[60_000] = np.inf
    path = tmp_path / "odd.wav"
    soundfile.write(path, audio, RATE_HZ, subtype="FLOAT")
    patches = io.BytesIO()
    writer = PatchWriter(patches)
    survey = survey_take(open_source(path), file="x", sides=None, mend=MendSettings(), patches=writer)
    writer.close()
    assert "not-a-number" in [finding.kind for finding in survey.findings]
    patches.seek(0)
    mended = PatchReader(patches).apply(0, open_source(path).read(0, len(audio)))
    assert np.isfinite(mended).all()


def test_mending_what_is_not_a_number_gives_numbers(tmp_path: Path) -> None:
    path = _write(tmp_path, "nan")
    assert main(["mend", str(path), str(tmp_path / "out.wav")]) == 1
    before, _ = soundfile.read(path, always_2d=True)
    after, _ = soundfile.read(tmp_path / "out.wav", always_2d=True)
    assert before.shape == after.shape
    assert np.isnan(before).any()
    assert np.isfinite(after).all()


# -- the bad, through the command line -------------------------------------------------------------------


def _music(seconds: float = 6.0) -> NDArray[np.float64]:
    rng = np.random.default_rng(3)
    audio = play(110.0, seconds)
    return audio + rng.normal(0.0, 1e-3, audio.shape)


def _short_tracks() -> NDArray[np.float64]:
    rng = np.random.default_rng(4)
    parts = [
        play(100.0 + 20 * number, 1.2) if number % 2 == 0 else np.zeros((RATE_HZ, 2)) for number in range(8)
    ]
    audio = np.concatenate(parts)
    return audio + rng.normal(0.0, 1e-3, audio.shape)


def _write(folder: Path, what: str) -> Path:
    path = folder / f"{what}.wav"
    music = _music()
    noise = np.random.default_rng(5).normal(0.0, 1e-7, music.shape)
    mid = music.mean(axis=1)
    sounds = {
        "mono": music[:, :1],
        "dual mono": np.repeat(music[:, :1], 2, axis=1),
        "dead channel": np.stack([music[:, 0], noise[:, 1]], axis=1),
        "out of phase": np.stack([mid + 0.05 * music[:, 0], -mid], axis=1),
        "16 in 24": np.round(music * 2**15) / 2**15,
        "silence": noise,
        "digital silence": np.zeros_like(music),
        "one second": music[:RATE_HZ],
        "a moment": music[:100],
        "no frames": music[:0],
        "very short tracks": _short_tracks(),
    }
    if what in sounds:
        soundfile.write(path, sounds[what], RATE_HZ, subtype="PCM_24")
    elif what == "nan":
        music[5000:5010] = np.nan
        soundfile.write(path, music, RATE_HZ, subtype="FLOAT")
    elif what == "empty file":
        path.write_bytes(b"")
    elif what == "text":
        path.write_text("Side A\nA1 Not A Sound 3:10\n" * 40)
    elif what == "truncated":
        soundfile.write(path, music, RATE_HZ, subtype="PCM_24")
        path.write_bytes(path.read_bytes()[: 3 * 2 * RATE_HZ * 3])
    elif what == "a folder":
        path.mkdir()
    return path


@pytest.mark.parametrize(
    ("what", "code", "finding"),
    [
        ("mono", 1, "mono-file"),
        ("dual mono", 1, "dual-mono"),
        ("dead channel", 1, "channel-dead"),
        ("out of phase", 1, "out-of-phase"),
        ("16 in 24", 1, "fewer-bits"),
        ("truncated", 1, "truncated-file"),
        ("nan", 1, "not-a-number"),
        ("silence", 1, "silent"),
        ("digital silence", 1, "silent"),
        ("one second", 1, "no-music"),
        ("a moment", 1, "too-short"),
        ("very short tracks", 1, "no-needle-down"),
    ],
)
def test_what_can_be_read_is_surveyed_with_a_finding(
    what: str, code: int, finding: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = _write(tmp_path, what)
    ended = main(["survey", str(path), "--json"])
    assert ended == code
    printed, complaint = capfd.readouterr()
    assert complaint == ""
    told = json.loads(printed)
    check_shape(told, CONTRACT)
    assert (ended == 1) == any(found["severity"] != "note" for found in told["findings"])
    kinds = [found["kind"] for found in told["findings"]]
    assert finding in kinds
    assert not {"silent", "noise-guessed"} <= set(
        kinds
    )  # where there is no sound, that of the groove is no question
    assert told["length_frames"] == soundfile.info(path).frames
    assert all("\n" not in found["text"] for found in told["findings"])


@pytest.mark.parametrize("what", ["empty file", "text", "no frames", "a folder", "nothing"])
def test_what_cannot_be_read_is_one_line_and_exit_code_2(
    what: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = _write(tmp_path, what)
    assert main(["survey", str(path)]) == 2
    printed, complaint = capfd.readouterr()
    assert printed == ""
    assert complaint.count("\n") == 1
    assert complaint.startswith("sidekeep: ")
    assert path.name in complaint
    assert "Traceback" not in complaint
