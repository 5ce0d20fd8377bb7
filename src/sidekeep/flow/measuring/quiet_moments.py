"""The quietest moments of a take at a low rate, kept while it streams by: hum is looked for in them at the end.

An *atom* is a second of low-rate audio. Kept are the first and last twenty, and of each twenty between them the quietest three in
a row: some 4 kB for every second of the take, however long it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.noise.hum import MINIMUM_LENGTH_S
from sidekeep.flow.measuring.measures import FrameSpans

Floats = NDArray[np.float64]

_EDGE_ATOMS, _BIN_ATOMS, _RUN_ATOMS = 20, 20, 3
"""Atoms are seconds: all of the first and last twenty are kept, and between them the quietest stretches of three in every twenty
(chosen here)."""


class QuietMoments:
    """``factor`` frames of the take make one at the low rate ``rate_hz``."""

    def __init__(self, rate_hz: float, factor: int, channels: int) -> None:
        self._rate_hz, self._factor = rate_hz, factor
        self._atom_frames = round(rate_hz)
        self._held = np.zeros((0, channels))
        self._count = 0
        self._kept: dict[int, NDArray[np.float32]] = {}
        self._recent: list[tuple[int, NDArray[np.float32], float]] = []

    @property
    def length_frames(self) -> int:
        """Frames of the take that lie in whole atoms."""
        return self._count * self._atom_frames * self._factor

    def process(self, low: Floats) -> None:
        """The next low-rate frames."""
        held = np.concatenate((self._held, low))
        while len(held) >= self._atom_frames:
            self._add(self._count, held[: self._atom_frames])
            self._count += 1
            held = held[self._atom_frames :]
        self._held = held.copy()

    def close(self) -> None:
        """All has come: the last twenty stay."""
        for number, atom, _ in self._recent:
            self._kept[number] = atom
        self._recent = []

    def runs_in(self, spans: FrameSpans) -> list[Floats]:
        """Kept low-rate audio inside spans of the take, in unbroken runs, quietest first."""
        atom_frames = self._atom_frames * self._factor
        runs: list[Floats] = []
        for start, stop in spans:
            current: list[NDArray[np.float32]] = []
            for number in range(max(0, start // atom_frames), -(-stop // atom_frames) + 1):
                atom = self._kept.get(number)
                low = max(0, -(-(start - number * atom_frames) // self._factor))
                high = min(self._atom_frames, (stop - number * atom_frames) // self._factor)
                if atom is not None and high > low:
                    current.append(atom[low:high])
                if atom is None or high <= low or high < self._atom_frames:
                    if current:
                        runs.append(np.concatenate(current).astype(np.float64))
                    current = []
            if current:
                runs.append(np.concatenate(current).astype(np.float64))
        runs = [run for run in runs if len(run) >= MINIMUM_LENGTH_S * self._rate_hz]
        return sorted(runs, key=lambda run: float(np.mean((run - run.mean(axis=0)) ** 2)))

    def _add(self, number: int, atom: Floats) -> None:
        short = atom.astype(np.float32)
        if number < _EDGE_ATOMS:
            self._kept[number] = short
        self._recent.append((number, short, float(np.mean((atom - atom.mean(axis=0)) ** 2))))
        if len(self._recent) == _EDGE_ATOMS + _BIN_ATOMS:
            self._settle()

    def _settle(self) -> None:
        oldest = self._recent[:_BIN_ATOMS]
        powers = [power for _, _, power in oldest]
        runs = [max(powers[i : i + _RUN_ATOMS]) for i in range(len(oldest) - _RUN_ATOMS + 1)]
        first = int(np.argmin(runs))
        for number, atom, _ in oldest[first : first + _RUN_ATOMS]:
            self._kept[number] = atom
        self._recent = self._recent[_BIN_ATOMS:]
