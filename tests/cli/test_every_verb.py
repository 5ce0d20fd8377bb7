"""Every verb once through the front door, on one small record: what a script gets is an exit code and something printed.

Most are typed by ``test_pages_are_run``, as README and the how-to pages have them. What the verbs do in detail is tested where they
live.
"""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from benchmarks.evening_cases import RATE_HZ as EVENING_HZ
from benchmarks.evening_cases import pressed
from numpy.typing import NDArray

from sidekeep.cli.main import VERBS, main
from sidekeep.devices.inputs import SoundInput
from sidekeep.press import demo
from sidekeep.service import gauge, inputs
from sidekeep.shelf.sleeve.reading import read_sleeve
from tests.cli.given_input import GivenInput
from tests.cli.test_pages_are_run import FIRST_RECORD, FROM_FILES, RECORDING, YEAR_LATER
from tests.small_record import RATE_HZ, SLEEVE, small_record

Said = tuple[int, str]
DECK = SoundInput(key="deck", name="a deck", channels=2, rate_hz=EVENING_HZ, bits=24, device="deck")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The recordings of both sides, the second side A of a year later, the sleeve."""
    folder = tmp_path_factory.mktemp("verbs")
    small_record().write(folder)
    later = np.roll(small_record().a.audio, RATE_HZ // 3, axis=0) * 0.9
    later = later + np.random.default_rng(3).normal(0.0, 2e-4, later.shape)
    soundfile.write(folder / "later.wav", later, RATE_HZ, subtype="PCM_24")
    return folder


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    def run(verb: str, *words: object) -> Said:
        capsys.readouterr()
        code = main([verb, *map(str, words)])
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return code, out

    return run


def test_the_demo_tells_found_and_true(
    place: Path, say: Callable[..., Said], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole verb on the small record; pressing the real one takes longer and is what ``./run demo`` does."""
    picture = place / "sleeve.png"
    record, _ = read_sleeve(SLEEVE)
    picture.write_bytes(demo.sleeve_picture(record))
    pressed_record = demo.DemoRecord(
        recordings=(place / "side-A.wav", place / "side-B.wav"),
        letters=("A", "B"),
        twins=(),
        sleeve_path=place / "sleeve.txt",
        picture_path=picture,
        record=record,
        truths=(small_record().a.truth, small_record().b.truth),
    )
    monkeypatch.setattr(demo, "press_demo", lambda folder, on_side: pressed_record)
    monkeypatch.delenv("SIDEKEEP_TYPED", raising=False)
    code, out = say("demo", "--out", tmp_path / "demo", "--copies", "lossless")
    assert code == 0
    assert out.count("2 found of 2") == 2
    report = next(line.removeprefix("Report: ") for line in out.splitlines() if line.startswith("Report: "))
    assert Path(report).is_file()
    assert f"sidekeep open --shelf {tmp_path / 'demo' / 'shelf'} " in out


@pytest.fixture
def one_input(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.setattr(inputs, "list_inputs", lambda: [DECK])


@pytest.mark.usefixtures("one_input")
def test_an_input_is_listed_and_chosen(say: Callable[..., Said]) -> None:
    code, out = say("inputs", "--use", "deck", "--json")
    (found,) = json.loads(out)["inputs"]
    assert (code, found["key"], found["is_chosen"]) == (0, "deck", True)


class Playing(GivenInput):
    """An input that gives a second and a half of a side."""

    rate_hz = EVENING_HZ

    def audio(self) -> NDArray[np.float64]:
        return pressed("clean", 1).audio[10 * EVENING_HZ : 23 * EVENING_HZ // 2]


@pytest.mark.usefixtures("one_input")
def test_the_level_is_read(say: Callable[..., Said], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gauge, "Recorder", Playing)
    code, out = say("gauge", "--seconds", "1", "--json")
    readings = [json.loads(line) for line in out.splitlines()]
    assert code == 0
    assert readings[-1]["time_s"] >= 1.0


def test_the_page_is_served_until_it_is_interrupted(tmp_path: Path) -> None:
    words = ["open", "--no-browser", "--port", "0", "--shelf", str(tmp_path / "shelf")]
    process = subprocess.Popen(
        [sys.executable, "-m", "sidekeep", *words],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        assert process.stdout is not None
        host = process.stdout.readline().strip().removeprefix("http://").rstrip("/")
        connection = http.client.HTTPConnection(host, timeout=60)
        connection.request("GET", "/")
        assert connection.getresponse().status == 200
        connection.close()
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=60)
        assert process.returncode == 0
    finally:
        process.kill()
        process.wait()


def test_no_verb_was_left_out() -> None:
    text = Path(__file__).read_text("utf-8")
    called = set(re.findall(r'(?:say\(\s*|\[)"([a-z]+)"', text))
    called |= {words[0] for words in (*FIRST_RECORD, *RECORDING, *YEAR_LATER, *FROM_FILES)}
    assert [verb for verb in VERBS if verb not in called] == []
