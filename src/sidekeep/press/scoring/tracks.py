"""Track starts and stops found on a side, against the truth of the press.

A start is right when it lies within the tolerance of the stretch between where the piece was cut and where it
becomes audible over the groove noise; a stop likewise between where it sinks into the noise and where it
ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.press.disc.truth import Truth

EARLY_S = 0.3
LATE_S = 0.1


@dataclass(frozen=True, kw_only=True)
class TrackScore:
    """Dictionaries are by tolerance in seconds; NaN where there is nothing to judge.

    ``recall_gap`` and ``recall_segue`` count those boundaries alone. Errors are signed seconds of the starts
    matched at the widest tolerance: negative is early, 0 is anywhere in the right stretch. ``share_early``:
    more than 0.3 s before the cut; ``share_late``: more than 0.1 s after the music is heard. ``missed`` track
    numbers have no start.
    """

    precision: dict[float, float]
    recall: dict[float, float]
    recall_gap: dict[float, float]
    recall_segue: dict[float, float]
    start_errors_s: tuple[float, ...]
    stop_errors_s: tuple[float, ...]
    median_error_s: float
    share_early: float
    share_late: float
    found: int
    wanted: int
    missed: tuple[int, ...]


def score_tracks(
    found_starts_s: Sequence[float],
    truth: Truth,
    tolerance_s: Sequence[float] | float = (0.5, 3.0),
    found_stops_s: Sequence[float] | None = None,
) -> TrackScore:
    """Match found starts to true ones, one to one. Stops, if given, go with the starts of the same index."""
    tolerances = (tolerance_s,) if isinstance(tolerance_s, int | float) else tolerance_s
    rate = truth.rate_hz
    wanted = [(t.start_frame / rate, t.audible_start_frame / rate) for t in truth.tracks]
    boundary = np.array([t.boundary for t in truth.tracks])
    precision, recall, gaps, segues = {}, {}, {}, {}
    pairs: list[tuple[int, int]] = []
    for tolerance in sorted(float(value) for value in tolerances):
        pairs = _match(found_starts_s, wanted, tolerance)
        hit = np.zeros(len(wanted), dtype=bool)
        hit[[row for row, _ in pairs]] = True
        precision[tolerance] = len(pairs) / len(found_starts_s) if len(found_starts_s) else float("nan")
        recall[tolerance] = _share(hit)
        gaps[tolerance] = _share(hit[boundary == "gap"])
        segues[tolerance] = _share(hit[boundary == "segue"])
    errors = [_beyond(found_starts_s[column], *wanted[row]) for row, column in pairs]
    stops = []
    if found_stops_s is not None:
        for row, column in pairs:
            track = truth.tracks[row]
            right = (track.audible_stop_frame / rate, track.stop_frame / rate)
            stops.append(_beyond(found_stops_s[column], *right))
    matched = {row for row, _ in pairs}
    return TrackScore(
        precision=precision,
        recall=recall,
        recall_gap=gaps,
        recall_segue=segues,
        start_errors_s=tuple(errors),
        stop_errors_s=tuple(stops),
        median_error_s=float(np.median(np.abs(errors))) if errors else float("nan"),
        share_early=_share(np.array(errors) < -EARLY_S),
        share_late=_share(np.array(errors) > LATE_S),
        found=len(found_starts_s),
        wanted=len(wanted),
        missed=tuple(track.number for row, track in enumerate(truth.tracks) if row not in matched),
    )


def _share(hit: NDArray[np.bool_]) -> float:
    return float(hit.mean()) if hit.size else float("nan")


def _beyond(value: float, low: float, high: float) -> float:
    """Signed distance from ``[low, high]``."""
    return float(value - low if value < low else value - high if value > high else 0.0)


def _match(
    found: Sequence[float], wanted: list[tuple[float, float]], tolerance: float
) -> list[tuple[int, int]]:
    """(wanted, found) index pairs: as many as can be within reach and, of those, the least total error."""
    from scipy.optimize import linear_sum_assignment

    if not len(found) or not wanted:
        return []
    error = np.abs([[_beyond(value, *right) for value in found] for right in wanted])
    cost = np.where(error <= tolerance, error / (tolerance + 1e-9) / (len(wanted) + 1), 10.0)
    rows, columns = linear_sum_assignment(cost)
    return [(int(r), int(c)) for r, c in zip(rows, columns, strict=True) if error[r, c] <= tolerance]
