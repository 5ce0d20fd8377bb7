"""A side played into the virtual sound card, recorded, and surveyed behind the needle."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import soundfile

from sidekeep.devices.recorder import Recorder, RecorderSettings
from sidekeep.model.recipe import Recipe
from sidekeep.service.live.follower import LiveSurvey
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.transfers import copies
from tests.devices.conftest import Deck, deck  # noqa: F401  (a fixture)
from tests.service.live.test_followed_take import kept, record_folder
from tests.small_record import RATE_HZ, small_record


@pytest.mark.device
@pytest.mark.slow
def test_a_recorded_side_is_surveyed_when_the_needle_lifts(deck: Deck, tmp_path: Path) -> None:  # noqa: F811
    folder = record_folder(tmp_path)
    soundfile.write(tmp_path / "side.wav", small_record().a.audio, RATE_HZ, subtype="PCM_24")
    path = folder.new_take_folder("A") / "take.wav"
    settings = RecorderSettings(rate_hz=48_000, device="pulse", source="deck.monitor")
    live, told = LiveSurvey(), []
    try:
        with Recorder(settings) as recorder:
            player, asked, out_at = None, False, None
            for event in recorder.events():
                assert event.kind not in ("failed", "lost"), event
                told += live.poll()
                if event.kind == "started":
                    recorder.begin(path)
                elif event.kind == "begun":
                    live.begun(path, path.parent, "A")
                    player = deck.play(tmp_path / "side.wav")
                elif event.kind == "ended":
                    break
                is_out = event.kind == "audio" and player is not None and player.poll() is not None
                if is_out and out_at is None:
                    out_at = event.frame
                # In frames, not by the clock: what the deck still held is on its way however slow the machine is.
                if out_at is not None and event.frame > out_at + RATE_HZ and not asked:
                    asked = True
                    recorder.end()
        live.ended(path)
        take = close_recorded(folder, path, side="A")
        live.closed(take)
        assert live.settle(240.0)
        told += live.poll()
    finally:
        live.close()
    assert told[0]["code"] == "live-begun"
    assert told[-1]["code"] == "live-settled"
    assert told[-1]["facts"]["tracks"] == 2
    mine = kept(folder)
    shutil.rmtree(folder.path / take.folder / "surveys")
    copies.survey_record(folder, folder.choose_takes(), copies._sleeve(folder), Recipe())
    assert kept(folder) == mine
