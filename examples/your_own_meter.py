"""A meter of your own: the crest factor (peak over rms) of every second, fed block by block.

Shows: how a streaming step is built, and the one check every one of them gets: any block sizes give the whole answer.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from sidekeep.files.reading.reader import open_source
from sidekeep.flow.ports import Audio
from sidekeep.units import clock_text


class CrestMeter:
    """Takes blocks of any size; ``result`` gives dB per whole second and channel, shape (seconds, channels)."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._window = rate_hz
        self._held = np.zeros((0, channels))
        self._crests_db: list[np.ndarray] = []

    def process(self, block: Audio) -> None:
        """(n, channels) frames."""
        frames = np.concatenate([self._held, block])
        whole = len(frames) // self._window * self._window
        for start in range(0, whole, self._window):
            window = frames[start : start + self._window]
            rms = np.sqrt((window**2).mean(axis=0))
            peak = np.abs(window).max(axis=0)
            self._crests_db.append(20.0 * np.log10(np.maximum(peak, 1e-9) / np.maximum(rms, 1e-9)))
        self._held = frames[whole:].copy()

    def result(self) -> Audio:
        """What whole seconds there were."""
        return np.array(self._crests_db).reshape(-1, self._held.shape[1])


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    options = parser.parse_args(arguments)
    source = open_source(options.file)
    form = source.format
    answers = []
    for block_frames in (65536, 997):
        meter = CrestMeter(form.rate_hz, form.channels)
        for block in source.blocks(block_frames):
            meter.process(block)
        answers.append(meter.result())
    if not np.array_equal(answers[0], answers[1]):
        print("the answer depends on the size of the blocks: some state is not carried over")
        return 1
    for second, crests_db in enumerate(answers[0]):
        print(f"{clock_text(second):>6}  " + "  ".join(f"{crest_db:5.1f} dB" for crest_db in crests_db))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
