"""Two takes of one music: titles are taken away only where that is sure."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from sidekeep.flow.passes.survey import Survey
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.service.choices.titles import same_sound
from tests.flow.test_same_music import envelope, loudness

RATE, LENGTH_S = 44_100, 300.0


def survey(file: str, level_db: Any, seed: int) -> Survey:
    """What is looked at of one: a side of one track, and its envelope."""
    frames = round(LENGTH_S * RATE)
    track = Track(
        number=1, title="Lamp Oil", start_frame=0, stop_frame=frames, confidence=0.99, boundary="edge"
    )
    side = SideCuts(
        side=file[0],
        needle_down_frame=0,
        needle_up_frame=frames,
        music_start_frame=0,
        music_stop_frame=frames,
        tracks=(track,),
    )
    known = SimpleNamespace(
        file=file,
        format=AudioFormat(rate_hz=RATE, channels=2, bits=24, length_frames=frames),
        cuts=Cuts(rate_hz=RATE, sides=(side,)),
        envelope=envelope(level_db, seed),
    )
    return cast(Survey, known)


def told(level_db: Any) -> list[tuple[str, str, bool]]:
    found = same_sound([survey("A.wav", level_db, 1), survey("B.wav", level_db, 2)])
    return [
        (found[place].kind, found[place].severity, bool(found[place].facts["is_sure"])) for place in (0, 1)
    ]


def test_one_side_played_twice_is_sure_and_steady_music_is_not() -> None:
    assert told(loudness(1, LENGTH_S)) == [("same-music", "act", True)] * 2
    at_s = np.arange(round(LENGTH_S * 20)) / 20.0
    assert told(-14.0 + 5.0 * np.sin(2.0 * np.pi * at_s / 8.0)) == [("same-music", "look", False)] * 2
    assert same_sound([survey("A.wav", loudness(seed, LENGTH_S), seed) for seed in (1, 2)]) == {}
