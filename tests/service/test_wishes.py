"""What is wished at the turntable is remembered, and the advice while a side is recorded goes by it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sidekeep.devices.recorder import RecorderEvent, RecorderSettings
from sidekeep.flow.needle.gauge import GaugeSettings
from sidekeep.service.recording.hearing import Hearing
from sidekeep.service.wishes import aim_for, aim_wished_dbfs, form_wished, keep_wishes

RATE_HZ = 8_000


@pytest.fixture(autouse=True)
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    return tmp_path / "sidekeep" / "turntable.json"


def advice_for(peak_dbfs: float) -> str:
    """What a recording session says of music whose peaks come to that."""
    hearing = Hearing(RecorderSettings(rate_hz=RATE_HZ, channels=2, bits=24))
    noise = np.random.default_rng(4).standard_normal((60 * RATE_HZ, 2)) * 0.1
    noise[: 3 * RATE_HZ] *= 1e-4
    music = np.clip(noise, -0.3, 0.3) * (10.0 ** (peak_dbfs / 20.0) / 0.3)
    for at in range(0, len(music), RATE_HZ):
        hearing.listen(RecorderEvent(kind="audio", frame=at, block=music[at : at + RATE_HZ]))
    reading = hearing.reading()
    assert reading is not None
    return reading.advice.code


def test_the_advice_while_recording_goes_by_the_aim_that_was_chosen() -> None:
    assert advice_for(-9.0) == "level-right"
    keep_wishes(peak_dbfs=-15.0)
    assert advice_for(-9.0) == "turn-down"
    assert advice_for(-18.0) == "level-right"


def test_one_wish_does_not_undo_another() -> None:
    assert (form_wished(), aim_wished_dbfs()) == ((None, None), None)
    keep_wishes(rate_hz=96_000, bits=24)
    keep_wishes(peak_dbfs=-9.0)
    assert (form_wished(), aim_wished_dbfs()) == ((96_000, 24), -9.0)
    assert aim_for(24) == aim_for(16) == GaugeSettings.up_to(-9.0)


@pytest.mark.parametrize("text", ["", "{", "[1]", '{"peak_dbfs": "loud", "rate_hz": 96000.5}'])
def test_a_hand_edited_file_asks_for_nothing(text: str, own_settings: Path) -> None:
    own_settings.parent.mkdir(parents=True)
    own_settings.write_text(text)
    assert form_wished() == (None, None)
    assert aim_for(16) == GaugeSettings.for_bits(16)
