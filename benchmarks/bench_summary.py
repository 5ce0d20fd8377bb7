"""The table of goals: what is measured, on what, against which reference, and what was wanted.

Every row calls the functions of the benchmark that goes deeper, at its quick size; figures here are therefore a
first look. References run in the same call on the same material.

    ./run bench summary            about ten minutes on two quiet cores
    ./run bench summary mend ...   only these rows: mend, tracks, turn, transfer, capture
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks import bench_capture, bench_mend, bench_tracks, bench_transfer, bench_turn, real_music
from benchmarks.mend_cases import JUDGED
from benchmarks.track_cases import plain_case
from sidekeep.dsp.turn.period import agree_on_turn
from sidekeep.press.disc.side import press_side
from sidekeep.press.music.nullset import BORROWED, null_set
from sidekeep.press.scoring.mending import MendScore, score_mending

MENDED_KINDS = ("tick", "pop", "crackle", "thump")
TRANSFER_MINUTES = 3.0
CAPTURE_S = 30.0
TURN_SIDES = 3
TRACK_SIDES = 4
NULL_SET_S = 12.0


@dataclass(frozen=True)
class Row:
    """One line of the table; texts, because units differ."""

    what: str
    ours: str
    reference: str
    goal: str


@dataclass
class _Mended:
    """One side, mended by us and by the reference."""

    ours: MendScore
    theirs: MendScore | None
    ours_s: float
    theirs_s: float
    length_s: float


def _mend_sides(count: int) -> list[_Mended]:
    done = []
    for case in JUDGED[:count]:
        side = case.press()
        bench_mend.mend(side.audio[: 4 * case.rate_hz], case.rate_hz)
        began = time.perf_counter()
        mended, repairs = bench_mend.mend(side.audio, case.rate_hz)
        ours_s = time.perf_counter() - began
        began = time.perf_counter()
        filtered = bench_mend.reference(side.audio, case.rate_hz)
        theirs_s = time.perf_counter() - began
        theirs = score_mending(side.audio, side.twin, filtered, side.truth) if filtered is not None else None
        ours = score_mending(side.audio, side.twin, mended, side.truth, repairs)
        done.append(_Mended(ours, theirs, ours_s, theirs_s, len(side.audio) / case.rate_hz))
    return done


def _falls(scores: Sequence[MendScore]) -> str:
    """Median falls by kind, mean over the sides, and of the side as a whole."""
    if not scores:
        return "-"
    kinds = [
        np.mean(
            [score.kinds[kind].median_fall_db for score in scores if score.kinds[kind].audible] or [np.nan]
        )
        for kind in MENDED_KINDS
    ]
    side = np.mean([score.side_fall_db for score in scores])
    return " / ".join(f"{fall:.1f}" for fall in kinds) + f"; side {side:+.1f} dB"


def _harm(scores: Sequence[MendScore], false_per_min: float | None) -> str:
    if not scores:
        return "-"
    worse = np.mean([score.all.share_worse for score in scores])
    outside = max(score.outside_change_db for score in scores)
    false = f"; {false_per_min:.2f} a minute" if false_per_min is not None else ""
    return f"{100 * worse:.1f} %; {outside:.0f} dB{false}"


def _false_per_minute() -> float:
    false, minutes = 0, 0.0
    for name, audio in null_set(44_100, NULL_SET_S, 1):
        if name not in BORROWED:
            false += len(bench_mend.mend(audio, 44_100)[1])
            minutes += len(audio) / 44_100 / 60.0
    return false / minutes


def mend_rows() -> list[Row]:
    """Quality, harm and speed of mending."""
    done = _mend_sides(2)
    ours = [each.ours for each in done]
    theirs = [each.theirs for each in done if each.theirs is not None]
    speed = np.mean([each.length_s / each.ours_s for each in done])
    other = np.mean([each.length_s / each.theirs_s for each in done]) if theirs else 0.0
    return [
        Row(
            "error fall, tick / pop / crackle / thump",
            _falls(ours),
            _falls(theirs),
            "13 / 13 / 13 / 6; +5 dB",
        ),
        Row(
            "made worse; changed outside; false repairs",
            _harm(ours, _false_per_minute()),
            _harm(theirs, None),
            "1 %; -50 dB; 0.5 a minute",
        ),
        Row(
            "mending speed, x real time",
            f"{speed:.0f}x" + (f", {speed / other:.1f} of the reference" if other else ""),
            f"{other:.0f}x" if other else "-",
            "4 of the reference",
        ),
    ]


def track_rows() -> list[Row]:
    """Starts of tracks on sides that nothing was tuned to."""
    real_music.fetch()
    whole, sure = bench_tracks.Tally(), list[tuple[float, bool]]()
    cases = [plain_case("judge", bench_tracks.FIRST_JUDGE + number) for number in range(TRACK_SIDES)]
    for case in cases:
        tally = bench_tracks.Tally()
        bench_tracks.judge(case, tally, sure)
        whole.add(tally)
    beside = bench_tracks.reference(cases) if any(case.silences_s for case in cases) else "-"
    return [
        Row(
            "track starts within 0.5 s, gaps",
            f"{whole.text('gap starts')} with sleeve; {whole.text('found')} without",
            beside,
            "all; 97 %",
        ),
        Row("segues within 3 s, with sleeve", whole.text("segues"), "hand work", "95 %"),
    ]


def turn_rows() -> list[Row]:
    """The turn of used sides."""
    errors = []
    for number, (_, settings) in enumerate(bench_turn.SIDES[:TURN_SIDES]):
        pieces = real_music.load_pieces("mixed", 1, 90.0, bench_turn.RATE_HZ, first=1 + 3 * number)
        pressed = press_side(pieces, rate_hz=bench_turn.RATE_HZ, settings=settings, seed=100 + number)
        found = agree_on_turn(*bench_turn._measured(pressed))
        if found.source != "none":
            errors.append(abs(1e6 * (found.period_s / pressed.truth.turn_period_s - 1.0)))
    middle = f"median {np.median(errors):.0f} ppm, worst {max(errors):.0f}" if errors else "none"
    return [Row("turn period", f"{middle} ({len(errors)} of {TURN_SIDES} found)", "strobe disc", "20 ppm")]


def transfer_rows() -> list[Row]:
    """Time and memory of the whole job."""
    bench_transfer.warm_up()
    found = bench_transfer.compare(TRANSFER_MINUTES)
    bare = found.bare
    return [
        Row(
            f"transfer, {TRANSFER_MINUTES:g} min of 96/24 to FLAC + MP3",
            f"{found.wall_ratio:.2f} by wall time, {found.cpu_ratio:.2f} by CPU; {found.job.peak_mb:.0f} MB",
            f"encoders {bare.wall_s:.1f} s, CPU {bare.cpu_s:.1f} s",
            "2; 700 MB",
        )
    ]


def capture_rows() -> list[Row]:
    """Recording under load."""
    done = bench_capture.capture(CAPTURE_S)
    if done is None:
        return []
    session, heard = done
    flags = sum(session.news.get(kind, 0) for kind in ("overflow", "gap", "lost", "failed"))
    return [
        Row(
            f"capture, 192/24, {CAPTURE_S:g} s, gauge on, busy machine",
            f"{heard.lost_frames} frames lost, {heard.wrong_frames} changed, {flags} alarms",
            "-",
            "nothing lost",
        )
    ]


SECTIONS: dict[str, Callable[[], list[Row]]] = {
    "mend": mend_rows,
    "tracks": track_rows,
    "turn": turn_rows,
    "transfer": transfer_rows,
    "capture": capture_rows,
}


def main() -> None:
    """Print the rows as they come."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("rows", nargs="*", metavar="ROWS", help=", ".join(SECTIONS))
    parser.add_argument("--quick", action="store_true", help="all rows are quick already")
    options = parser.parse_args()
    if unknown := [name for name in options.rows if name not in SECTIONS]:
        parser.error(f"no rows called {unknown[0]}; there are {', '.join(SECTIONS)}")
    print(bench_transfer.machine())
    print(f"{'what':<50} | {'here':<58} | {'reference':<50} | goal")
    for name in options.rows or SECTIONS:
        for row in SECTIONS[name]():
            print(f"{row.what:<50} | {row.ours:<58} | {row.reference:<50} | {row.goal}", flush=True)


if __name__ == "__main__":
    main()
