"""The input is the one that was chosen: noticed when the system puts another in its place, turns it down or mutes it."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from sidekeep.devices import inputs
from sidekeep.devices.inputs import SoundInput, choose_input, list_inputs
from sidekeep.devices.recorder import Recorder, RecorderSettings
from sidekeep.devices.sound_server import source_notes
from sidekeep.errors import DeviceError
from sidekeep.model.news import News
from sidekeep.service import inputs as service
from sidekeep.service.gauge import open_error

from .conftest import Deck

RATE_HZ = 48_000
SETTINGS = RecorderSettings(rate_hz=RATE_HZ, device="pulse", source="deck.monitor")


def input_called(name: str) -> SoundInput:
    return SoundInput(key=name, name=name, channels=2, rate_hz=RATE_HZ, bits=24, device="x", source=name)


@pytest.fixture
def shelfless(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Settings of our own."""
    monkeypatch.setattr(service, "settings_path", lambda: tmp_path / "settings.toml")
    return tmp_path / "settings.toml"


def test_a_remembered_input_is_never_replaced_by_another(
    shelfless: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = [input_called("turntable"), input_called("microphone")]
    monkeypatch.setattr(service, "list_inputs", lambda: there)
    assert service.pick_input("turntable").key == "turntable"
    assert service.pick_input().key == "turntable"
    del there[0]
    with pytest.raises(DeviceError, match="turntable, is not there") as caught:
        service.pick_input()
    assert caught.value.code == "input-missing"
    assert service.find_same_input("turntable", rate_hz=RATE_HZ, channels=2) is None
    shelfless.write_text("input = ")
    with pytest.raises(DeviceError, match="cannot be read"):
        service.pick_input()
    assert service.pick_input("microphone").key == "microphone"
    assert service.pick_input().key == "microphone"


def test_an_input_that_came_back_otherwise_is_another_one(monkeypatch: pytest.MonkeyPatch) -> None:
    there = input_called("turntable")
    monkeypatch.setattr(service, "list_inputs", lambda: [there])
    assert service.find_same_input("turntable", rate_hz=RATE_HZ, channels=2) is there
    assert service.find_same_input("turntable", rate_hz=96_000, channels=2) is None
    assert service.find_same_input("turntable", rate_hz=RATE_HZ, channels=1) is None


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ({"mute": True}, [("input-muted", "act")]),
        ({"volume": {"front-left": {"value_percent": "100%"}}}, []),
        ({"volume": {"front-left": {"value_percent": "83%"}}}, [("input-volume", "act")]),
        ({"volume": {"front-left": {"value_percent": "120%"}}}, [("input-volume", "act")]),
        (
            {"volume": {"mono": {"value_percent": "83%"}}, "flags": ["HW_VOLUME_CTRL"]},
            [("input-volume", "note")],
        ),
        ({"volume": "odd"}, []),
    ],
)
def test_what_the_server_does_to_samples_is_told(
    source: dict[str, object], told: list[tuple[str, str]]
) -> None:
    assert [(news.code, news.severity) for news in source_notes(source)] == told


def test_another_input_in_its_place_is_called_that() -> None:
    assert "another input (microphone)" in str(
        open_error(News(code="input-moved", facts={"other": "microphone"}))
    )


def pactl(*words: str) -> str:
    return subprocess.run(["pactl", *words], check=True, capture_output=True, text=True).stdout


@pytest.fixture
def at_full_volume(deck: Deck) -> Iterator[None]:
    yield
    pactl("set-source-mute", "deck.monitor", "0")
    pactl("set-source-volume", "deck.monitor", "100%")


@pytest.mark.device
def test_mute_and_volume_are_told_before_and_while_it_is_used(deck: Deck, at_full_volume: None) -> None:
    assert choose_input(list_inputs(), "deck.monitor").notes == ()
    told: list[str] = []
    with Recorder(SETTINGS) as recorder:
        for event in recorder.events():
            if event.kind == "started":
                pactl("set-source-volume", "deck.monitor", "50%")
            if event.news is not None:
                told.append(event.news.code)
                if event.news.code == "input-volume":
                    assert event.news.facts["percent"] == 50
                    pactl("set-source-mute", "deck.monitor", "1")
                if event.news.code == "input-muted":
                    break
            assert event.frame < 300 * RATE_HZ, told
    assert {note.code for note in choose_input(list_inputs(), "deck.monitor").notes} == {
        "input-volume",
        "input-muted",
    }


@pytest.mark.device
def test_a_stream_that_the_system_moved_is_ended_at_once(deck: Deck, tmp_path: Path) -> None:
    take = tmp_path / "take.wav"
    heard, moved_at = [], 0
    with Recorder(SETTINGS) as recorder:
        recorder.begin(take)
        for event in recorder.events():
            if event.kind == "audio" and event.frame > RATE_HZ and not moved_at:
                moved_at = event.frame
                (stream,) = pactl("list", "short", "source-outputs").splitlines()
                pactl("move-source-output", stream.split()[0], "microphone.monitor")
            elif event.kind not in ("audio", "quiet", "synced"):
                heard.append(event.news.code if event.news is not None else event.kind)
    assert heard[-3:] == ["input-moved", "ended", "left"]
    # Of the other input there is no more on the take than a loaded machine needs to ask the server.
    assert soundfile.info(take).frames < moved_at + 30 * RATE_HZ


@pytest.mark.parametrize(
    ("answer", "server", "cause"),
    [
        ({"missing": "no such library"}, None, "PortAudio library is missing"),
        ({"failed": "Internal PortAudio error"}, None, "cannot list the inputs: Internal PortAudio error"),
        ({"inputs": []}, None, "no sound input was found"),
        ({"inputs": []}, [{"name": "x", "sample_specification": "s24le 2ch 48000Hz"}], "no bridge to it"),
    ],
)
def test_why_there_is_no_input_is_told_as_it_is(
    answer: dict[str, object],
    server: list[dict[str, object]] | None,
    cause: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(inputs, "_ask_library", lambda: answer)
    monkeypatch.setattr(inputs, "server_sources", lambda: server)
    with pytest.raises(DeviceError, match=cause):
        inputs.list_inputs()


def test_a_library_that_dies_is_not_called_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    dead = subprocess.CompletedProcess([], -11, b"")
    monkeypatch.setattr(inputs.subprocess, "run", lambda *_, **__: dead)
    with pytest.raises(DeviceError, match="it ended, and why is not known"):
        inputs.list_inputs()
