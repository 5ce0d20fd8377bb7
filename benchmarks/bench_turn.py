"""How well the turn of the player is found: pressed sides of several speeds and states, error in ppm.

Columns: the period read from perfectly known events, from the events the mender found, from the sway of
the low band, and from the last two joined (what a survey reports); behind each its own claimed standard
deviation. Goal: 20 ppm on sides with two scratches or more.

    ./run bench turn [--quick]        twelve sides of 5 minutes (six of 90 s with --quick)
    python -m benchmarks.bench_turn --seconds 1200        other lengths
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from benchmarks import real_music
from sidekeep.dsp.turn.period import TurnEstimate, agree_on_turn, estimate_turn, estimate_turn_from_sway
from sidekeep.flow.measuring.noise import NoiseMeter
from sidekeep.flow.mend import Mender
from sidekeep.model.recipe import MendSettings
from sidekeep.press.disc.settings import PressSettings, bad_78, clean_lp, used_lp, worn_lp
from sidekeep.press.disc.side import Pressed, press_side

RATE_HZ = 44_100
BLOCK_FRAMES = 65_536
EVENT_DB = 10.0
"""Events this far over the local slope are the ones any detector finds."""

SIDES: tuple[tuple[str, PressSettings], ...] = (
    ("used 33", used_lp(speed_error=0.0012)),
    ("used 33 drifting", used_lp(speed_error=-0.003, speed_drift=0.0004)),
    ("worn 33", worn_lp(speed_error=0.0042)),
    ("used 45", used_lp(rpm=45.0, speed_error=-0.0021)),
    ("worn 78 (60 Hz)", worn_lp(rpm=3600 / 46, speed_error=0.0007)),
    ("bad 78 (50 Hz)", bad_78(rpm=6000 / 77, speed_error=0.004)),
    ("clean 33", clean_lp(speed_error=0.0008)),
    ("two scratches 33", used_lp(scratches=2, speed_error=-0.0015)),
    ("long scratches 33", used_lp(scratches=3, scratch_turns=(60, 140), speed_error=0.002)),
    ("worn 45", worn_lp(rpm=45.0, speed_error=0.012)),
    ("dusty 33", used_lp(dust_per_min=150.0, crackle_share=0.8, speed_error=-0.006)),
    ("bad 80", bad_78(rpm=80.0, speed_error=-0.001)),
)


def _ppm(estimate: TurnEstimate, truth_s: float) -> str:
    if estimate.source == "none":
        return f"{'-':>16}"
    return f"{1e6 * (estimate.period_s / truth_s - 1.0):+9.1f} ({estimate.sd_ppm:4.0f})"


def _known(pressed: Pressed) -> TurnEstimate:
    truth = pressed.truth
    events = truth.events[truth.events["size_db"] >= EVENT_DB]
    return estimate_turn(
        events["start_frame"] / truth.rate_hz,
        events["size_db"],
        duration_s=truth.length_frames / truth.rate_hz,
        channels=np.array([3, 1, 2])[events["channel"] + 1],
        locked_groove_s=_locked_groove(pressed),
    )


def _locked_groove(pressed: Pressed) -> tuple[float, float]:
    """From a turn after the music to the needle's end, as a survey knows it."""
    truth = pressed.truth
    start = truth.music_stop_frame / truth.rate_hz + truth.turn_period_s
    return start, truth.needle_up_frame / truth.rate_hz


def _measured(pressed: Pressed) -> tuple[TurnEstimate, TurnEstimate]:
    """From the mender's repairs, and from the sway of the mended take."""
    mender = Mender(MendSettings(), rate_hz=RATE_HZ, channels=2)
    meter = NoiseMeter(RATE_HZ, 2)
    for first in range(0, len(pressed.audio), BLOCK_FRAMES):
        meter.process(mender.process(pressed.audio[first : first + BLOCK_FRAMES]))
    meter.process(mender.flush())
    meter.finish()
    walls = {"L": 1, "R": 2, "both": 3}
    clicks = estimate_turn(
        [repair.start_frame / RATE_HZ for repair in mender.repairs],
        [repair.size_db for repair in mender.repairs],
        duration_s=len(pressed.audio) / RATE_HZ,
        channels=[walls[repair.channel] for repair in mender.repairs],
        locked_groove_s=_locked_groove(pressed),
    )
    return clicks, estimate_turn_from_sway(meter.sway_series(), meter.sway_rate_hz)


def main() -> None:
    """Press, estimate, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="six sides of 90 s")
    parser.add_argument("--seconds", type=float, default=0.0, help="length of the music of a side")
    options = parser.parse_args()
    seconds = options.seconds or (90.0 if options.quick else 300.0)
    sides = SIDES[::2] if options.quick else SIDES
    print(f"{'side':<20}{'known events':>16}{'mender events':>17}{'sway':>17}{'joined':>17}   source")
    errors: dict[str, list[float]] = {"known": [], "mender": [], "sway": [], "joined": []}
    ratios: list[float] = []
    for number, (name, settings) in enumerate(sides):
        count = max(1, round(seconds / 150.0))
        pieces = real_music.load_pieces("mixed", count, seconds / count, RATE_HZ, first=1 + 3 * number)
        pressed = press_side(pieces, rate_hz=RATE_HZ, settings=settings, seed=100 + number)
        truth_s = pressed.truth.turn_period_s
        known = _known(pressed)
        began = time.perf_counter()
        clicks, sway = _measured(pressed)
        joined = agree_on_turn(clicks, sway)
        row = {"known": known, "mender": clicks, "sway": sway, "joined": joined}
        print(
            f"{name:<20}"
            + " ".join(_ppm(estimate, truth_s) for estimate in row.values())
            + f"   {joined.source}   ({time.perf_counter() - began:.0f} s)",
            flush=True,
        )
        for key, estimate in row.items():
            if estimate.source != "none":
                errors[key].append(1e6 * (estimate.period_s / truth_s - 1.0))
        if joined.source != "none":
            ratios.append(errors["joined"][-1] / joined.sd_ppm)
    for key, values in errors.items():
        if values:
            sizes = np.abs(values)
            share = np.mean(sizes <= 20.0)
            print(
                f"{key:<8} found {len(values)}/{len(sides)}  median {np.median(sizes):.1f} ppm  worst "
                f"{sizes.max():.0f}  within 20 ppm {share:.0%}"
            )
    if ratios:
        print(f"joined error over claimed sd, rms: {np.sqrt(np.mean(np.square(ratios))):.2f} (1 is honest)")


if __name__ == "__main__":
    main()
