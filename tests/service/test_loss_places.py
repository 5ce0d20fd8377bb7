"""Of places that are as likely by the clock, the sound of the closed take chooses the one where it breaks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.model.news import News
from sidekeep.service.recording.loss_places import placed_by_sound
from tests.dsp.test_breaks import LOST, RATE_HZ, chords


def note(place: int, *others: int) -> News:
    facts = {
        "lost_s": 0.02,
        "sure": "clock",
        "within_s": 3.0,
        "or_at_frames": tuple(str(other) for other in others),
    }
    return News(code="loss", severity="act", at_frame=place, facts=facts)


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """20 ms are missing at 4 s."""
    audio = chords(9.0)
    path = tmp_path_factory.mktemp("take") / "take.wav"
    soundfile.write(
        path, np.concatenate([audio[: 4 * RATE_HZ], audio[4 * RATE_HZ + LOST :]]), RATE_HZ, subtype="PCM_24"
    )
    return path


def test_the_place_where_the_sound_breaks_is_chosen(take: Path) -> None:
    (placed,) = placed_by_sound(take, [note(3 * RATE_HZ, 4 * RATE_HZ + 2_000, 6 * RATE_HZ)])
    assert placed.at_frame == 4 * RATE_HZ + 2_000
    assert placed.facts == {"lost_s": 0.02, "sure": "clock and sound"}


def test_where_the_sound_goes_on_at_all_places_the_clock_is_believed(take: Path) -> None:
    told = note(2 * RATE_HZ, 3 * RATE_HZ, 6 * RATE_HZ)
    assert placed_by_sound(take, [told]) == [told]


def test_other_notes_and_a_take_that_cannot_be_read_stay_as_they_are(take: Path, tmp_path: Path) -> None:
    other, one_place, told = News(code="cap"), note(RATE_HZ), note(RATE_HZ, 2 * RATE_HZ)
    assert placed_by_sound(take, [other, one_place]) == [other, one_place]
    assert placed_by_sound(tmp_path / "none.wav", [told]) == [told]
    (tmp_path / "short.wav").write_bytes(take.read_bytes()[:500])
    assert placed_by_sound(tmp_path / "short.wav", [told]) == [told]
