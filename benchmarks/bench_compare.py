"""A year later, on pressed pairs whose change is known: alignment, treble, new ticks, no change, chain only, combining.

./run bench compare             everything: some 15 minutes
./run bench compare --quick     fewer pairs of one minute
./run bench compare --only ticks --only combining
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from benchmarks.bench_transfer import machine
from benchmarks.compared_playings import (
    RATE_HZ,
    Held,
    Playing,
    changed_events,
    play,
    true_times,
    true_treble,
)
from sidekeep.flow.comparison.combine import prepare
from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.press.disc.settings import PressSettings, used_lp
from sidekeep.press.disc.side import Piece, Pressed, press_side
from sidekeep.press.music.demo_record import demo_pieces
from sidekeep.service.comparing.thirds import thirds_table
from sidekeep.wording.findings import told

Floats = NDArray[np.float64]
SURE_FRAMES = 0.25


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


def count_marks(comparison: Comparison, old: Pressed, new: Pressed) -> tuple[int, int, int]:
    """New marks pressed, found, and claimed without being there."""
    curve = comparison.alignment.curve
    assert curve is not None
    wanted = changed_events(new, old)
    at_s = curve.at(np.array([mark.start_s for mark in comparison.marks if mark.state == "new"]))
    found = sum(bool(np.any(np.abs(at_s - at) < 0.004)) for at in wanted)
    pressed = changed_events(new, old, audible=False)
    false = sum(not np.any(np.abs(pressed - at) < 0.004) for at in at_s)
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


KEPT = used_lp(loose_dust=0.0)
DUSTY = KEPT.but(dust_per_min=700.0)
"""Some two thousand marks on two minutes, all on the disc."""


def demo_music(rate_hz: int) -> list[Piece]:
    """Both sides of the demo record."""
    return [
        Piece(piece.audio, piece.title, boundary=piece.boundary)
        for side in ("A", "B")
        for piece in demo_pieces(side, rate_hz)  # type: ignore[arg-type]
    ]


def judge(
    name: str,
    old: Playing,
    new: Playing,
    audio: Floats | None = None,
    settings: PressSettings | None = None,
) -> Comparison:
    """Compare, and print what was pressed beside what was found; ``settings`` of the new take if its treble was changed."""
    comparison = compare_takes(
        Held(old.pressed.audio, RATE_HZ), Held(new.pressed.audio if audio is None else audio, RATE_HZ)
    )
    show_alignment(name, comparison, old, new)
    wanted, found, false = count_marks(comparison, old.pressed, new.pressed)
    treble = [treble_at(comparison, part) for part in ("outer", "middle", "inner")]
    print(
        f"    new marks {wanted}, found {found}, false {false}; treble at 10 kHz outer {treble[0][0]:+.2f}, "
        f"middle {treble[1][0]:+.2f}, inner {treble[2][0]:+.2f} dB (seen from {treble[1][1]:.2f})"
    )
    if settings is not None:
        pressed = true_treble(old, settings, comparison)
        print(
            f"    pressed there {pressed[0]:+.2f}, {pressed[1]:+.2f}, {pressed[2]:+.2f} dB; found less pressed "
            + ", ".join(f"{found[0] - true:+.2f}" for found, true in zip(treble, pressed, strict=True))
        )
    for line in told(conclusions(comparison), RATE_HZ):
        print(f"    {line.severity}: {line.text}")
    return comparison


def show_changes(first: list[Piece]) -> None:
    """One known change at a time."""
    print("alignment, change known")
    old = play(first, RATE_HZ, KEPT, 5, 0)
    judge("played again", old, play(first, RATE_HZ, KEPT, 5, 1))
    for wear_db in (0.3, 0.6):
        settings = KEPT.but(wear_db=wear_db)
        worn = play(first, RATE_HZ, settings, 5, 2)
        judge(f"worn {wear_db:g} dB at 10 kHz at the end of the side", old, worn, settings=settings)
    settings = KEPT.but(stylus_db=-0.3)
    stylus = play(first, RATE_HZ, settings, 5, 3)
    judge("another stylus, 0.3 dB less at 10 kHz", old, stylus, settings=settings)
    new = play(first, RATE_HZ, KEPT, 5, 5)
    hum = 0.003 * np.sin(2 * np.pi * 50.0 * np.arange(len(new.pressed.audio)) / RATE_HZ)[:, None]
    chain = new.pressed.audio * [0.75, 0.70] + hum
    judge("chain only: 2.8 dB less, balance 0.6 dB, hum at -53 dBFS", old, new, chain)
    other = play(first, RATE_HZ, KEPT.but(speed_error=0.004, speed_drift=0.002), 5, 6)
    # at another speed the press lays its dust elsewhere on the disc: only the laying on each other can be judged
    show_alignment(
        "another turntable: 0.4 % slower, drifting",
        compare_takes(Held(old.pressed.audio, RATE_HZ), Held(other.pressed.audio, RATE_HZ)),
        old,
        other,
    )


def show_ticks(first: list[Piece], pairs: int) -> None:
    """Twenty new ticks among two thousand old ones, several times."""
    print("20 new ticks on a dusty disc")
    totals = np.zeros(3, int)
    for seed in range(30, 30 + pairs):
        old = play(first, RATE_HZ, DUSTY, seed, 0)
        new = play(first, RATE_HZ, DUSTY.but(new_ticks=20), seed, 1)
        comparison = compare_takes(Held(old.pressed.audio, RATE_HZ), Held(new.pressed.audio, RATE_HZ))
        counted = count_marks(comparison, old.pressed, new.pressed)
        gone = sum(mark.state == "gone" for mark in comparison.marks)
        totals += counted
        print(
            f"  {len(old.pressed.truth.events)} old events: {counted[0]} new and audible, {counted[1]} found, "
            f"{counted[2]} false; {gone} told as gone, none is",
            flush=True,
        )
    print(
        f"  in all {totals[0]} new, {totals[1]} found ({100 * totals[1] / totals[0]:.0f} %), {totals[2]} false"
    )


def show_nothing(pieces: list[Piece], length_s: float, pairs: int) -> None:
    """Pairs without any change, of several discs and other music: whatever is claimed is false, in a sentence or in the table of
    the page."""
    print("no change: what is claimed all the same")
    said, cells = 0, 0
    discs = min(pairs, 4)
    for number in range(pairs):
        disc, again = number * discs // pairs, 100 + number
        if disc != (number - 1) * discs // pairs or not number:
            # the music begins elsewhere on every disc
            music = seconds(pieces[2 * disc :] + pieces[: 2 * disc], RATE_HZ, length_s)
            seed = 5 + 2 * disc
            old = press_side(music, rate_hz=RATE_HZ, settings=KEPT, seed=seed, play=0)
        new = press_side(music, rate_hz=RATE_HZ, settings=KEPT, seed=seed, play=again)
        comparison = compare_takes(Held(old.audio, RATE_HZ), Held(new.audio, RATE_HZ))
        found = [finding for finding in conclusions(comparison) if finding.kind != "unchanged"]
        said += len(found)
        for line in told(found, RATE_HZ):
            print(f"    claimed: {line.text}", flush=True)
        for row in thirds_table(comparison):
            for cell in row.cells:
                if cell.is_clear:
                    cells += 1
                    print(
                        f"    in the table: {row.name}: {cell.change} {row.unit} (seen from {cell.seen})",
                        flush=True,
                    )
    print(f"  {said} claims and {cells} cells of the table in {pairs} pairs of {discs} discs")


def show_other(pieces: list[Piece], length_s: float) -> None:
    """Another recording is no other take."""
    print("different recordings")
    first, second = (
        press_side(seconds(some, RATE_HZ, length_s), rate_hz=RATE_HZ, settings=KEPT, seed=seed)
        for some, seed in ((pieces, 5), (pieces[::-1], 6))
    )
    line = compare_takes(Held(first.audio, RATE_HZ), Held(second.audio, RATE_HZ)).alignment.line
    print(f"  taken for the same: {line.is_same} ({round(100 * line.share)} % of places on one line)")


def show_combining(first: list[Piece]) -> None:
    """Two takes of one side with loose dust on each, and three."""
    takes = [
        press_side(first, rate_hz=RATE_HZ, settings=used_lp(), seed=5, play=number, keep_music=True)
        for number in (20, 21, 22)
    ]
    for count in (2, 3):
        print(f"combining {count} takes (loose dust 30 %)")
        combiner = prepare(
            Held(takes[0].audio, RATE_HZ), [Held(take.audio, RATE_HZ) for take in takes[1:count]]
        )
        mixed = np.concatenate(list(combiner.blocks()))
        show_combined(takes[:count], mixed, combiner.facts.replaced_frames)


def show_time(minutes: float) -> None:
    """A pair at 96 kHz of a length and of half of it: time, and memory that must not grow with it."""
    print("speed and memory, 96 kHz, as 24-bit files")
    some = seconds(demo_music(96_000), 96_000, 140.0)
    pair = [press_side(some, rate_hz=96_000, settings=KEPT, seed=5, play=number).audio for number in (0, 1)]
    with tempfile.TemporaryDirectory() as folder:
        for part in (minutes / 2, minutes):
            frames = int(part * 60 * 96_000)
            for name, audio in zip(("old", "new"), pair, strict=True):
                copies = -(-frames // len(audio))
                whole = np.concatenate([audio] * copies)[:frames]
                soundfile.write(f"{folder}/{name}.wav", np.clip(whole, -1, 1), 96_000, subtype="PCM_24")
            # a process of its own, and of its memory the mark that the kernel keeps for this program alone: what
            # getrusage tells begins with the memory of the process that started it
            print(subprocess.check_output([sys.executable, "-c", _TIMED, folder], text=True).rstrip())


_TIMED = """
import sys, time
from pathlib import Path
from sidekeep.files.reading.reader import open_take
from sidekeep.flow.comparison.compare import compare_takes
old, new = (open_take([Path(sys.argv[1]) / name]) for name in ("old.wav", "new.wav"))
begun, processor = time.perf_counter(), time.process_time()
found = compare_takes(old, new)
(highest,) = [line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")]
print(f"  {old.format.length_s / 60:g} minutes: {time.perf_counter() - begun:.1f} s, {time.process_time() - processor:.1f} s of "
      f"processor, {int(highest) / 1024:.0f} MB, same side: {found.alignment.is_same}")
"""

SECTIONS = ("changes", "ticks", "nothing", "other", "combining", "time")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(prog="bench compare", description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--pairs", type=int, default=0, help="pairs without change (default 20, quick 3)")
    parser.add_argument("--only", choices=SECTIONS, action="append", help="these parts only")
    options = parser.parse_args()
    print(machine())
    length_s = 60.0 if options.quick else 140.0
    pieces = demo_music(RATE_HZ)
    first = seconds(pieces, RATE_HZ, length_s)
    run = {
        "changes": lambda: show_changes(first),
        "ticks": lambda: show_ticks(first, 2 if options.quick else 5),
        "nothing": lambda: show_nothing(pieces, length_s, options.pairs or (3 if options.quick else 20)),
        "other": lambda: show_other(pieces, length_s),
        "combining": lambda: show_combining(first),
        "time": lambda: show_time(2.0 if options.quick else 10.0),
    }
    for section in options.only or SECTIONS:
        run[section]()


def show_combined(takes: list[Pressed], mixed: Floats, replaced: int) -> None:
    """Error against the music alone, in ten-second windows, beside the best single take of each window."""
    one = takes[0]
    rate_hz = one.truth.rate_hz
    low, high = one.truth.music_start_frame, one.truth.music_stop_frame

    def error(audio: Floats, music: Floats, low: int = low, high: int = high) -> Floats:
        rest = np.square(audio - music)[low:high].sum(axis=1)
        count = (one.truth.music_stop_frame - one.truth.music_start_frame) // (10 * rate_hz)
        edges = np.linspace(0, len(rest), count + 1).astype(int)
        return np.array([rest[first:last].mean() for first, last in zip(edges, edges[1:])])

    # held against the music alone as each take plays it: damage and noise both count
    errors = []
    for take in takes:
        assert take.music is not None
        errors.append(
            error(take.audio, take.music, take.truth.music_start_frame, take.truth.music_stop_frame)
        )
    assert one.music is not None
    best, joined = np.min(errors, axis=0), error(mixed, one.music)
    print(
        f"  error against the music alone, ten seconds at a time: against the first take median "
        f"{10 * np.log10(np.median(joined / errors[0])):+.1f} dB, worst {10 * np.log10(np.max(joined / errors[0])):+.1f} dB; "
        f"against the best single take of each ten seconds median {10 * np.log10(np.median(joined / best)):+.1f} dB, worst "
        f"{10 * np.log10(np.max(joined / best)):+.1f} dB; {replaced} frames taken from the others"
    )
    # without the music, whose last echoes all takes share
    single_db = [noise_in_gap_db(take.audio - take.music, take) for take in takes if take.music is not None]
    joined_db = noise_in_gap_db(mixed - one.music, one)
    alone_db = float(np.mean(single_db))
    print(
        f"  noise in a gap: one take {alone_db:.2f}, combined {joined_db:.2f} dB "
        f"({joined_db - alone_db:+.2f}; {-10 * np.log10(len(takes)):.2f} for equal ones)"
    )


def noise_in_gap_db(noise: Floats, take: Pressed) -> float:
    """Noise above 500 Hz in a second after the first track, the median of short stretches: ticks do not count."""
    rate_hz = take.truth.rate_hz
    begin = int(take.truth.tracks[0].stop_frame + 0.3 * rate_hz)
    high_pass = butter(4, 500, "high", fs=rate_hz, output="sos")
    high = sosfilt(high_pass, noise[begin - 2000 : begin + rate_hz], axis=0)[2000:]
    stretches = np.square(high[: len(high) // 200 * 200]).reshape(-1, 200, 2).mean(axis=(1, 2))
    return float(10 * np.log10(np.median(stretches)))


if __name__ == "__main__":
    main()
