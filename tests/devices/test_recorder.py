"""The real path: played into a virtual deck, recorded through the sound library, compared sample by sample.

The reference is a counter (left) and seeded noise (right): music is a bad reference, it repeats itself.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.devices.inputs import (
    SoundInput,
    choose_input,
    format_notes,
    in_pairs,
    layout_notes,
    list_inputs,
    sample_specification,
)
from sidekeep.devices.inputs_process import _how_it_opens
from sidekeep.devices.recorder import Recorder, RecorderSettings, decode_pcm
from sidekeep.devices.recorder_process import chosen_channels
from sidekeep.errors import DeviceError
from sidekeep.files.wave.repair import repair_take
from sidekeep.service.gauge import open_error
from sidekeep.service.inputs import recorder_settings

from .conftest import Deck, told_by_a_stretched_clock

RATE_HZ = 48_000
SETTINGS = RecorderSettings(rate_hz=RATE_HZ, device="pulse", source="deck.monitor")


def counter_file(path: Path, seconds: float) -> np.ndarray:
    count = int(seconds * RATE_HZ)
    steps = np.empty((count, 2), np.int32)
    steps[:, 0] = np.arange(1, count + 1)
    steps[:, 1] = np.random.default_rng(5).integers(-(2**22), 2**22, count)
    # The virtual sink swallows the first tenths of a second of a player: silence goes first.
    lead = np.zeros((RATE_HZ, 2), np.int32)
    soundfile.write(path, np.concatenate([lead, steps << 8]), RATE_HZ, subtype="PCM_24", format="WAV")
    return steps


def recorded_steps(path: Path) -> np.ndarray:
    audio, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return audio >> 8


def assert_is_a_run_of(steps: np.ndarray, reference: np.ndarray) -> int:
    """What was heard of the reference is one unbroken run, exact; its length."""
    heard = steps[(steps != 0).any(axis=1)]
    assert len(heard) > 0
    first = int(heard[0, 0]) - 1
    np.testing.assert_array_equal(heard, reference[first : first + len(heard)])
    return len(heard)


@pytest.mark.device
def test_inputs_show_their_true_format(deck: Deck) -> None:
    inputs = list_inputs()
    found = choose_input(inputs, "deck.monitor")
    assert (found.bits, found.channels, found.rate_hz, found.source) == (24, 2, 48_000, "deck.monitor")
    assert found.notes == ()
    poor = choose_input(inputs, "microphone")
    assert (poor.bits, poor.channels, poor.rate_hz) == (16, 1, 44_100)
    assert {"input-mono", "input-bits"} <= {note.code for note in poor.notes}
    with pytest.raises(DeviceError, match="no sound input matches 'absent'"):
        choose_input(inputs, "absent")


@pytest.mark.device
def test_a_take_is_bit_exact_with_its_pre_roll(deck: Deck, tmp_path: Path) -> None:
    reference = counter_file(tmp_path / "side.wav", 3.0)
    take = tmp_path / "take.wav"
    begun, ended, out_at = False, False, None
    with Recorder(SETTINGS) as recorder:
        player = None
        for event in recorder.events():
            if event.kind == "started":
                player = deck.play(tmp_path / "side.wav")
            assert event.news is None or told_by_a_stretched_clock(event.news), event
            if event.kind == "audio" and event.block is not None and event.block.any() and not begun:
                # The needle is seen only after it went down: the ring has what lies before.
                recorder.begin(take, from_frame=max(0, event.frame - 3 * RATE_HZ))
                begun = True
            is_out = event.kind == "audio" and player is not None and player.poll() is not None
            if is_out and out_at is None:
                out_at = event.frame
            # Counted in frames: what the deck still held is on its way however slow the machine is.
            if begun and not ended and out_at is not None and event.frame > out_at + 3 * RATE_HZ:
                recorder.end()
                ended = True
            if event.kind == "ended":
                break
    assert assert_is_a_run_of(recorded_steps(take), reference) == len(reference)


POSITIONS = "front-left,front-right,rear-left,rear-right,front-center,lfe,side-left,side-right"


@pytest.mark.device
@pytest.mark.parametrize(("channels", "pair", "first"), [(4, "", 0), (8, ", channels 3 and 4", 2)])
def test_of_many_channels_a_pair_is_recorded_as_it_comes(
    deck: Deck, channels: int, pair: str, first: int
) -> None:
    """Opened with two, a sound server mixes the others in: 62 % of the level was left of eight."""
    name, names = f"interface{channels}", ",".join(POSITIONS.split(",")[:channels])
    deck.add_sink(name, channels, names)
    steps = np.random.default_rng(5).integers(-(2**22), 2**22, (8 * RATE_HZ, channels))
    steps[:, first] = np.arange(1, len(steps) + 1)
    sound_input = choose_input(list_inputs(), f"{name}.monitor{pair}")
    assert sound_input.first_channel == first
    assert sound_input.notes == ()
    settings = recorder_settings(sound_input)
    assert settings.channels == 2
    heard: list[np.ndarray] = []
    with Recorder(settings) as recorder:
        player = None
        for event in recorder.events():
            if event.kind == "started":
                player = deck.play_raw(name, steps, names)
            if event.kind == "audio" and event.block is not None:
                heard += [event.block] if event.block.any() else []
            if len(heard) > 40:
                break
        assert player is not None
        player.kill()
        player.wait()
    assert_is_a_run_of(np.round(np.concatenate(heard) * 2**23).astype(int), steps[:, first : first + 2])


def interface(channels: int, key: str = "deck", *, is_default: bool = True) -> SoundInput:
    return SoundInput(
        key=key,
        name=key.capitalize(),
        channels=channels,
        rate_hz=RATE_HZ,
        bits=24,
        device="pulse",
        source=key,
        opened_channels=channels if channels > 2 else 0,
        is_default=is_default,
        notes=format_notes(channels=channels, rate_hz=RATE_HZ, bits=24),
    )


def test_each_pair_of_channels_is_an_input_of_its_own() -> None:
    found = in_pairs([interface(5), interface(2, "line", is_default=False)])
    assert [(each.key, each.name, each.first_channel, each.is_default) for each in found] == [
        ("deck", "Deck, channels 1 and 2", 0, True),
        ("deck, channels 3 and 4", "Deck, channels 3 and 4", 2, False),
        ("line", "Line", 0, False),
    ]
    assert [(each.channels, each.opened_channels) for each in found] == [(2, 5), (2, 5), (2, 0)]
    assert recorder_settings(found[1]).first_channel == 2
    assert choose_input(found, "Deck") is choose_input(found, None) is found[0]
    assert choose_input(found, "channels 3") is found[1]
    assert in_pairs([interface(3)]) == [interface(3)]
    assert [note.code for note in interface(3).notes] == ["input-channels"]


@pytest.mark.parametrize("sample_bytes", [2, 3, 4])
def test_the_chosen_channels_are_cut_out_whole(sample_bytes: int) -> None:
    samples = np.random.default_rng(2).integers(0, 256, (50, 6, sample_bytes), np.uint8)
    kept = chosen_channels(samples.tobytes(), opened=6, first=2, kept=2, sample_bytes=sample_bytes)
    assert kept == b"".join(frame[2].tobytes() + frame[3].tobytes() for frame in samples)


def test_channels_with_other_names_are_told_because_a_server_mixes_or_drops_them() -> None:
    assert layout_notes(2, "front-left,front-right") == ()
    assert layout_notes(8, POSITIONS) == ()
    assert layout_notes(6, "front-left,front-right,front-center,lfe,rear-left,rear-right") == ()
    for names in ("aux0,aux1", "aux0,aux1,aux2,aux3", "front-left,front-right,front-center,lfe"):
        (told,) = layout_notes(names.count(",") + 1, names)
        assert (told.code, told.severity, told.facts["names"]) == (
            "input-mixed",
            "look",
            names.replace(",", ", "),
        )


class LibraryOfFixedChannels:
    """A sound library whose device opens with all its channels, and with no fewer."""

    def check_input_settings(self, *, device: int, channels: int, dtype: str, samplerate: int) -> None:
        if channels != 8 or samplerate > 96_000:
            raise ValueError("Invalid number of channels")


def test_an_interface_that_opens_with_all_its_channels_only_is_opened_so() -> None:
    library = LibraryOfFixedChannels()
    assert _how_it_opens(library, 3, 8) == {
        "rates_hz": [44_100, 48_000, 88_200, 96_000],
        "opened_channels": 8,
    }
    assert _how_it_opens(library, 3, 4) == {"rates_hz": [], "opened_channels": 0}


@pytest.mark.device
def test_a_killed_capture_leaves_a_take_that_opens_and_is_exact(deck: Deck, tmp_path: Path) -> None:
    reference = counter_file(tmp_path / "side.wav", 30.0)
    for number, delay_s in enumerate((0.4, 1.3, 2.6)):
        take, player = tmp_path / f"take-{number}.wav", None
        frames = first_frame = 0
        with Recorder(SETTINGS) as recorder:
            recorder.begin(take)
            for event in recorder.events():
                if event.kind == "started":
                    player = deck.play(tmp_path / "side.wav")
                if event.kind != "audio" or event.block is None or not (frames or event.block.any()):
                    continue
                first_frame = first_frame or event.frame
                frames += len(event.block)
                if event.frame - first_frame > delay_s * RATE_HZ:
                    break
            os.kill(recorder.process_id, signal.SIGKILL)
        assert player is not None
        player.kill()
        player.wait()
        at_once = soundfile.info(take).frames
        assert at_once >= frames - 3.0 * RATE_HZ
        repair_take(take)
        steps = recorded_steps(take)
        assert len(steps) >= at_once
        assert frames - len(steps) < 2.0 * RATE_HZ
        assert_is_a_run_of(steps, reference)


@pytest.mark.device
def test_the_parents_death_closes_the_take(deck: Deck, tmp_path: Path) -> None:
    take = tmp_path / "take.wav"
    with Recorder(SETTINGS) as recorder:
        recorder.begin(take)
        for event in recorder.events():
            if event.kind == "audio" and event.frame > RATE_HZ:
                break
    assert soundfile.info(take).frames > RATE_HZ // 2


@pytest.mark.device
def test_a_lost_sound_server_is_told_and_the_take_is_kept(deck: Deck, tmp_path: Path) -> None:
    take = tmp_path / "take.wav"
    news = []
    with Recorder(SETTINGS) as recorder:
        recorder.begin(take)
        for event in recorder.events():
            if event.kind == "audio" and event.frame > RATE_HZ and "killed" not in news:
                deck.kill()
                news.append("killed")
            elif event.kind != "audio":
                news.append(event.news.code if event.news is not None else event.kind)
            if event.kind == "ended":
                break
    assert "input-gone" in news
    assert news.index("input-gone") < news.index("ended")
    assert soundfile.info(take).frames >= RATE_HZ // 2
    deck.start()
    with Recorder(SETTINGS) as recorder:
        assert next(event.kind for event in recorder.events() if event.kind != "quiet") == "started"


def test_an_input_that_is_not_there_is_one_sentence() -> None:
    with Recorder(RecorderSettings(device="no such device at all")) as recorder:
        news = next(event.news for event in recorder.events() if event.news is not None)
    assert news.code == "not-opened"
    assert "\n" not in str(open_error(news))
    assert open_error(news).code in ("input-not-opened", "no-sound-library")


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_raw_samples_decode_exactly(bits: int) -> None:
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    raw = b"".join(value.to_bytes(bits // 8, "little", signed=True) for value in (low, -1, 0, high))
    steps = decode_pcm(raw, bits, 2) * 2.0 ** (bits - 1)
    np.testing.assert_array_equal(steps, [[low, -1], [0, high]])


@pytest.mark.parametrize(
    ("text", "found"),
    [("s24le 2ch 96000Hz", (24, 2, 96000)), ("float32le 1ch 44100Hz", (0, 1, 44100)), ("", (0, 0, 0))],
)
def test_the_servers_words_for_a_format(text: str, found: tuple[int, int, int]) -> None:
    assert sample_specification(text) == found
