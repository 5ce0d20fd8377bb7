"""How well tracks are found: pressed real music that was not tuned to, every kind of side, beside plain silence detection.

    ./run bench tracks             12 ordinary sides and one of each awkward kind (about six minutes)
    ./run bench tracks --quick     4 ordinary sides and three awkward ones
    ./run bench tracks --look      25 other sides, every miss told: for finding causes
    ./run bench tracks --sealed    38 sides whose single misses nobody looks at: for final figures (ten minutes)

A start is right within 0.5 s after a gap and within 3 s out of a segue, counted from the stretch between where a piece
was cut and where it rises over the groove noise; a stop is right within 1 s of the stretch between where it sinks into
the noise and where it ends. The reference is ffmpeg's ``silencedetect`` (one second under a fixed level), at the level
that suits all these sides best in hindsight.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from benchmarks import real_music
from benchmarks.track_cases import KINDS, SILENCE_LEVELS_DBFS, Case, cases, plain_case, special_case
from sidekeep.flow.tracks.cut import find_cuts
from sidekeep.flow.tracks.cut_findings import SURE
from sidekeep.model.cuts import Track

GAP_S, SEGUE_S, STOP_S, EARLY_S = 0.5, 3.0, 1.0, 0.3
NO_SLEEVE_EXPECTED_TO_FAIL = ("segues", "applause")
COLUMNS = (
    "gap starts",
    "first start",
    "segues",
    "segues flagged",
    "stops",
    "early",
    "in decay",
    "found",
    "precise",
)
SURE_BANDS = ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 0.985), (0.985, 1.01))
FIRST_JUDGE, FIRST_LOOK, FIRST_SEALED = 100, 200, 300
DECAY_S = 0.1
"""A start mark this far inside what is heard of the track before cuts its decay off."""


@dataclass
class Tally:
    """Right and all, by column."""

    right: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COLUMNS, 0))
    all: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COLUMNS, 0))
    sides: int = 0

    def count(self, column: str, good: bool) -> None:
        """One more."""
        self.right[column] += good
        self.all[column] += 1

    def text(self, column: str) -> str:
        """``right/all``, or a dash."""
        return f"{self.right[column]}/{self.all[column]}" if self.all[column] else "-"

    def add(self, other: Tally) -> None:
        """Sum."""
        self.sides += other.sides
        for column in COLUMNS:
            self.right[column] += other.right[column]
            self.all[column] += other.all[column]


def outside(value: float, one: float, other: float) -> float:
    """Signed distance from a stretch."""
    low, high = min(one, other), max(one, other)
    return value - low if value < low else value - high if value > high else 0.0


def judge(
    case: Case,
    tally: Tally,
    sure: list[tuple[float, bool]],
    misses: list[str] | None = None,
    sure_without: list[tuple[float, bool]] | None = None,
) -> None:
    """Cut one side with its sleeve and without, and count. ``sure`` and ``sure_without`` get claim and outcome of each
    mark with the sleeve and without; ``misses`` is told what went wrong."""
    rate = case.truth.rate_hz
    told = misses if misses is not None else []
    true = [(t.start_frame / rate, t.audible_start_frame / rate) for t in case.truth.tracks]
    tally.sides += 1
    cuts, _ = find_cuts(case.features, sides=case.sides)
    tracks = [track for side in cuts.sides for track in side.tracks]
    _judge_with_sleeve(case, tracks, true, tally, sure, told)
    cuts, _ = find_cuts(case.features)
    tracks = [track for side in cuts.sides for track in side.tracks]
    marks = [track.start_frame / rate for track in tracks]
    gaps = [span for span, t in zip(true, case.truth.tracks, strict=True) if t.boundary != "segue"]
    for span in gaps:
        found = any(abs(outside(mark, *span)) <= GAP_S for mark in marks)
        tally.count("found", found)
        if not found:
            told.append(f"no sleeve: start at {span[0]:.2f} (heard {span[1]:.2f}) not found")
    for track, mark in zip(tracks, marks, strict=True):
        tolerance = SEGUE_S if track.boundary == "segue" else GAP_S
        right = any(abs(outside(mark, *span)) <= tolerance for span in true)
        tally.count("precise", right)
        if sure_without is not None:
            sure_without.append((track.confidence, right))
        if not right:
            told.append(f"no sleeve: mark at {mark:.2f} is no start")


def _judge_with_sleeve(
    case: Case,
    tracks: list[Track],
    true: list[tuple[float, float]],
    tally: Tally,
    sure: list[tuple[float, bool]],
    told: list[str],
) -> None:
    rate = case.truth.rate_hz
    marks = [track.start_frame / rate for track in tracks]
    for index, (truth, span) in enumerate(zip(case.truth.tracks, true, strict=True)):
        errors = [outside(mark, *span) for mark in marks]
        best = int(np.argmin(np.abs(errors))) if errors else -1
        error = errors[best] if errors else np.inf
        where = f"{truth.number} at {span[0]:.2f} (heard {span[1]:.2f}): error {error:+.2f} s"
        if truth.boundary == "segue":
            right = abs(error) <= SEGUE_S
            tally.count("segues", right)
            if right:
                tally.count(
                    "segues flagged", tracks[best].boundary == "segue" or tracks[best].confidence < SURE
                )
        else:
            right = abs(error) <= GAP_S
            tally.count("gap starts" if truth.boundary == "gap" else "first start", right)
            tally.count("early", -3.0 < error < -EARLY_S)
        if not right:
            told.append(f"{truth.boundary} {where}")
        if truth.boundary == "gap" and abs(error) <= SEGUE_S:
            over_s = case.truth.tracks[index - 1].audible_stop_frame / rate - marks[best]
            tally.count("in decay", over_s > DECAY_S)
            if over_s > DECAY_S:
                told.append(f"{where}, {over_s:.2f} s inside the decay before")
        last = index + 1 == len(true)
        if abs(error) <= SEGUE_S and (last or case.truth.tracks[index + 1].boundary != "segue"):
            stop = tracks[best].stop_frame / rate
            late = outside(stop, truth.audible_stop_frame / rate, truth.stop_frame / rate)
            tally.count("stops", abs(late) <= STOP_S)
            if abs(late) > STOP_S:
                told.append(f"stop of {truth.number} at {truth.audible_stop_frame / rate:.2f}: {late:+.2f} s")
    for track, mark in zip(tracks, marks, strict=True):
        tolerance = SEGUE_S if track.boundary == "segue" else GAP_S
        right = any(abs(outside(mark, *span)) <= tolerance for span in true)
        sure.append((track.confidence, right))
        if not right:
            told.append(f"mark at {mark:.2f} ({track.boundary}, {track.confidence:.2f} sure) is no start")


def reference(cases: list[Case]) -> str:
    """Silence detection at the one level that does best over all sides."""
    best = (-1.0, "")
    for level in SILENCE_LEVELS_DBFS:
        found = wanted = right = marks = 0
        for case in cases:
            rate = case.truth.rate_hz
            up_s = case.truth.tracks[-1].audible_stop_frame / rate
            down_s = case.truth.needle_down_frame / rate
            ends = [stop for _, stop in case.silences_s.get(level, []) if down_s + 1.0 < stop < up_s]
            true = [
                (t.start_frame / rate, t.audible_start_frame / rate)
                for t in case.truth.tracks
                if t.boundary == "gap"
            ]
            wanted += len(true)
            found += sum(any(abs(outside(end, *span)) <= GAP_S for end in ends) for span in true)
            marks += len(ends)
            right += sum(any(abs(outside(end, *span)) <= GAP_S for span in true) for end in ends)
        recall, precision = found / max(1, wanted), right / max(1, marks)
        score = 2 * recall * precision / max(1e-9, recall + precision)
        text = f"at {level} dBFS: found {found}/{wanted} gap starts, {right}/{marks} of its marks right"
        best = max(best, (score, text))
    return best[1]


def calibration(sure: list[tuple[float, bool]]) -> list[str]:
    """Claimed against true, in bands."""
    lines = []
    for low, high in (*SURE_BANDS, (0.9, 1.01)):
        band = [(claim, right) for claim, right in sure if low <= claim < high]
        if band:
            claim, right = np.mean([c for c, _ in band]), np.mean([r for _, r in band])
            which = "of 90 % and more" if low == 0.9 else f"called {100 * claim:3.0f} % sure"
            lines.append(f"  {len(band):4d} marks {which}: {100 * right:3.0f} % right")
    return lines


def report(made: Iterable[Case], *, tell: bool = False) -> None:
    """Judge and print the table; ``tell`` prints every miss as well."""
    rows: dict[str, Tally] = {}
    sure: list[tuple[float, bool]] = []
    sure_without: list[tuple[float, bool]] = []
    kept: list[Case] = []
    for case in made:
        misses: list[str] = []
        judge(case, rows.setdefault(case.kind, Tally()), sure, misses, sure_without)
        if tell and misses:
            print(f"{case.name}:", *misses, sep="\n    ")
        kept.append(case)
    print_table(rows, sure)
    print("confidence, without sleeve:", *calibration(sure_without), sep="\n")
    if any(case.silences_s for case in kept):
        print(f"reference (ffmpeg silencedetect, without sleeve) {reference(kept)}")


def print_table(rows: dict[str, Tally], sure: list[tuple[float, bool]]) -> None:
    """One row a kind of side, sums, and claimed against true confidence."""
    whole, gaps_only = Tally(), Tally()
    for kind, row in rows.items():
        whole.add(row)
        if kind not in NO_SLEEVE_EXPECTED_TO_FAIL:
            gaps_only.add(row)
    head = (
        f"{'':<20}{'sides':>6} | {'with sleeve: gaps':>17}{'first':>7}{'segues':>8}{'flagged':>8}{'stops':>9}"
    )
    print(head + f"{'early':>7}{'decay':>7} | {'without: found':>15}{'precise':>9}")
    for kind, row in (*rows.items(), ("all", whole), ("all with gaps only", gaps_only)):
        print(
            f"{kind:<20}{row.sides:>6} | {row.text('gap starts'):>17}{row.text('first start'):>7}"
            f"{row.text('segues'):>8}{row.text('segues flagged'):>8}{row.text('stops'):>9}"
            f"{row.right['early']:>7}{row.right['in decay']:>7}"
            f" | {row.text('found'):>15}{row.text('precise'):>9}"
        )
    print("confidence, with sleeve:", *calibration(sure), sep="\n")


def main() -> None:
    """Press, cut, print."""
    parser = argparse.ArgumentParser(prog="bench tracks", description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="4 ordinary sides and three awkward ones")
    parser.add_argument("--look", action="store_true", help="25 other sides, every miss told")
    parser.add_argument("--sealed", action="store_true", help="38 sides whose single misses nobody looks at")
    options = parser.parse_args()
    real_music.fetch()
    if options.look:
        report(cases("look", plain=12, special=1, first=FIRST_LOOK), tell=True)
        return
    if options.sealed:
        report(cases("sealed", plain=12, special=2, first=FIRST_SEALED))
        return
    quick = options.quick
    plain = [plain_case("judge", FIRST_JUDGE + number) for number in range(4 if quick else 12)]
    kinds = KINDS[2:5] if quick else KINDS
    report([*plain, *(special_case("judge", kind, FIRST_JUDGE) for kind in kinds)])


if __name__ == "__main__":
    main()
