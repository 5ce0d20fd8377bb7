"""Every example is a whole program that runs, and prints what it promises."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.dsp.level.peak_pyramid import read_peaks
from sidekeep.press.disc.settings import used_lp
from sidekeep.press.disc.side import Piece, press_side

FOLDER = Path(__file__).parents[1] / "examples"
EXAMPLES = sorted(path.stem for path in FOLDER.glob("*.py"))
RATE_HZ = 44_100
SLEEVE = "The Wicker Boats - Tallow Wharf Almanac (1971)\nSide A\nA1 Lamp Oil 0:06\nA2 Slack Water 0:05\n"


def main_of(name: str) -> Callable[[Sequence[str]], int]:
    specification = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    main: Callable[[Sequence[str]], int] = module.main
    return main


@dataclass(frozen=True)
class Side:
    """A short pressed side on disk and what is true of it."""

    take: Path
    sleeve: Path
    audio: np.ndarray
    starts_s: tuple[float, ...]


@pytest.fixture(scope="module")
def side(tmp_path_factory: pytest.TempPathFactory) -> Side:
    folder = tmp_path_factory.mktemp("examples")

    def piece(seconds: float, pitch_hz: float) -> Piece:
        time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        sound = sum(np.sin(2 * np.pi * pitch_hz * n * time_s) / n for n in (1, 2, 3, 5))
        fade = np.minimum(1.0, np.minimum(time_s, seconds - time_s) / 0.3)[:, None]
        return Piece(audio=np.stack([sound, np.roll(sound, 25)], axis=1) * fade * 0.2, title="x", gap_s=2.5)

    settings = used_lp(needle_down_lead_s=1.5, lead_in_s=2.0, needle_up_tail_s=1.5, run_out_turns=2)
    pressed = press_side([piece(6.0, 220.0), piece(5.0, 277.0)], rate_hz=RATE_HZ, settings=settings, seed=4)
    soundfile.write(folder / "side-A.wav", pressed.audio, RATE_HZ, subtype="PCM_24")
    (folder / "sleeve.txt").write_text(SLEEVE, "utf-8")
    return Side(
        take=folder / "side-A.wav",
        sleeve=folder / "sleeve.txt",
        audio=soundfile.read(folder / "side-A.wav", always_2d=True)[0],
        starts_s=tuple(track.start_frame / RATE_HZ for track in pressed.truth.tracks),
    )


@pytest.mark.parametrize("name", EXAMPLES)
def test_help_is_there_and_the_docstring_opens_it(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main_of(name)(["--help"])
    assert ended.value.code == 0
    first = (FOLDER / f"{name}.py").read_text("utf-8").splitlines()[0].strip('"')
    assert first in " ".join(capsys.readouterr().out.split())
    assert name in (FOLDER / "README.md").read_text("utf-8")


def test_every_example_is_run_here() -> None:
    text = Path(__file__).read_text("utf-8")
    assert [name for name in EXAMPLES if f'main_of("{name}")' not in text] == []


def test_loudness_of_a_folder(side: Side, capsys: pytest.CaptureFixture[str]) -> None:
    from sidekeep.dsp.level.loudness import measure_loudness

    assert main_of("loudness_of_a_folder")([str(side.take.parent)]) == 0
    out = capsys.readouterr().out
    loudness_lufs = measure_loudness(side.audio, rate_hz=RATE_HZ).integrated_lufs
    assert re.search(rf"{loudness_lufs:7.1f} .*side-A\.wav", out)
    assert "not measured: " in out
    assert "sleeve.txt" in out


def test_find_damage(side: Side, capsys: pytest.CaptureFixture[str]) -> None:
    main = main_of("find_damage")
    assert main([str(side.take), "--least", "30"]) == 0
    few = capsys.readouterr().out.splitlines()
    assert main([str(side.take), "--least", "0"]) == 0
    many = capsys.readouterr().out.splitlines()
    assert 1 < len(few) < len(many)
    assert re.fullmatch(
        r" +0:\d\d\.\d{3}  (tick|pop|crackle|thump) +(L|R|both) +[\d.]+ ms +[\d.]+ dB", few[0]
    )


def test_cut_by_sleeve(side: Side, tmp_path: Path) -> None:
    assert main_of("cut_by_sleeve")([str(side.take), str(side.sleeve), "--out", str(tmp_path / "out")]) == 0
    paths = sorted((tmp_path / "out").iterdir())
    assert [path.name for path in paths] == ["A1 Lamp Oil.flac", "A2 Slack Water.flac"]
    for path, start_s in zip(paths, side.starts_s, strict=True):
        track, rate_hz = soundfile.read(path, always_2d=True)
        assert rate_hz == RATE_HZ
        # The samples of the track are those of the take, at the place where its music was pressed.
        places = [
            at
            for at in range(round((start_s - 0.5) * RATE_HZ), round((start_s + 0.5) * RATE_HZ))
            if np.array_equal(side.audio[at : at + 8], track[:8])
        ]
        assert len(places) == 1
        np.testing.assert_array_equal(side.audio[places[0] : places[0] + len(track)], track)


def test_mend_block_by_block(side: Side, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main = main_of("mend_block_by_block")
    assert main([str(side.take), str(tmp_path / "one.wav")]) == 0
    assert main([str(side.take), str(tmp_path / "two.wav"), "--block", "1777"]) == 0
    one, two = (soundfile.read(tmp_path / name, always_2d=True)[0] for name in ("one.wav", "two.wav"))
    np.testing.assert_array_equal(one, two)
    assert one.shape == side.audio.shape
    assert 0.0 < (one != side.audio).mean() < 0.1
    assert f"in {len(one)} frames" in capsys.readouterr().out


def test_make_peaks(side: Side, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main_of("make_peaks")([str(side.take), "--width", "40", "--out", str(tmp_path / "peaks")]) == 0
    left, right, _ = capsys.readouterr().out.splitlines()
    assert len(left) == len(right) == 40
    assert "█" in left + right
    peaks = read_peaks((tmp_path / "peaks").read_bytes())
    assert peaks.length_frames == len(side.audio)
    assert float(peaks.levels[0][..., 1].max()) == pytest.approx(side.audio.max(), abs=1e-6)


def test_write_tags(side: Side, tmp_path: Path) -> None:
    import mutagen

    path = tmp_path / "track.flac"
    soundfile.write(path, side.audio[: 5 * RATE_HZ], RATE_HZ, subtype="PCM_24")
    before = soundfile.read(path)[0]
    words = ["--title", "Lamp Oil", "--artist", "The Wicker Boats", "--artist", "Ida Marsh", "--track", "1"]
    assert main_of("write_tags")([str(path), *words]) == 0
    tags = mutagen.File(path).tags
    assert tags["title"] == ["Lamp Oil"]
    assert tags["artist"] == ["The Wicker Boats", "Ida Marsh"]
    assert re.fullmatch(r"[+-]\d+\.\d\d dB", tags["replaygain_track_gain"][0])
    np.testing.assert_array_equal(soundfile.read(path)[0], before)


def test_build_report(side: Side, tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    assert main_of("build_report")([str(side.take), "--sleeve", str(side.sleeve), "--out", str(out)]) == 0
    page = out.read_text("utf-8")
    assert "Tallow Wharf Almanac" in page
    assert "Slack Water" in page
    assert "<script" not in page


def test_score_a_mender(capsys: pytest.CaptureFixture[str]) -> None:
    assert main_of("score_a_mender")(["--seconds", "10"]) == 0
    falls_db = [float(fall) for fall in re.findall(r"side better by (-?[\d.]+) dB", capsys.readouterr().out)]
    assert len(falls_db) == 2
    assert falls_db[0] > falls_db[1]  # ours against the bad one


def test_your_own_meter(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    time_s = np.arange(2 * RATE_HZ + 100) / RATE_HZ
    soundfile.write(
        tmp_path / "sine.wav", 0.5 * np.sin(2 * np.pi * 441.0 * time_s), RATE_HZ, subtype="PCM_24"
    )
    assert main_of("your_own_meter")([str(tmp_path / "sine.wav")]) == 0
    # The crest factor of a sine is the square root of two, 3.01 dB (any handbook of electrical engineering).
    assert capsys.readouterr().out.split() == ["0:00", "3.0", "dB", "0:01", "3.0", "dB"]


@pytest.mark.device
def test_record_ten_seconds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from sidekeep.devices.inputs import list_inputs
    from sidekeep.errors import DeviceError

    try:
        list_inputs()
        can_record = True
    except DeviceError:
        can_record = False
    out = tmp_path / "some.wav"
    code = main_of("record_ten_seconds")([str(out), "--seconds", "1"])
    if can_record:
        assert code == 0
        assert soundfile.info(out).frames >= soundfile.info(out).samplerate
    else:
        assert (code, out.exists()) == (2, False)
        assert len(capsys.readouterr().out.splitlines()) == 1


def test_a_year_later(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Twelve ticks were pressed onto the disc; what else is new is the tenth of the dust that lies elsewhere."""
    import json

    folder = tmp_path / "aged"
    assert main_of("a_year_later")([str(folder), "--seconds", "24", "--rate", "32000"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("pressed: 1.2 dB less at 10 kHz")
    assert any(re.match(r"found: New: \d+ single ticks", line) for line in lines)
    found = json.loads((folder / "compared" / "comparison.json").read_text("utf-8"))
    assert found["same"]
    assert 9 <= len(found["marks"]["new"]) <= 20
    assert Path(lines[-1]).read_text("utf-8").count("<audio") >= 3
    # what the page of the guide shows begins as this does
    guide = (FOLDER.parent / "docs" / "a-year-later.md").read_text("utf-8")
    assert lines[0] in guide
