"""Mending, judged against the truth, with a reference beside it in the same run.

    ./run bench mend [--quick] [--only PART[,PART ...]]

Parts: sides, harm, thumps, rates, lossy, speed, turn, other, clean; all of them without ``--only``.

The reference is the autoregressive click filter of a general-purpose audio library (ffmpeg's ``adeclick`` at its
default settings), run as its command line tool on the same samples; without that tool its rows are left out. The
*true spans* rows give our estimator the true places: what the detector leaves on the table. Speeds are times real
time, wall clock, first run of each kernel left out.
"""

from __future__ import annotations

import argparse
import math
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchmarks.mend_cases import (
    HIDDEN_DB,
    JUDGED,
    Case,
    clean_music,
    falls_db,
    gently_raised,
    other_damage,
    press_sharp,
    tail_levels,
    through_encoder,
    worst_window,
)
from benchmarks.mend_commands import process_and_all, start_up_s
from benchmarks.real_music import PRESSED, UNSEEN, fetch, list_files, load_pieces
from benchmarks.sharp_sounds import SHARP
from sidekeep.dsp.impulses.channel import CONTEXT, order_for
from sidekeep.dsp.impulses.estimate import estimate_spans
from sidekeep.flow.mend import Mender, mender_identity
from sidekeep.model.recipe import MendSettings, MendSize
from sidekeep.model.repair import Repair, left_in_doubt
from sidekeep.press.disc.side import PRESETS, Pressed, press_side
from sidekeep.press.disc.truth import THUMP
from sidekeep.press.music.nullset import BORROWED, null_set
from sidekeep.press.scoring.mending import MendScore, score_mending, share_mended_where_possible

Floats = NDArray[np.float64]
BLOCK = 65_536
CORES = (0.05, 0.02, 0.1)
"""True spans are cut to where the disturbance is over such a share of its peak: tails below it are not estimated."""


def mend(
    audio: Floats, rate_hz: int, *, use_turn: bool = True, size: MendSize = "even", lossy: bool = False
) -> tuple[Floats, list[Repair]]:
    """Ours, in blocks, with what is in doubt left."""
    mender = Mender(
        MendSettings(size=size),
        rate_hz=rate_hz,
        channels=audio.shape[1],
        lossy=lossy,
        use_turn=use_turn,
    )
    out = [mender.process(audio[at : at + BLOCK]) for at in range(0, len(audio), BLOCK)]
    out.append(mender.flush())
    mended, left = np.concatenate(out), left_in_doubt(mender.repairs)
    for repair in (mender.repairs[index] for index in left):
        span = slice(repair.start_frame, repair.stop_frame)
        walls = {"L": slice(1), "R": slice(1, 2), "both": slice(2)}[repair.channel]
        mended[span, walls] = audio[span, walls]
    return mended, [repair for index, repair in enumerate(mender.repairs) if index not in left]


def reference(audio: Floats, rate_hz: int) -> Floats | None:
    """The reference filter, or None where the tool is not there."""
    tool = shutil.which("ffmpeg")
    if tool is None:
        return None
    raw = ["-f", "f64le", "-ar", str(rate_hz), "-ac", str(audio.shape[1])]
    command = [tool, "-v", "error", *raw, "-i", "-", "-af", "adeclick", *raw, "-"]
    got = subprocess.run(command, input=audio.astype("<f8").tobytes(), capture_output=True, check=True)
    out = np.frombuffer(got.stdout, dtype="<f8").reshape(-1, audio.shape[1])
    fitted = audio.copy()
    fitted[: len(out)] = out[: len(audio)]
    return fitted


def with_true_spans(side: Pressed, core_share: float) -> Floats:
    """Our estimator where the damage really is (thumps left out: they are not estimated but subtracted)."""
    audio, twin, truth = side.audio, side.twin, side.truth
    rate_factor = max(1, round(truth.rate_hz / 48_000))
    spans = []
    for event in truth.events:
        start, stop = int(event["start_frame"]), int(event["stop_frame"])
        if event["kind"] == THUMP or start < 4096 or stop > len(audio) - 4096:
            continue
        size = np.abs(audio[start:stop] - twin[start:stop]).max(axis=1)
        core = np.flatnonzero(size > core_share * size.max())
        if core.size and size.max() > 0.0:
            first = start + int(core[0])
            spans.append((first, min(start + int(core[-1]) + 1, first + 300 * rate_factor)))
    observed = np.ascontiguousarray(audio.T)
    working = observed.copy()
    explained = np.empty(len(spans))
    for _ in range(2):
        estimate_spans(
            observed,
            working,
            np.array(spans, dtype=np.int64),
            CONTEXT * rate_factor,
            order_for(rate_factor),
            8,
            rate_factor,
            explained,
        )
    return np.ascontiguousarray(working.T)


def _line(name: str, score: MendScore, speed: float | None) -> str:
    cells = [f"{name:<11}"]
    for kind in ("tick", "pop", "crackle", "thump"):
        row = score.kinds[kind]
        cells.append(
            f"{row.median_fall_db:6.1f} {100 * row.share_worse:4.1f}" if row.audible else f"{'-':>6} {'-':>4}"
        )
    cells.append(f"{score.loud.median_fall_db:5.1f}")
    cells.append(f"{100 * score.all.share_strong_mended:6.1f}")
    cells.append(f"{score.side_fall_db:6.1f} {score.outside_change_db:7.1f}")
    false = score.false_repairs_per_min
    cells.append(f"{false:6.1f}" if false is not None else f"{'-':>6}")
    cells.append(f"{speed:6.0f}x" if speed else "")
    return " | ".join(cells)


def judge_side(case: Case, quick: bool) -> None:
    """The rows of one side."""
    side = case.press()
    rate, seconds = case.rate_hz, len(side.audio) / case.rate_hz
    mend(side.audio[: 4 * rate], rate)
    began = time.perf_counter()
    mended, repairs = mend(side.audio, rate)
    ours_s = time.perf_counter() - began
    print(f"\n{case.name}: {len(side.truth.events)} events in {seconds:.0f} s")
    print(
        f"{'':<11} | {'tick':^11} | {'pop':^11} | {'crackle':^11} | {'thump':^11} | loud  | strong | "
        "side, outside dB | false | speed"
    )
    score = score_mending(side.audio, side.twin, mended, side.truth, repairs)
    print(_line("ours", score, seconds / ours_s))
    if not quick:
        plain, plain_repairs = mend(side.audio, rate, use_turn=False)
        print(_line("no turn", score_mending(side.audio, side.twin, plain, side.truth, plain_repairs), None))
    bests = [with_true_spans(side, core) for core in CORES]
    print(_line("true spans", score_mending(side.audio, side.twin, bests[0], side.truth), None))
    began = time.perf_counter()
    filtered = reference(side.audio, rate)
    if filtered is not None:
        other_s = time.perf_counter() - began
        score = score_mending(side.audio, side.twin, filtered, side.truth)
        print(_line("reference", score, seconds / other_s), f"  ours is {other_s / ours_s:.1f} times as fast")
    rise_db, at_s = worst_window(side, mended)
    heard_db, _ = worst_window(side, mended, heard_only=True)
    print(
        f"worst ten seconds of ours: {rise_db:+.1f} dB, from {at_s} s; of what can be heard {heard_db:+.1f} dB"
    )
    able = [
        100.0 * share_mended_where_possible(side.audio, side.twin, out, others, side.truth)[0]
        for out, others in (
            (mended, bests),
            (bests[0], bests[1:]),
            (bests[1], bests[::2]),
            (bests[2], bests[:2]),
        )
    ]
    print(
        f"strong events that fall by 6 dB with true spans, however cut: ours does so for {able[0]:.1f} %; true spans cut "
        f"at 5, 2, 10 %, each against the other two: {able[1]:.1f}, {able[2]:.1f}, {able[3]:.1f} %"
    )


def judge_sides(quick: bool) -> None:
    """Damage of every kind on used, worn and bad records."""
    print(
        "\nmedian error fall per audible event in dB and share made worse in %, by kind; loud: median fall from 20 dB over\n"
        "the local slope; strong: share of events 12 dB over it whose error fell by 6 dB or more, in %; false: repairs\n"
        "a minute off any damage"
    )
    for case in JUDGED[:2] if quick else JUDGED:
        judge_side(case, quick)


def judge_harm(quick: bool) -> None:
    """Sounds with a sharp edge in every cycle: goal, no ten seconds more than 1 dB worse than they were."""
    print(
        "\nsharp sounds pressed, the worst ten seconds: error after over before, false a minute, the side better by"
    )
    for name in SHARP if not quick else list(SHARP)[:2]:
        for preset, speed_error in (("worn_lp", -0.03), ("used_lp", -0.004)):
            side = press_sharp(name, preset, speed_error)
            mended, repairs = mend(side.audio, side.truth.rate_hz)
            score = score_mending(side.audio, side.twin, mended, side.truth, repairs)
            rise_db, at_s = worst_window(side, mended)
            heard_db, _ = worst_window(side, mended, heard_only=True)
            print(
                f"  {name}, {preset}: {rise_db:+.1f} dB from {at_s} s (what can be heard {heard_db:+.1f}), "
                f"{score.false_repairs_per_min:.0f}, {score.side_fall_db:.1f}"
            )


def judge_thumps(quick: bool) -> None:
    """Low tails by how far they stand over the music's own bass; goal, 6 dB off those that can be heard."""
    print(
        f"\ntails of thumps by their level over the bass (heard from {HIDDEN_DB:.0f} dB): median fall dB, share by 6 dB or more"
    )
    over_db, falls = (
        np.concatenate(parts)
        for parts in zip(
            *(
                tail_levels(side, mend(side.audio, side.truth.rate_hz)[0])
                for side in (case.press() for case in JUDGED[: 2 if quick else len(JUDGED)])
            ),
            strict=True,
        )
    )
    for low, high in ((-np.inf, -12.0), (-12.0, HIDDEN_DB), (HIDDEN_DB, 0.0), (0.0, 12.0), (12.0, np.inf)):
        here = falls[(over_db >= low) & (over_db < high)]
        if len(here):
            print(
                f"  {low:.0f} to {high:.0f} dB: {len(here)} tails, {np.median(here):.1f}, {100 * np.mean(here >= 6.0):.0f} %"
            )
    heard = falls[over_db >= HIDDEN_DB]
    print(
        f"  all that can be heard: {len(heard)}, {np.median(heard):.1f}, {100 * np.mean(heard >= 6.0):.0f} %"
    )


def judge_rates(quick: bool) -> None:
    """The same sides brought to other rates, mended there, and judged at their own: goal, all within 1 dB."""
    import soxr
    from scipy.signal import resample_poly

    print(
        "\nbrought to another rate, mended there, brought back: repairs, fall of ticks, crackle, loud, strong %, side"
    )
    for case in JUDGED[: 1 if quick else 2]:
        side = case.press()
        frames = len(side.audio)
        brought = [
            (f"{rate}", rate, soxr.resample(side.audio, case.rate_hz, rate, quality="VHQ"))
            for rate in (case.rate_hz, 48_000, 88_200, 96_000, 192_000)
        ]
        for rate in (48_000, 88_200, 96_000, 192_000):
            gentle = gently_raised(side.audio, case.rate_hz, rate)
            if gentle is not None:
                brought.append((f"{rate}, by a gentle filter", rate, gentle))
            common = math.gcd(case.rate_hz, rate)
            gentlest = resample_poly(side.audio, rate // common, case.rate_hz // common, axis=0)
            brought.append((f"{rate}, by the gentlest filter", rate, gentlest))
        for name, rate, audio in brought:
            mended, repairs = mend(audio, rate)
            back = np.zeros_like(side.audio)
            given = soxr.resample(mended, rate, case.rate_hz, quality="VHQ")[:frames]
            back[: len(given)] = given
            score = score_mending(side.audio, side.twin, back, side.truth)
            print(
                f"  {case.name} at {name}: {len(repairs)}, {score.kinds['tick'].median_fall_db:.1f}, "
                f"{score.kinds['crackle'].median_fall_db:.1f}, {score.loud.median_fall_db:.1f}, "
                f"{100 * score.all.share_strong_mended:.1f}, {score.side_fall_db:.1f}"
            )


def judge_lossy(quick: bool) -> None:
    """Sides and clean music through an encoder, first as a file that does not tell so, then as one that does."""
    print(
        "\nthrough an MP3, not told and told: repairs, fall of ticks, crackle, loud, strong %, side, worst ten s"
    )
    for case in JUDGED[: 1 if quick else 2]:
        side = case.press()
        for kbit_s in (320,) if quick else (320, 192, 128):
            encoded = through_encoder(side.audio, case.rate_hz, kbit_s)
            for told in (False, True) if encoded is not None else ():
                mended, repairs = mend(encoded, case.rate_hz, lossy=told)
                score = score_mending(side.audio, side.twin, mended, side.truth, repairs)
                print(
                    f"  {case.name}, {kbit_s} kbit/s, {'told' if told else 'not told'}: {len(repairs)}, "
                    f"{score.kinds['tick'].median_fall_db:.1f}, {score.kinds['crackle'].median_fall_db:.1f}, "
                    f"{score.loud.median_fall_db:.1f}, {100 * score.all.share_strong_mended:.1f}, "
                    f"{score.side_fall_db:.1f}, {worst_window(side, mended, given=encoded)[0]:.1f}, false "
                    f"{score.false_repairs_per_min:.1f}",
                    flush=True,
                )
    print("clean music through an MP3 at 320 kbit/s, false repairs a minute, not told and told:")
    for kind in (*PRESSED, *(() if quick else UNSEEN)):
        fetch((kind,))
        counts = []
        for number in range(1, len(list_files(kind)) + 1, 6 if kind in PRESSED else 2):
            music = through_encoder(0.5 * clean_music(kind, number, 20.0, 44_100), 44_100, 320)
            if music is not None:
                counts.append([len(mend(music, 44_100, lossy=told)[1]) for told in (False, True)])
        if counts:
            plain, told_so = np.sum(counts, axis=0) / (len(counts) / 3.0)
            print(
                f"  {kind}: {plain:.1f}, {told_so:.1f} over {len(counts) / 3.0:.1f} min; worst piece {np.max(counts, axis=0)}"
            )


def judge_speed(quick: bool) -> None:
    """Long sides: what a person waits for."""
    print(
        "\nspeed on longer sides, times real time, and times the reference in the same run (goals: 4 used, 2 worn):"
    )
    print(f"  {'side':<28} | {'wall':>5} | {'a core':>6} | times the reference")
    for preset, rate, minutes in (("used_lp", 44_100, 6), ("worn_lp", 44_100, 4), ("used_lp", 96_000, 1)):
        pieces = load_pieces("mixed", max(1, minutes // 2), 60.0 * min(2, minutes), rate, first=10)
        side = press_side(pieces, rate_hz=rate, settings=PRESETS[preset](), seed=5)
        seconds = len(side.audio) / rate
        mend(side.audio[: 4 * rate], rate)
        began = time.perf_counter(), time.process_time()
        mend(side.audio, rate)
        ours_s, ours_cpu_s = time.perf_counter() - began[0], time.process_time() - began[1]
        began_s = time.perf_counter()
        filtered = None if quick else reference(side.audio, rate)
        ratio = f"{(time.perf_counter() - began_s) / ours_s:.1f}" if filtered is not None else "-"
        name = f"{preset}, {rate} Hz, {seconds / 60.0:.1f} min"
        print(f"  {name:<28} | {seconds / ours_s:5.0f} | {seconds / ours_cpu_s:6.0f} | {ratio}", flush=True)
        if rate == 44_100:
            cells, runs = process_and_all(side.audio, rate, with_reference=not quick)
            print(f"  {'  process and all':<28} | {cells}\n    {runs}", flush=True)
    print(f"  start-up, and one second of sound: {start_up_s():.2f} s (goal: under 1)")


def judge_turn(quick: bool) -> None:
    """What the turn of the disc is worth: long scratches, some of them faint, with the prior off and on."""
    print(
        "\nscratches, turn of the disc off and on: ticks touched, strong mended %, median fall dB, worse %, false"
    )
    for kind, first, seed in (("electronic", 8, 2), ("orchestral", 6, 1), ("electronic", 13, 3))[
        : 1 if quick else 3
    ]:
        pieces = load_pieces(kind, 2, 100.0, 44_100, first=first)  # type: ignore[arg-type]
        settings = PRESETS["used_lp"](
            scratches=10,
            scratch_turns=(40, 110),
            dust_per_min=10.0,
            pops_per_min=1.0,
            click_dbfs=-36.0,
            crackle_per_s=0.0,
            crackle_share=0.0,
        )
        side = press_side(pieces, rate_hz=44_100, settings=settings, seed=seed)
        for use_turn in (False, True):
            mended, repairs = mend(side.audio, 44_100, use_turn=use_turn)
            score = score_mending(side.audio, side.twin, mended, side.truth, repairs)
            tick = score.kinds["tick"]
            print(
                f"  {kind} {first}, {'on' if use_turn else 'off'}: {100 * tick.share_touched:.1f} % of "
                f"{tick.audible}, {100 * tick.share_strong_mended:.1f}, {tick.median_fall_db:.1f}, "
                f"{100 * tick.share_worse:.1f}, {score.false_repairs_per_min:.2f} a minute"
            )


def judge_other_damage(quick: bool) -> None:
    """Damage from outside the press."""
    print("\nother damage (bursts, damped tones, bumps, doublets): median fall dB, 10th percentile, worse %")
    for kind, first, noise, bits in (
        ("orchestral", 15, None, 16),
        ("electronic", 9, None, 16),
        ("orchestral", 15, -64.0, None),
        ("electronic", 9, -56.0, None),
    )[: 2 if quick else 4]:
        music = 0.5 * clean_music(kind, first, 30.0, 44_100)
        damaged, clean, hits = other_damage(music, 44_100, 5, noise_dbfs=noise, bits=bits)
        for name, out in (("ours", mend(damaged, 44_100)[0]), ("reference", reference(damaged, 44_100))):
            if out is not None:
                falls = falls_db(damaged, clean, out, hits)
                side = 10.0 * np.log10(np.sum(np.square(damaged - clean)) / np.sum(np.square(out - clean)))
                print(
                    f"  {kind} {first}, noise {noise}, bits {bits}, {name}: {np.median(falls):.1f}, "
                    f"{np.percentile(falls, 10):.1f}, {100 * np.mean(falls < -0.5):.1f} %, side {side:.1f} dB"
                )


def judge_clean(quick: bool) -> None:
    """Where nothing is to be mended."""
    false, minutes, listed = 0, 0.0, []
    for name, audio in null_set(44_100, 12.0 if quick else 30.0, 1):
        mended, repairs = mend(audio, 44_100)
        untouched = np.ones(len(audio), dtype=bool)
        for repair in repairs:
            untouched[repair.start_frame : repair.stop_frame] = False
        assert np.array_equal(mended[untouched], audio[untouched])
        if name not in BORROWED:
            false += len(repairs)
            minutes += len(audio) / 44_100 / 60.0
        listed.append(f"{name} {len(repairs)}")
    print(
        f"\nnull set: {false / minutes:.2f} false repairs a minute over {minutes:.1f} min, the rest bit-identical"
    )
    print("  " + ", ".join(listed) + f" ({' and '.join(BORROWED)} are made of record noise and not counted)")
    print(
        "clean real music, false repairs a minute, 30 s of every file (for the pressed kinds those not fitted on):"
    )
    for kind in (*PRESSED, *(() if quick else UNSEEN)):
        fetch((kind,))
        numbers = range(1, len(list_files(kind)) + 1, 3 if kind in PRESSED else 1)
        counts = [
            (number, len(mend(0.5 * clean_music(kind, number, 30.0, 44_100), 44_100)[1]))
            for number in numbers
        ]
        rate = sum(count for _, count in counts) / (0.5 * len(counts))
        listed = ", ".join(f"{count} in number {number}" for number, count in counts if count)
        print(f"  {kind}: {rate:.2f} over {0.5 * len(counts):.1f} min ({listed or 'none'})")


PARTS = {
    "sides": judge_sides,
    "harm": judge_harm,
    "thumps": judge_thumps,
    "rates": judge_rates,
    "lossy": judge_lossy,
    "speed": judge_speed,
    "turn": judge_turn,
    "other": judge_other_damage,
    "clean": judge_clean,
}


def asked_for(words: Sequence[str]) -> tuple[list[str], bool]:
    """The parts that are asked for, in the order of ``PARTS``, and whether it is to be quick."""
    parser = argparse.ArgumentParser(prog="bench mend", description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer sides")
    parser.add_argument(
        "--only", metavar="PART[,PART ...]", help=f"these parts, of {', '.join(PARTS)} (default: all)"
    )
    options = parser.parse_args(words)
    asked = list(PARTS) if options.only is None else options.only.split(",")
    if unknown := [word for word in asked if word not in PARTS]:
        parser.error(f"--only {', '.join(unknown)}: must be of {', '.join(PARTS)}")
    return [part for part in PARTS if part in asked], options.quick


def main() -> None:
    """Print the tables."""
    import numba
    import scipy

    parts, quick = asked_for(sys.argv[1:])
    print(
        f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"scipy {scipy.__version__}, numba {numba.__version__}, mender {mender_identity()}"
    )
    for part in parts:
        PARTS[part](quick)


if __name__ == "__main__":
    main()
