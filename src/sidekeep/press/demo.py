"""Pressing the demonstration record: two recordings, a sleeve text and a picture, as a person has them."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from sidekeep.errors import CopyError
from sidekeep.files.atomic import write_bytes, write_text
from sidekeep.files.guard import OutputGuard
from sidekeep.model.record import Record
from sidekeep.press.disc.settings import used_lp
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.press.disc.truth import Truth
from sidekeep.press.music.demo_record import demo_pieces, demo_sleeve_text
from sidekeep.press.sleeve.art import sleeve_picture
from sidekeep.shelf.sleeve.reading import read_sleeve

RATE_HZ = 48_000
_SIDES: tuple[Literal["A", "B"], ...] = ("A", "B")
_SEEDS = {"A": 741, "B": 742}


@dataclass(frozen=True, kw_only=True)
class DemoRecord:
    """What lies in the demo's folder, and the truth about each side."""

    recordings: tuple[Path, ...]
    letters: tuple[str, ...]
    twins: tuple[Path, ...]
    sleeve_path: Path
    picture_path: Path
    record: Record
    truths: tuple[Truth, ...]


def press_demo(folder: Path, on_side: Callable[[int], None] = lambda done: None) -> DemoRecord:
    """Press both sides side by side on two cores. Same files every time."""
    OutputGuard().check(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CopyError("demo-folder", folder=folder, reason=error.strerror) from error
    sleeve_path, picture_path = folder / "sleeve.txt", folder / "sleeve.png"
    write_text(sleeve_path, demo_sleeve_text(), replace=True)
    record, _ = read_sleeve(demo_sleeve_text())
    truths = []
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        pressing = [pool.submit(_press_one, side, str(folder)) for side in _SIDES]
        write_bytes(picture_path, sleeve_picture(record), replace=True)
        for done, job in enumerate(pressing, start=1):
            truths.append(job.result())
            on_side(done)
    return DemoRecord(
        recordings=tuple(folder / f"side-{side}.wav" for side in _SIDES),
        letters=_SIDES,
        twins=tuple(folder / f"side-{side}-twin.wav" for side in _SIDES),
        sleeve_path=sleeve_path,
        picture_path=picture_path,
        record=record,
        truths=tuple(truths),
    )


def _press_one(side: Literal["A", "B"], folder: str) -> Truth:
    pieces = [
        Piece(audio=piece.audio, title=piece.title, boundary=piece.boundary)
        for piece in demo_pieces(side, RATE_HZ)
    ]
    pressed = press_side(pieces, rate_hz=RATE_HZ, settings=used_lp(), seed=_SEEDS[side])
    pressed.save(folder, name=f"side-{side}")
    return pressed.truth


def worst_start_s(truth: Truth, found_starts_s: list[float]) -> float:
    """How far the farthest track start was from where it was pressed."""
    wanted = np.array([track.audible_start_frame for track in truth.tracks]) / truth.rate_hz
    if len(found_starts_s) != len(wanted):
        return float("inf")
    return float(np.abs(np.sort(found_starts_s) - wanted).max())
