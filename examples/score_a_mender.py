"""Score a mender of your own beside ours, on a side whose damage is known to the sample.

Shows: pressing a side from any music, and judging by the clean twin. ``clip_the_loudest`` is a bad mender:
put yours in its place.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import numpy as np

from sidekeep.flow.mend import Mender
from sidekeep.flow.ports import Audio
from sidekeep.model.recipe import MendSettings
from sidekeep.press.disc.settings import used_lp
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.press.scoring.mending import score_mending


def music(rate_hz: int, length_s: float, seed: int) -> Audio:
    """Something to damage: a slow chord with a beat."""
    random = np.random.default_rng(seed)
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    chord = sum(
        np.sin(2 * np.pi * f * time_s + random.random()) / n for n, f in enumerate((196, 247, 294, 392), 1)
    )
    beat = random.standard_normal(len(time_s)) * np.exp(-20.0 * (time_s % 0.5))
    return np.stack([chord + 0.3 * beat, np.roll(chord, 30) + 0.2 * beat], axis=1) * 0.1


def our_mender(take: Audio, rate_hz: int) -> Audio:
    """All of a take at once."""
    mender = Mender(MendSettings(), rate_hz=rate_hz, channels=take.shape[1])
    return np.concatenate([mender.process(take), mender.flush()])


def clip_the_loudest(take: Audio, rate_hz: int) -> Audio:
    """Holds every sample to five times the usual size of its neighbours within 20 ms."""
    length = round(0.02 * rate_hz)
    mended = take.copy()
    for start in range(0, len(take), length):
        part = mended[start : start + length]
        limit = 5.0 * np.median(np.abs(part), axis=0)
        np.clip(part, -limit, limit, out=part)
    return mended


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--seconds", type=float, default=30.0, metavar="S", help="music to press (default: 30)"
    )
    parser.add_argument("--rate", type=int, default=44_100, metavar="HZ")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    piece = Piece(audio=music(options.rate, options.seconds, options.seed), title="a chord")
    side = press_side([piece], rate_hz=options.rate, settings=used_lp(), seed=options.seed)
    for name, mender in (("ours", our_mender), ("clip the loudest", clip_the_loudest)):
        print(f"--- {name}")
        score = score_mending(side.audio, side.twin, mender(side.audio, options.rate), side.truth)
        print(score.table(by_size=False))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
