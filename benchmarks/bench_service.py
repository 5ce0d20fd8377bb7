"""What a page asks while somebody waits: pictures, sound, a repair left, cancelling; each beside the plain way.

The take is tones with some 180 ticks a minute, of the length and format asked for, made once in a temporary folder; choices
are measured on a shorter one of the same kind, since listening to it is the longest part. Times are medians. The last table
lays what a person waits for beside its goal.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from sidekeep.service.choices.edits import apply
from sidekeep.service.house.house import House
from sidekeep.service.house.takes.held_takes import HeldTake
from sidekeep.service.house.takes.listen import listen
from sidekeep.service.house.takes.spectrum import spectrum
from sidekeep.service.house.takes.waveform import waveform
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.transfers.copies import survey_kept

WIDTH, HEIGHT = 2000, 400
MENDED_MINUTES = 1.5


def milliseconds(work: Callable[[], object], times: int = 7) -> float:
    """Median time of a call, after one that is not counted; of a single call when only one is wanted."""
    if times > 1:
        work()
    spent = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        spent.append(1e3 * (time.perf_counter() - begun))
    return statistics.median(spent)


def make_take(folder: Path, minutes: float, rate_hz: int) -> Path:
    """A side of tones with swells and ticks, 24 bits."""
    rng = np.random.default_rng(7)
    path = folder / "side-A.wav"
    time_s = np.arange(rate_hz) / rate_hz
    tones = sum(0.08 * np.sin(2 * np.pi * hz * time_s) for hz in (110, 220, 331, 664, 1320))
    second = np.stack((tones, tones), axis=1) + 0.001 * rng.standard_normal((rate_hz, 2))
    for at in rng.integers(0, rate_hz - 3, 3):
        second[at : at + 3] += np.array([[0.4], [-0.3], [0.1]])
    with soundfile.SoundFile(path, "w", rate_hz, 2, subtype="PCM_24", format="RF64") as file:
        for at in range(round(60 * minutes)):
            file.write(second * (0.3 + 0.6 * np.sin(at / 7.0) ** 2))
    return path


@dataclass(frozen=True)
class Figure:
    """One line of the last table; lower is better."""

    what: str
    measured: float
    goal: float
    unit: str


def print_goals(figures: Sequence[Figure]) -> None:
    """What was measured beside what is wanted."""
    print(f"\n{'what a person waits for':62} {'measured':>10} {'goal':>9}")
    for each in figures:
        missed = "" if each.measured <= each.goal else "  missed"
        print(f"{each.what:62} {each.measured:7.1f} {each.unit:2} {each.goal:6g} {each.unit:2}{missed}")


def plain_columns(take: HeldTake, start: int, stop: int) -> object:
    """The picture from the samples, read in one go."""
    audio = take.source.read(start, stop)
    edges = np.arange(WIDTH) * len(audio) // WIDTH
    return np.minimum.reduceat(audio, edges), np.maximum.reduceat(audio, edges)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="bench service", description=str(__doc__).splitlines()[0])
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--rate", type=int, default=96_000)
    parser.add_argument("--quick", action="store_true", help="three minutes")
    options = parser.parse_args()
    minutes = 3.0 if options.quick else options.minutes
    with tempfile.TemporaryDirectory(prefix="bench-service-") as name:
        folder = Path(name)
        adopted = adopt([make_take(folder, minutes, options.rate)], shelf=folder / "shelf", move=True)
        house = House(folder / "shelf")
        try:
            figures = measure(house, adopted.folder.record_id, minutes)
            short = min(minutes, MENDED_MINUTES)
            mended = adopt([make_take(folder, short, options.rate)], shelf=folder / "shelf", move=True)
            figures += measure_choices(house, mended.folder.record_id, short)
            print_goals(figures)
        finally:
            house.close()


def measure(house: House, record_id: str, minutes: float) -> list[Figure]:
    """All figures of one take, and those that have a goal."""
    (found,) = house.library.takes(record_id)
    take = house.takes.get(found.take_id)
    length, rate_hz = take.source.format.length_frames, take.rate_hz
    begun = time.perf_counter()
    take.peaks()
    print(f"{minutes:g} min of {rate_hz} Hz; peaks read or made in {time.perf_counter() - begun:.2f} s")
    kept = (found.path / "peaks.bin").stat().st_size
    print(f"peaks kept: {kept / 1e6:.1f} MB, {100 * kept / found.files[0].stat().st_size:.1f} % of the take")
    begun = time.perf_counter()
    take.wait_for_bands()
    print(f"spectrum read or made in {time.perf_counter() - begun:.2f} s")
    kept = (found.path / "bands.bin").stat().st_size
    print(
        f"spectrum kept: {kept / 1e6:.1f} MB, {100 * kept / found.files[0].stat().st_size:.1f} % of the take"
    )
    print(f"{'span':>12} {'picture ms':>11} {'from samples':>13} {'spectrum ms':>12} {'sound ms':>9}")
    slowest = dict.fromkeys(("picture", "spectrum", "sound"), 0.0)
    for seconds in (60.0 * minutes, 60.0, 10.0, 1.0, 0.02):
        start = round(0.4 * (length - min(length, seconds * rate_hz)))
        stop = min(length, start + round(seconds * rate_hz))
        picture = milliseconds(lambda start=start, stop=stop: waveform(take, start, stop, WIDTH))  # type: ignore[misc]
        plain = milliseconds(
            lambda start=start, stop=stop: plain_columns(take, start, stop), 1 if seconds > 60.0 else 3
        )  # type: ignore[misc]
        bands = milliseconds(lambda start=start, stop=stop: spectrum(take, start, stop, WIDTH, HEIGHT), 3)  # type: ignore[misc]
        heard = (
            milliseconds(lambda start=start, stop=stop: listen(take, start, stop))
            if seconds <= 10.0
            else None
        )  # type: ignore[misc]
        sound = f"{heard:9.1f}" if heard is not None else f"{'-':>9}"
        for name, spent in (("picture", picture), ("spectrum", bands), ("sound", heard or 0.0)):
            slowest[name] = max(slowest[name], spent)
        print(f"{seconds:10g} s {picture:11.1f} {plain:13.1f} {bands:12.1f} {sound}")
    cancelled_s = 0.0
    for kind in ("verify", "survey"):
        more = {"decode_flac": False} if kind == "verify" else {}
        job = house.ask_for(kind, record_id, **more)
        while house.jobs.view(job["id"])["share"] == 0.0 and house.jobs.view(job["id"])["state"] in (
            "waiting",
            "running",
        ):
            time.sleep(0.005)
        begun = time.perf_counter()
        ended = house.jobs.cancel(job["id"])["state"]
        spent_s = time.perf_counter() - begun
        cancelled_s = max(cancelled_s, spent_s)
        print(f"cancel of {kind}: {spent_s:.3f} s ({ended})")
    return [
        Figure(f"a picture {WIDTH} pixels wide, slowest of all spans", slowest["picture"], 50.0, "ms"),
        Figure(f"a spectrum {WIDTH} pixels wide, slowest of all spans", slowest["spectrum"], 50.0, "ms"),
        Figure("any span to listen to, up to 10 s", slowest["sound"], 100.0, "ms"),
        Figure("a job cancelled while it hashes or surveys", 1e3 * cancelled_s, 500.0, "ms"),
    ]


def measure_choices(house: House, record_id: str, minutes: float) -> list[Figure]:
    """A repair left, heard and measured, beside mending the side again; and what another size costs."""
    folder = house.library.folder(record_id)
    (found,) = house.library.takes(record_id)

    def survey(size: str) -> float:
        apply(folder, {"kind": "recipe", "size": size})
        begun = time.perf_counter()
        survey_kept(house.shelf, folder)
        return time.perf_counter() - begun

    mended_s, other_s, again_s = survey("even"), survey("thorough"), survey("even")
    take = house.takes.get(found.take_id)
    kept = take.survey()
    assert kept is not None
    repair = kept.repairs[len(kept.repairs) // 2]
    rate_hz = take.rate_hz
    span = max(0, repair.start_frame - rate_hz), repair.start_frame + 2 * rate_hz
    flip = itertools.cycle(("leave", "mend"))

    def choose() -> None:
        apply(folder, {"kind": next(flip), "take": found.take.sha256, "repair": repair.id})

    def heard() -> None:
        choose()
        listen(take, *span, version="mended")

    def measured() -> None:
        choose()
        house.recipe(record_id)

    heard_ms, measured_ms = milliseconds(heard), milliseconds(measured)
    whole = (0, take.source.format.length_frames)
    drawn_ms = milliseconds(lambda: (choose(), spectrum(take, *whole, WIDTH, HEIGHT, version="mended")), 3)
    print(f"{len(kept.repairs)} repairs; mending {minutes:g} min again: {1e3 * mended_s:.0f} ms")
    print(
        f"one left or restored, and heard for 3 s: {heard_ms:.0f} ms ({1e3 * mended_s / heard_ms:.0f} times as fast)"
    )
    print(f"one left or restored, and the record's level and gain: {measured_ms:.0f} ms")
    print(f"one left or restored, and the mended spectrum of the whole side: {drawn_ms:.0f} ms")
    print(
        f"another size for the first time: {1e3 * other_s:.0f} ms (what listening to the side costs); "
        f"back to the first: {1e3 * again_s:.0f} ms"
    )
    return [
        Figure("a repair left or restored, and heard", heard_ms, 100.0, "ms"),
        Figure("a repair left or restored, and the record's level and gain", measured_ms, 100.0, "ms"),
    ]


if __name__ == "__main__":
    main()
