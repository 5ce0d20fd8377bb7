"""A year later, on pressed pairs whose change is known: alignment, treble, new ticks, no change, chain only, combining.

./run bench compare             everything: some 15 minutes
./run bench compare --quick     fewer pairs of one minute
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

import sidekeep.press.side as press
from benchmarks.bench_transfer import machine
from sidekeep.flow.comparison.combine import prepare
from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.conclusions import conclusions
from sidekeep.model.audio import AudioFormat
from sidekeep.press.groove import Groove
from sidekeep.press.music import demo_pieces
from sidekeep.press.settings import PressSettings, used_lp
from sidekeep.press.side import Piece, Pressed, press_side
from sidekeep.wording.findings import finding_text

Floats = NDArray[np.float64]
SURE_FRAMES = 0.25


class Held:
    """A take in memory, as a source."""

    def __init__(self, audio: Floats, rate_hz: int) -> None:
        self.audio = audio
        self.format = AudioFormat(rate_hz=rate_hz, channels=audio.shape[1], bits=24, length_frames=len(audio))

    def blocks(self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None):  # type: ignore[no-untyped-def]
        stop = len(self.audio) if stop_frame is None else stop_frame
        for start in range(start_frame, stop, block_frames):
            yield self.audio[start : min(stop, start + block_frames)]

    def read(self, start_frame: int, stop_frame: int) -> Floats:
        return self.audio[start_frame:stop_frame]


@dataclass
class Playing:
    """A pressed take and the groove it was played from."""

    pressed: Pressed
    groove: Groove


def play(pieces: list[Piece], rate_hz: int, settings: PressSettings, seed: int, number: int) -> Playing:
    """Press a side and keep its groove, which knows the exact place of every frame."""
    grooves: list[Groove] = []

    def keep(**words: object) -> Groove:
        grooves.append(Groove(**words))  # type: ignore[arg-type]
        return grooves[-1]

    original = press.Groove
    press.Groove = keep  # type: ignore[assignment, misc]
    try:
        pressed = press_side(pieces, rate_hz=rate_hz, settings=settings, seed=seed, play=number)
    finally:
        press.Groove = original  # type: ignore[misc]
    return Playing(pressed, grooves[0])


def true_times(old: Playing, new: Playing, at_s: Floats) -> Floats:
    """Where moments of the old take are in the new one, from both grooves."""
    rate_hz = old.pressed.truth.rate_hz

    def frames(one: Playing) -> Floats:
        return one.pressed.truth.needle_down_frame + one.groove.knot_frames * np.arange(
            len(one.groove.position)
        )

    position = CubicSpline(frames(old), old.groove.position)(at_s * rate_hz)
    return np.asarray(CubicSpline(new.groove.position, frames(new))(position)) / rate_hz


def show_alignment(name: str, comparison: Comparison, old: Playing, new: Playing) -> None:
    """Error of the curve where there is music and the curve says it is sure."""
    curve = comparison.alignment.curve
    if curve is None:
        print(f"  {name}: not recognised as the same side")
        return
    truth = old.pressed.truth
    at_s = np.arange(
        truth.music_start_frame / truth.rate_hz + 1.0, truth.music_stop_frame / truth.rate_hz - 1.0, 0.01
    )
    error = (curve.at(at_s) - true_times(old, new, at_s)) * truth.rate_hz
    sd = (
        np.interp(at_s, curve.start_s + curve.step_s * np.arange(len(curve.sd_s)), curve.sd_s) * truth.rate_hz
    )
    sure = sd < SURE_FRAMES
    print(
        f"  {name}: median {np.median(np.abs(error)):.3f}, rms {np.sqrt(np.mean(error[sure] ** 2)):.3f} frames where "
        f"sure ({100 * sure.mean():.0f} % of the music), error over claimed deviation "
        f"{np.sqrt(np.mean((error[sure] / sd[sure]) ** 2)):.2f}"
    )


def changed_events(of: Pressed, other: Pressed, *, audible: bool = True) -> NDArray[np.float64]:
    """Seconds of events (or of the audible ones) of one take that the other does not have."""

    def place(event: object) -> tuple[int, int, float]:
        return int(event["turn"]), int(event["kind"]), round(float(event["angle"]), 6)  # type: ignore[index]

    there = {place(event) for event in other.truth.events}
    events = of.truth.events[of.truth.audible()] if audible else of.truth.events
    single = [event for event in events if place(event) not in there]
    low, high = of.truth.music_start_frame, of.truth.music_stop_frame
    return (
        np.array([event["start_frame"] for event in single if low <= event["start_frame"] < high])
        / of.truth.rate_hz
    )


def count_marks(comparison: Comparison, old: Pressed, new: Pressed) -> tuple[int, int, int]:
    """New marks pressed, found, and claimed without being there."""
    curve = comparison.alignment.curve
    assert curve is not None
    wanted = changed_events(new, old)
    told = curve.at(np.array([mark.start_s for mark in comparison.marks if mark.state == "new"]))
    found = sum(bool(np.any(np.abs(told - at) < 0.004)) for at in wanted)
    pressed = changed_events(new, old, audible=False)
    false = sum(not np.any(np.abs(pressed - at) < 0.004) for at in told)
    return len(wanted), found, int(false)


def treble_at(comparison: Comparison, part: str) -> tuple[float, float]:
    """Change at 10 kHz against the plain level, mean of both channels, and the smallest detectable one."""
    rows = [band for band in comparison.bands if band.part == part and 9_500.0 < band.hz < 10_500.0]
    changes = [
        band.change_db - comparison.level_change_db(band.channel)
        for band in rows
        if np.isfinite(band.change_db)
    ]
    return (float(np.mean(changes)) if changes else float("nan")), max(band.detectable_db for band in rows)


def seconds(pieces: list[Piece], rate_hz: int, length_s: float) -> list[Piece]:
    """The pieces cut to a total length."""
    left, out = int(length_s * rate_hz), []
    for piece in pieces:
        if left > rate_hz:
            out.append(Piece(piece.audio[:left], piece.title, boundary=piece.boundary))
        left -= len(piece.audio)
    return out


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--pairs", type=int, default=0, help="pairs without change (default 20, quick 3)")
    options = parser.parse_args()
    print(machine())
    rate_hz, length_s = 44_100, 60.0 if options.quick else 140.0
    pieces = [
        Piece(piece.audio, piece.title, boundary=piece.boundary)
        for side in ("A", "B")
        for piece in demo_pieces(side, rate_hz)  # type: ignore[arg-type]
    ]
    first = seconds(pieces, rate_hz, length_s)
    kept = used_lp(loose_dust=0.0)
    old = play(first, rate_hz, kept, 5, 0)

    def against(settings: PressSettings, number: int, name: str) -> Comparison:
        new = play(first, rate_hz, settings, 5, number)
        return judge(name, new, new.pressed.audio)

    def judge(name: str, new: Playing, audio: Floats) -> Comparison:
        comparison = compare_takes(Held(old.pressed.audio, rate_hz), Held(audio, rate_hz))
        show_alignment(name, comparison, old, new)
        wanted, found, false = count_marks(comparison, old.pressed, new.pressed)
        treble = [treble_at(comparison, part) for part in ("outer", "middle", "inner")]
        print(
            f"    new marks {wanted}, found {found}, false {false}; treble at 10 kHz outer {treble[0][0]:+.2f}, "
            f"middle {treble[1][0]:+.2f}, inner {treble[2][0]:+.2f} dB (seen from {treble[1][1]:.2f})"
        )
        for finding in conclusions(comparison):
            print(f"    {finding.severity}: {finding_text(finding, max(comparison.rate_hz, 1))}")
        return comparison

    print("alignment, change known")
    against(kept, 1, "played again")
    against(kept.but(wear_db=0.6), 2, "worn 0.6 dB at 10 kHz at the end of the side")
    against(kept.but(stylus_db=-0.3), 3, "another stylus, 0.3 dB less at 10 kHz")
    against(kept.but(new_ticks=20), 4, "20 new ticks")
    new = play(first, rate_hz, kept, 5, 5)
    hum = 0.003 * np.sin(2 * np.pi * 50.0 * np.arange(len(new.pressed.audio)) / rate_hz)[:, None]
    judge(
        "chain only: 2.8 dB less, balance 0.6 dB, hum at -53 dBFS",
        new,
        new.pressed.audio * [0.75, 0.70] + hum,
    )

    print("other speed (another turntable)")
    other = play(first, rate_hz, kept.but(speed_error=0.004, speed_drift=0.002), 5, 6)
    show_alignment(
        "0.4 % slower, drifting",
        compare_takes(Held(old.pressed.audio, rate_hz), Held(other.pressed.audio, rate_hz)),
        old,
        other,
    )

    print("no change: what is claimed all the same")
    pairs = options.pairs or (3 if options.quick else 20)
    claims = 0
    for number in range(pairs):
        new = press_side(first, rate_hz=rate_hz, settings=kept, seed=5, play=100 + number)
        found = [
            finding
            for finding in conclusions(
                compare_takes(Held(old.pressed.audio, rate_hz), Held(new.audio, rate_hz))
            )
            if finding.kind != "unchanged"
        ]
        claims += len(found)
        for finding in found:
            print(f"    claimed: {finding_text(finding, rate_hz)}")
    print(f"  {claims} claims in {pairs} pairs")

    print("different recordings")
    second = press_side(seconds(pieces[::-1], rate_hz, length_s), rate_hz=rate_hz, settings=kept, seed=6)
    line = compare_takes(Held(old.pressed.audio, rate_hz), Held(second.audio, rate_hz)).alignment.line
    print(f"  taken for the same: {line.is_same} ({round(100 * line.share)} % of places on one line)")

    print("combining two takes (loose dust 30 %)")
    loose = used_lp()
    one, two = (
        press_side(first, rate_hz=rate_hz, settings=loose, seed=5, play=number, keep_music=True)
        for number in (20, 21)
    )
    combiner = prepare(Held(one.audio, rate_hz), [Held(two.audio, rate_hz)])
    mixed = np.concatenate(list(combiner.blocks()))
    show_combined(one, two, mixed, combiner.facts.replaced_frames)

    print("speed")
    minutes = 1.0 if options.quick else 10.0
    copies = int(np.ceil(minutes * 60.0 / (len(old.pressed.audio) / rate_hz)))
    again = press_side(first, rate_hz=rate_hz, settings=kept, seed=5, play=1)
    long_old, long_new = (
        np.concatenate([audio] * copies)[: int(minutes * 60 * rate_hz)]
        for audio in (old.pressed.audio, again.audio)
    )
    begun, processor = time.perf_counter(), time.process_time()
    compare_takes(Held(long_old, rate_hz), Held(long_new, rate_hz))
    print(
        f"  {minutes:g} minutes at 44.1 kHz: {time.perf_counter() - begun:.1f} s, "
        f"{time.process_time() - processor:.1f} s of processor"
    )


def show_combined(one: Pressed, two: Pressed, mixed: Floats, replaced: int) -> None:
    """Error against the music alone, in ten-second windows, beside the ruler by itself."""
    rate_hz = one.truth.rate_hz
    low, high = one.truth.music_start_frame, one.truth.music_stop_frame

    def error(audio: Floats, music: Floats) -> Floats:
        rest = np.square(audio - music)[low:high].sum(axis=1)
        count = len(rest) // (10 * rate_hz)
        return np.asarray(rest[: count * 10 * rate_hz].reshape(count, -1).mean(axis=1))

    # held against the music alone as the ruler plays it: damage and noise both count
    assert one.music is not None
    single, joined = error(one.audio, one.music), error(mixed, one.music)
    print(
        f"  error against the music alone, ten seconds at a time: median {10 * np.log10(np.median(joined / single)):+.1f} dB, "
        f"worst {10 * np.log10(np.max(joined / single)):+.1f} dB; {replaced} frames taken from the other"
    )
    gap = slice(
        int(one.truth.tracks[0].stop_frame + 0.3 * rate_hz),
        int(one.truth.tracks[0].stop_frame + 1.3 * rate_hz),
    )

    def noise_db(audio: Floats) -> float:
        from scipy.signal import butter, sosfilt

        high = sosfilt(butter(4, 500, "high", fs=rate_hz, output="sos"), audio[gap], axis=0)[2000:]
        return float(
            10
            * np.log10(
                np.median(np.square(high[: len(high) // 200 * 200]).reshape(-1, 200, 2).mean(axis=(1, 2)))
            )
        )

    print(
        f"  noise in a gap: one take {noise_db(one.audio):.2f}, combined {noise_db(mixed):.2f} dB "
        f"({noise_db(mixed) - noise_db(one.audio):+.2f}; -3.01 for two equal ones)"
    )


if __name__ == "__main__":
    main()
