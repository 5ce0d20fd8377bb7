"""ReplayGain 2.0: -18 LUFS by BS.1770, linear peak; record gain over all tracks as one programme.

Source: "ReplayGain 2.0 specification" (as library documentation quotes it); loudness by the independent
libebur128 through pyebur128; RFC 7845 section 5.2.1 for Opus.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from mutagen.flac import FLAC
from mutagen.oggopus import OggOpus

from sidekeep.copies.tracks.levels import SoundLevel, replay_gain
from sidekeep.units import MINIMUM_DB
from tests.copies.feeder import Feeder
from tests.outside import library

pyebur128 = library("pyebur128")


def test_arithmetic() -> None:
    level = SoundLevel(integrated_lufs=-11.5, true_peak=0.9)
    gain = replay_gain(level)
    assert (gain.gain_db, gain.peak) == (-6.5, 0.9)
    # A copy made 1 dB lower is 1 dB quieter: it needs 1 dB less of lowering, and its peak is lower too.
    lowered = replay_gain(level, lowered_db=1.0)
    assert lowered.gain_db == -5.5
    assert lowered.peak == pytest.approx(0.9 * 10 ** (-1 / 20), abs=1e-6)
    assert replay_gain(SoundLevel(integrated_lufs=MINIMUM_DB, true_peak=0.0)).gain_db == 0.0


def independent(*audio: np.ndarray, rate_hz: int) -> float:
    states = []
    for each in audio:
        state = pyebur128.R128State(each.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(each).reshape(-1), len(each))
        states.append(state)
    if len(states) == 1:
        return float(pyebur128.get_loudness_global(states[0]))
    return float(pyebur128.get_loudness_global_multiple(states))


def test_tags_agree_with_an_independent_meter(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, lengths=((96_000, 72_000), (120_000,)))
    feeder.takes[0][500 : 500 + 96_000] *= 0.3
    written = [each.path for each in feeder.copies("lossless,phone") if each.length_frames]
    tracks = [
        feeder.takes[side][start:stop] * feeder.gain
        for side in range(2)
        for start, stop in feeder.sides[side].spans
    ]
    album = independent(*tracks, rate_hz=48_000)
    for path, opus, audio in zip(written[:3], written[3:], tracks, strict=True):
        tags = FLAC(path)
        gain_db = float(tags["REPLAYGAIN_TRACK_GAIN"][0].removesuffix(" dB"))
        assert gain_db == pytest.approx(-18.0 - independent(audio, rate_hz=48_000), abs=0.05)
        album_db = float(tags["REPLAYGAIN_ALBUM_GAIN"][0].removesuffix(" dB"))
        assert album_db == pytest.approx(-18.0 - album, abs=0.05)
        peak = float(tags["REPLAYGAIN_TRACK_PEAK"][0])
        assert np.abs(audio).max() - 1e-6 <= peak < 1.1 * np.abs(audio).max()
        r128 = OggOpus(opus)
        assert int(r128["R128_TRACK_GAIN"][0]) / 256 == pytest.approx(gain_db - 5.0, abs=0.003)
        assert int(r128["R128_ALBUM_GAIN"][0]) / 256 == pytest.approx(album_db - 5.0, abs=0.003)
        assert "REPLAYGAIN_TRACK_GAIN" not in r128


def test_levels_that_were_given_are_not_measured_again(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path / "measured")
    feeder.copies("lossless")
    given = Feeder(tmp_path / "given")
    given.copies("lossless", levels=feeder.levels)
    from tests.copies.feeder import tree

    assert tree(tmp_path / "given") == tree(tmp_path / "measured")
