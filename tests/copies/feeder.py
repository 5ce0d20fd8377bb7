"""A small record of our own world and a stand-in for the render, to drive a run over its copies."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.copies.plan.layout import plan_copies
from sidekeep.copies.plan.planned import CopyPlan
from sidekeep.copies.run.finish import WrittenFile
from sidekeep.copies.run.run import CopyRun
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.files.reading.reader import open_source
from sidekeep.model.record import Record, Side, SleeveTrack


def sound(
    frames: int, *, rate_hz: int, seed: int, channels: int = 2, peak: float = 0.5
) -> NDArray[np.float64]:
    """Tones and noise that differ between channels, (frames, channels)."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(frames) / rate_hz
    tones = sum(
        np.sin(2.0 * np.pi * hz * time_s + rng.uniform(0, 6)) * level
        for hz, level in ((196.0, 0.5), (523.3 + 10 * seed, 0.3), (1760.0, 0.1), (5200.0, 0.03))
    )
    audio = np.stack([tones, 0.6 * tones], axis=1)[:, :channels] + 0.01 * rng.standard_normal(
        (frames, channels)
    )
    return np.asarray(audio * (peak / np.abs(audio).max()), np.float64)


def record(
    titles: Sequence[Sequence[str]] = (("Lamp Oil", "Grüße"), ("Tide Table",)), **changes: Any
) -> Record:
    """Titles side by side, A first."""
    sides = tuple(
        Side(
            name=chr(ord("A") + index),
            tracks=tuple(SleeveTrack(number=n, title=title) for n, title in enumerate(side, start=1)),
        )
        for index, side in enumerate(titles)
    )
    facts: dict[str, Any] = {
        "artist": "The Wicker Boats",
        "title": "Tallow Wharf Almanac",
        "year": 1971,
        **changes,
    }
    return Record(sides=sides, **facts)


FOLDER = "The Wicker Boats - Tallow Wharf Almanac (1971)"
"""Of the small record."""


@dataclass
class Feeder:
    """Takes of the sides and their spans; ``copies`` plays the render's part."""

    out: Path
    record: Record = field(default_factory=record)
    rate_hz: int = 48_000
    lengths: Sequence[Sequence[int]] = ((31_007, 26_111), (28_000,))
    channels: int = 2
    peak: float = 0.5
    gain: float = 0.9
    is_exact: bool = False
    block_frames: int = 7919
    key: str = "take-1"

    written: list[WrittenFile] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.takes: list[NDArray[np.float64]] = []
        self.sides: list[SideAudio] = []
        for index, lengths in enumerate(self.lengths):
            edges = 500 + np.cumsum([0, *lengths])
            audio = sound(
                int(edges[-1]) + 300,
                rate_hz=self.rate_hz,
                seed=index + 1,
                channels=self.channels,
                peak=self.peak,
            )
            self.takes.append(np.round(audio * 2**23) / 2**23)
            self.sides.append(
                SideAudio(
                    side=chr(ord("A") + index),
                    rate_hz=self.rate_hz,
                    channels=self.channels,
                    spans=tuple((int(a), int(b)) for a, b in itertools.pairwise(edges)),
                    source_key=f"{self.key}-{index}",
                    is_exact=self.is_exact,
                )
            )

    def plan(self, kinds: str, **options: Any) -> CopyPlan:
        """The plan of these sides."""
        return plan_copies(self.record, self.sides, kinds, self.out, **options)

    def played(self, side: int) -> NDArray[np.float64]:
        """What is fed of a side, all tracks."""
        first, last = self.sides[side].spans[0][0], self.sides[side].spans[-1][1]
        return self.takes[side][first:last] * self.gain

    def feed(self, run: CopyRun, only: Sequence[str] | None = None) -> int:
        """Feed what the run needs; gives the number of frames fed."""
        fed = 0
        for side, take in zip(self.sides, self.takes, strict=True):
            if not run.needs_side(side.side) or (only is not None and side.side not in only):
                continue
            for track, (start, stop) in enumerate(side.spans):
                for at in range(start, stop, self.block_frames):
                    block = take[at : min(stop, at + self.block_frames)] * self.gain
                    run.feed(side.side, track, block)
                    fed += len(block)
        return fed

    def copies(self, kinds: str, **options: Any) -> list[WrittenFile]:
        """The whole run."""
        with CopyRun(self.plan(kinds, **options)) as run:
            self.fed = self.feed(run)
            written = run.finish()
        self.findings = run.findings
        self.levels = run.levels
        return written


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def decoded(path: Path) -> NDArray[np.float64]:
    """All frames of a file."""
    source = open_source(path)
    return source.read(0, source.format.length_frames)


def drive(plan: CopyPlan, body: Callable[[CopyRun], None], threads: int | None = None) -> None:
    """A run with a body of its own."""
    with CopyRun(plan, threads=threads) as run:
        body(run)
