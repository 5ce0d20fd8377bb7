"""The survey behind the needle: how good its forecasts are, how soon it is ready, what it costs.

    ./run bench live                5 minutes of side and 1 minute of sound card (some ten minutes on two cores)
    ./run bench live --quick        1 minute and 20 seconds, two sides forecast
    ./run bench live --full         20 minutes of side, 20 minutes through the sound card with and without

Forecasts: ``live_forecasts``. The wait at the lift: a 96 kHz / 24-bit take is written as fast as the survey follows it (which
leaves the survey as far behind at the lift as a real recording does), then closed; the survey afterwards is timed in the same run
on the same file, in a process of its own. The first survey on a machine: with nothing compiled yet, against later ones, byte for
byte, and kernels compiled and loaded in either order. The sound card:
``bench_capture``'s recording under load, with and without a survey behind it, with one that is killed.
Copies: a two-sided record from the last lift, with all this and without.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from benchmarks import bench_capture, live_forecasts
from benchmarks.bench_transfer import LongSide, make_long_side
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.flow.patches import PatchReader
from sidekeep.service.live.evening import EveningFollower
from sidekeep.service.live.follower import LiveSurvey
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.shelf import records as shelf_service
from sidekeep.shelf.record_folder import RecordFolder

RATE_HZ = 96_000
AHEAD_S = 4.0
KINDS = "lossless,portable"
SURVEYED = ("survey.json", "survey.npz", "mend.patches")
WAIT_S = 900.0
FIRST_MINUTES = 0.7
AFTERWARDS = """
import sys, time
from pathlib import Path
from sidekeep.model.recipe import Recipe
from sidekeep.service.transfers import copies
from sidekeep.shelf.record_folder import RecordFolder
folder = RecordFolder(Path(sys.argv[1]))
copies.survey_record(folder, folder.choose_takes(), copies._sleeve(folder), Recipe())
"""


CALLER = """
import hashlib, sys
import numpy as np
from sidekeep.dsp.impulses.autoregression import autocorrelate
from sidekeep.dsp.impulses.candidates import fit_predictors
noise = np.cumsum(np.random.default_rng(1).normal(size=40_000)) * 0.01
models, sums = np.zeros((10, 32)), np.zeros(33)
for step in sys.argv[1:]:
    if step == "caller":
        fit_predictors(noise, 4096, 32, np.ones(10, bool), models)
    else:
        autocorrelate(noise[:2048].copy(), 32, sums)
print(hashlib.sha256(models.tobytes() + sums.tobytes()).hexdigest())
"""


@dataclass(frozen=True)
class Followed:
    """A take that was surveyed while it was written."""

    wait_s: float
    written_s: float
    cpu_s: float
    peak_mb: float
    waited_s: float = 0.0


class Evening:
    """An evening's follower with copies as they are ready, asked as a survey alone is."""

    def __init__(self, shelf: Path) -> None:
        self._follower = EveningFollower(shelf, kinds=KINDS.split(","))
        survey = self._follower.survey
        self.begun, self.ended, self.closed = (
            self._follower.begun,
            self._follower.ended,
            self._follower.closed,
        )
        self.settle, self.close = survey.settle, self._follower.end
        self.prepared: list[int] = []

    @property
    def process_id(self) -> int | None:
        """Of the survey."""
        return self._follower.survey.process_id

    def poll(self) -> list[Mapping[str, Any]]:
        """News; how many files were encoded is noted."""
        found = self._follower.news()
        self.prepared += [event["facts"]["files"] for event in found if event["code"] == "copies-prepared"]
        return found

    def encode(self, until_s: float) -> float:
        """Wait while something is encoded, as long as the side would play; how long that was."""
        began_s = time.perf_counter()
        copies = self._follower._copies
        self.poll()
        while copies is not None and copies.is_running and time.perf_counter() < until_s:
            time.sleep(0.05)
            self.poll()
        return time.perf_counter() - began_s


def follow(
    live: LiveSurvey | Evening, folder: RecordFolder, side: str, source: Path, *, eighths_quieter: int = 0
) -> Followed:
    """Write a take from a file, never more than a few seconds ahead of its survey, and close it. Side B is the file with
    its polarity turned over: takes are told apart by their checksums. What is encoded meanwhile may take as long as the side
    would have played: the last seconds are written when it is done."""
    sign = -1 if side == "B" else 1
    path = folder.new_take_folder(side) / "take.wav"
    heard, waited_s = 0, 0.0
    live.poll()  # what the side before still had to tell is no news of this one
    before_s, began_s = bench_capture.cpu_of(live.process_id), time.perf_counter()
    with (
        soundfile.SoundFile(str(source)) as sound,
        TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24) as writer,
    ):
        live.begun(path, path.parent, side)
        while len(block := sound.read(2 * RATE_HZ, dtype="int32", always_2d=True)):
            if isinstance(live, Evening) and sound.frames - sound.tell() < AHEAD_S * RATE_HZ:
                waited_s += live.encode(until_s=began_s + sound.frames / RATE_HZ)
            frames = block >> 8
            writer.append(sign * (frames - (frames >> 3) * eighths_quieter))
            writer.sync()
            while writer.frames - heard > AHEAD_S * RATE_HZ and live.process_id is not None:
                heard = max([heard, *(event["at_frame"] for event in live.poll())])
                time.sleep(0.01)
    lift_s = time.perf_counter()
    live.ended(path)
    live.closed(close_recorded(folder, path, side=side))
    if not live.settle(WAIT_S):
        raise SystemExit(f"the survey of side {side} did not settle within {WAIT_S:g} s")
    return Followed(
        wait_s=time.perf_counter() - lift_s,
        written_s=lift_s - began_s,
        cpu_s=bench_capture.cpu_of(live.process_id) - before_s,
        peak_mb=_peak_mb(live.process_id),
        waited_s=waited_s,
    )


def _peak_mb(process_id: int | None) -> float:
    try:
        lines = Path(f"/proc/{process_id}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")), 0.0)


def _kept(folder: RecordFolder, side: str) -> dict[str, str]:
    take = next(take for take in folder.takes() if take.side == side)
    found = sorted(path for path in (folder.path / take.folder).rglob("*") if path.name in SURVEYED)
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in found}


def _patched(folder: RecordFolder) -> NDArray[np.float64]:
    """What the patches of the one take put in the place of silence, (frames, channels)."""
    (take,) = folder.takes()
    (path,) = (folder.path / take.folder).rglob("mend.patches")
    with path.open("rb") as file:
        return PatchReader(file).apply(0, np.zeros((take.length_frames, 2)))


def _forget(folder: RecordFolder) -> None:
    for path in list((folder.path / "takes").rglob("*")):
        if path.name in SURVEYED:
            path.unlink()


def _folder(shelf: Path, side: LongSide) -> RecordFolder:
    text = side.sleeve_path.read_text()
    both = text + "Side B\n" + text.partition("Side A\n")[2].replace("A", "B")
    sleeve = shelf.parent / "sleeve.txt"
    sleeve.write_text(both)
    return shelf_service.plan_record(shelf, sleeve)


def lift(folder: Path, minutes: float) -> None:
    """The wait from the lift of the needle to a settled survey."""
    source = make_long_side(folder, minutes)
    record = _folder(folder / "shelf", source)
    live = LiveSurvey()
    try:
        followed = follow(live, record, "A", source.path)
    finally:
        live.close()
    mine = _kept(record, "A")
    _forget(record)
    began_s = time.perf_counter()
    subprocess.run([sys.executable, "-c", AFTERWARDS, str(record.path)], check=True)
    after_s = time.perf_counter() - began_s
    length_s = soundfile.info(str(source.path)).duration
    same = "the same bytes" if _kept(record, "A") == mine and len(mine) == 3 else "OTHER BYTES"
    print(f"wait at the lift, a side of {length_s / 60:.1f} minutes at 96 kHz / 24 bit")
    print(f"  behind the needle   {followed.wait_s:6.1f} s from the lift to the survey on the shelf")
    print(f"  afterwards          {after_s:6.1f} s, a process of its own ({same})")
    print(
        f"  the survey's process used {followed.cpu_s:.1f} s of processor time, {followed.cpu_s / length_s:.1%} of one core "
        f"while the side plays, {followed.peak_mb:.0f} MB at most; it followed at {length_s / followed.written_s:.0f} times "
        "real time"
    )


def first(folder: Path, minutes: float) -> None:
    """The first survey on a machine, which compiles what later ones find compiled: the same bytes, and how long it takes."""
    source = make_long_side(folder, min(minutes, FIRST_MINUTES))
    record = _folder(folder / "shelf", source)
    path = record.new_take_folder("A") / "take.wav"
    with (
        soundfile.SoundFile(str(source.path)) as sound,
        TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24) as writer,
    ):
        while len(block := sound.read(2 * RATE_HZ, dtype="int32", always_2d=True)):
            writer.append(block >> 8)
    close_recorded(record, path, side="A")
    compiled = {**os.environ, "NUMBA_CACHE_DIR": str(folder / "compiled")}
    times_s, kept, mended = [], [], []
    for _ in range(3):
        began_s = time.perf_counter()
        subprocess.run([sys.executable, "-c", AFTERWARDS, str(record.path)], check=True, env=compiled)
        times_s.append(time.perf_counter() - began_s)
        kept.append(_kept(record, "A"))
        mended.append(_patched(record))
        _forget(record)
    same = "the same bytes" if kept[0] == kept[1] == kept[2] and len(kept[0]) == 3 else "OTHER BYTES"
    print(
        f"survey of {soundfile.info(str(source.path)).duration:.0f} s on a machine that has compiled nothing yet"
    )
    print(f"  the first {times_s[0]:.1f} s, then {times_s[1]:.1f} and {times_s[2]:.1f} s ({same})")
    for name, other in (("first and second", mended[0]), ("second and third", mended[2])):
        apart = np.abs(mended[1] - other)
        print(
            f"  {name}: {np.count_nonzero(apart)} of {np.count_nonzero(other)} mended samples apart, {apart.max():.1e} at most"
        )
    _orders(folder)


def _orders(folder: Path) -> None:
    """A kernel that another one calls, and its caller: compiled and loaded in either order."""
    told = {}
    for first, second in (("caller", "called"), ("called", "caller")):
        compiled = {**os.environ, "NUMBA_CACHE_DIR": str(folder / first)}
        for name, order in (
            ("compiled", (first, second)),
            ("loaded", (first, second)),
            ("loaded", (second, first)),
        ):
            done = subprocess.run(
                [sys.executable, "-c", CALLER, *order],
                env=compiled,
                capture_output=True,
                text=True,
                check=True,
            )
            told[f"{name} {order[0]} first, from a cache made {first} first"] = done.stdout
    same = "the same bytes" if len(set(told.values())) == 1 else f"OTHER BYTES: {told}"
    print(
        f"  predictors, and the correlations they are fitted from, compiled and loaded in either order: {same}"
    )


def copies(folder: Path, minutes: float) -> None:
    """Copies of a two-sided record from the last lift, both ways in one run: the record's one gain is that of side A, whose peak
    is 1.2 dB higher, or side B's is, and what was encoded of side A has another level in the end."""
    source = make_long_side(folder, minutes)
    for loudest in "AB":
        place = folder / loudest
        place.mkdir()
        _copies(place, source, minutes, loudest)


def _copies(folder: Path, source: LongSide, minutes: float, loudest: str) -> None:
    record = _folder(folder / "shelf", source)
    live = Evening(folder / "shelf")
    try:
        follow(live, record, "A", source.path, eighths_quieter=int(loudest == "B"))
        side_b = follow(live, record, "B", source.path, eighths_quieter=int(loudest == "A"))
    finally:
        live.close()
    wait_s = side_b.wait_s
    ours_s = wait_s + _write_copies(folder / "shelf", record)
    shutil.rmtree(record.path / "copies")
    _forget(record)
    todays_s = _write_copies(folder / "shelf", record)
    print(
        f"copies ({KINDS}) of a record of two sides of {minutes:g} minutes, from the last lift; highest peak on side {loudest}"
    )
    print(
        f"  as they are ready   {ours_s:6.1f} s ({wait_s:.1f} s of it until the survey of side B is there; files of side A "
        f"encoded while B played: {', then '.join(map(str, live.prepared)) or 'none'}; B was written in "
        f"{side_b.written_s - side_b.waited_s:.0f} s instead of {60 * minutes:.0f}, and {side_b.waited_s:.1f} s waited for them)"
    )
    print(f"  all afterwards      {todays_s:6.1f} s; ratio {ours_s / todays_s:.2f}")


def _write_copies(shelf: Path, record: RecordFolder) -> float:
    began_s = time.perf_counter()
    command = [
        sys.executable,
        "-m",
        "sidekeep",
        "copies",
        str(record.path),
        "--shelf",
        str(shelf),
        "--copies",
        KINDS,
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1):
        raise SystemExit(done.stderr or done.stdout)
    return time.perf_counter() - began_s


def card(seconds: float) -> None:
    """Recording under load with and without a survey behind it."""
    print(f"sound card, {seconds:g} s at 192 kHz / 24 bit, {bench_capture.HOGS} busy programs beside it")
    for name, following in (
        ("alone", ""),
        ("with the survey", "follow"),
        ("survey killed on the way", "kill"),
    ):
        done = bench_capture.capture(seconds, following=following)
        if done is None:
            return
        session, heard = done
        told = sum(session.news.get(kind, 0) for kind in ("overflow", "gap", "lost", "failed"))
        print(
            f"  {name:26s} lost {heard.lost_frames} frames, changed {heard.wrong_frames}, told {told}; blocks (50 ms wanted) "
            f"at most {max(session.gaps_ms or [0.0]):.0f} ms apart; survey used {session.survey_cpu_s / seconds:.2f} cores"
        )


def main() -> None:
    """All parts, or the one that is named."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="short, for a look")
    parser.add_argument("--full", action="store_true", help="20 minutes of side and of sound card")
    parser.add_argument("--only", choices=("forecasts", "lift", "first", "copies", "card"))
    parser.add_argument("--minutes", type=float, help="length of the side")
    parser.add_argument("--sides", type=int, help="sides forecast")
    options = parser.parse_args()
    minutes = options.minutes or (1.0 if options.quick else 20.0 if options.full else 5.0)
    seconds = 20.0 if options.quick else 1200.0 if options.full else 60.0
    count = options.sides or (2 if options.quick else 12)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; Python {platform.python_version()}",
        flush=True,
    )
    if options.only in (None, "forecasts"):
        live_forecasts.tell(live_forecasts.forecasts(live_forecasts.sides(count)), count)
    for name, part in (("lift", lift), ("first", first), ("copies", copies)):
        if options.only in (None, name):
            with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as folder:
                part(Path(folder), minutes)
    if options.only in (None, "card"):
        card(seconds)


if __name__ == "__main__":
    main()
