"""What README and the how-to pages show is typed as it stands, in their order, from the text of a sleeve to a year later.

The record is a small one, so the sleeve's times are its own. The turntable is simulated, in virtual time; the rest is as it is.
"""

from __future__ import annotations

import re
import shlex
import textwrap
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from benchmarks.evening_cases import Evening, SimulatedInput
from numpy.typing import NDArray

from sidekeep.cli.main import main
from sidekeep.devices.inputs import SoundInput
from sidekeep.devices.recorder import RecorderEvent
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.service import gauge, inputs
from sidekeep.service.recording import take_record
from sidekeep.service.recording.take_session import TakeSession
from sidekeep.service.shelf.records import find_record
from tests.cli.given_input import GivenInput
from tests.small_record import SETTINGS, play

Typed = Callable[[list[list[str]]], dict[str, str]]
RATE_HZ = 32_000
"""The lowest that every kind of copies of these pages takes as it is."""
ROOT = Path(__file__).parents[2]
DECK = SoundInput(key="deck", name="a deck", channels=2, rate_hz=RATE_HZ, bits=24, device="deck")
TIMES = {"3:45": "0:08", "4:10": "0:08", "5:02": "0:23"}
"""Side B plays for 19 s; on a side so short the lead-in and the run-out count for something."""
NOT_FOR_EVERYBODY = r"\.\.\.|NAME|old\.wav|^sidekeep take$|^sidekeep take .*--copies"
"""A line with a place to fill in, with files of the reader's own, only the name of a verb, or another way to the same copies."""


def shown(page: str, heading: str = "") -> list[list[str]]:
    """The words of every command on a page, or under one of its headings, in order."""
    body = (ROOT / page).read_text("utf-8")
    if heading:
        body = body[body.index(heading) :]
        body = body[: body.find("\n## ", 1)]
    lines = []
    for block, span in re.findall(r"```sh\n(.*?)```|`(sidekeep [a-z]+[^`\n]*)`", body, re.DOTALL):
        lines += block.splitlines() if block else [span]
    return [
        shlex.split(line, comments=True)[1:]
        for line in lines
        if line.startswith("sidekeep ") and not re.search(NOT_FOR_EVERYBODY, line)
    ]


FIRST_RECORD = shown("README.md", "## A first record")
RECORDING = shown("docs/how-to-record.md")
YEAR_LATER = shown("docs/a-year-later.md")
FROM_FILES = shown("docs/how-to-transfer-files.md")


@cache
def sides() -> dict[str, NDArray[np.float64]]:
    """Side A has two tracks, side B one, as on the sleeve."""
    pressed = {}
    for side, music in {"A": ((110.0, 8.0), (146.8, 8.0)), "B": ((130.8, 19.0),)}.items():
        pieces = [Piece(audio=play(root_hz, length_s, RATE_HZ), title="") for root_hz, length_s in music]
        pressed[side] = press_side(pieces, rate_hz=RATE_HZ, settings=SETTINGS, seed=len(pieces)).audio
    return pressed


def chain(seconds: float) -> NDArray[np.float64]:
    """What the input gives with the needle up."""
    return np.random.default_rng(9).normal(0.0, 10.0 ** (-86 / 20), (round(seconds * RATE_HZ), 2))


def played_once_more(audio: NDArray[np.float64], seed: int) -> NDArray[np.float64]:
    """Noise of its own tells another playing from a copy."""
    return audio + np.random.default_rng(seed).normal(0.0, 2e-4, audio.shape)


class Playing(GivenInput):
    """An input that gives two seconds of side A, then the Ctrl+C that ends the reading."""

    rate_hz = RATE_HZ

    def audio(self) -> NDArray[np.float64]:
        return sides()["A"][6 * RATE_HZ : 8 * RATE_HZ]

    def events(self) -> Iterator[RecorderEvent]:
        yield from super().events()
        raise KeyboardInterrupt


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the sleeve of README and recordings of both sides, a shelf, and a deck that plays what is asked for."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SIDEKEEP_SHELF", str(tmp_path / "shelf"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.setattr(inputs, "list_inputs", lambda: [DECK])
    monkeypatch.setattr(gauge, "Recorder", Playing)
    (sleeve,) = re.findall(r"^ +```\n(.*?)^ +```$", (ROOT / "README.md").read_text("utf-8"), re.DOTALL | re.M)
    text = textwrap.dedent(sleeve)
    for printed, short in TIMES.items():
        assert printed in text
        text = text.replace(printed, short)
    (tmp_path / "tallow.txt").write_text(text, "utf-8")
    for side, audio in sides().items():
        soundfile.write(tmp_path / f"side-{side}.wav", audio, RATE_HZ, subtype="PCM_24")

    sessions: list[TakeSession] = []

    def session(*given: Any, **more: Any) -> TakeSession:
        parts = [chain(4.0)]
        for side in given[2].sides:
            parts += [sides()[side], chain(6.0)]
        evening = Evening("an evening", played_once_more(np.concatenate(parts), len(sessions)), [])
        opened = partial(SimulatedInput, evening=evening, session=lambda: sessions[-1])
        sessions.append(TakeSession(*given, **more, open_recorder=opened, wait=lambda seconds: None))
        return sessions[-1]

    monkeypatch.setattr(take_record, "TakeSession", session)
    return tmp_path


@pytest.fixture
def typed(capsys: pytest.CaptureFixture[str]) -> Typed:
    """Types commands; what each printed, by its words. All must have gone well."""

    def run(commands: list[list[str]]) -> dict[str, str]:
        said = {}
        for words in commands:
            capsys.readouterr()
            code = main(words)
            out, err = capsys.readouterr()
            assert "Traceback" not in err
            assert code == 0, (words, out, err)
            said[" ".join(words)] = out
        return said

    return run


@pytest.mark.slow
@pytest.mark.timeout(900)  # three sides are surveyed by processes of their own
def test_a_record_from_its_sleeve_to_a_year_later(place: Path, typed: Typed) -> None:
    said = typed(FIRST_RECORD)
    assert "highest so far -" in said["gauge"]
    assert said["take tallow A B"].count("is taken") == 2
    assert "all right" in said["verify"]
    folder = find_record(place / "shelf", "tallow")
    assert [take.folder_name for take in folder.takes()] == ["A-1", "A-2", "B-1"]
    for copies in (folder.path / "copies", place / "archive"):
        titles = {path.stem[3:] for path in copies.rglob("lossless/*.flac")}
        assert titles == {"Lamp Oil", "Grüße vom Kai", "Slack Water"}
        assert len(list(copies.rglob("*.mp3"))) == 3
        assert len(list(copies.rglob("report.html"))) == 1
    assert "No change" in said["compare tallow/A-1 A-2"]
    soundfile.write(place / "third.wav", played_once_more(sides()["A"], 5), RATE_HZ, subtype="PCM_24")
    typed([["adopt", "third.wav", "--record", "tallow", "--sides", "A"]])
    said = typed([words for words in (*YEAR_LATER, *RECORDING) if words not in FIRST_RECORD])
    assert {
        "combine tallow/A-1 A-2 A-3",
        "inputs",
        "shelf use tallow A 1",
        "shelf undo tallow",
    } <= said.keys()
    assert "A-4" in said["combine tallow/A-1 A-2 A-3"]
    assert "to be played again after 2027-11-26" in said["shelf again tallow --after 2027-11-26"]


def test_from_files(place: Path, typed: Typed) -> None:
    """What is not on README as well."""
    said = typed([words for words in FROM_FILES if words not in FIRST_RECORD])
    assert re.search(r"Lamp Oil\n.*Grüße vom Kai", said["survey side-A.wav --sleeve tallow.txt"])
    length_frames = soundfile.info(place / "side-A.wav").frames
    assert [soundfile.info(place / name).frames for name in ("mended.wav", "ticks.wav")] == [
        length_frames
    ] * 2
    assert "all right" in said["verify tallow"]
    assert [take.side for take in find_record(place / "shelf", "tallow").takes()] == ["A", "B"]
