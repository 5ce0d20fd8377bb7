"""What is really on a pressed side: where the needle was, the tracks, every damaged span, the time warp.

Frames are at the take's rate, half-open. ``events`` is a structured array in order of start; event kinds are
the numbers of ``KINDS``. The small facts travel as JSON, events and warp as NPZ beside it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

KINDS = ("tick", "pop", "crackle", "thump")
TICK, POP, CRACKLE, THUMP = range(4)
LOCKED_GROOVE = -2
"""``group`` of the ticks of the locked groove; scratches count from 0, everything else is -1."""

EVENT_DTYPE = np.dtype(
    [
        ("start_frame", np.int64),
        ("stop_frame", np.int64),
        ("channel", np.int8),
        ("kind", np.int8),
        ("height", np.float64),
        ("size_db", np.float64),
        ("group", np.int32),
        ("turn", np.int32),
        ("angle", np.float64),
    ]
)
"""``channel`` 0 left, 1 right, -1 both; ``height`` linear peak of the disturbance; ``size_db`` peak of the
disturbance, whitened by the order-32 predictor of the clean twin there, over that predictor's residual rms,
on the channel where that is more: how far it stands over the local slope; ``turn`` since needle down and
``angle`` (turns, 0 to 1) on the disc; ``group`` of a scratch."""

AUDIBLE_DB = 6.0
"""An event at least this far over the local slope counts as audible."""


@dataclass(frozen=True, kw_only=True)
class TrackTruth:
    """A piece on the side. ``audible_*``: where the music itself rises over and sinks into the groove noise.
    ``boundary`` is how it starts: at the side's ``edge``, after a ``gap`` or out of a ``segue``."""

    number: int
    title: str
    artist: str
    start_frame: int
    stop_frame: int
    audible_start_frame: int
    audible_stop_frame: int
    boundary: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """All that is known of a pressed side.

    ``music_start_frame``/``music_stop_frame`` bound the pieces; ``turn_period_s`` is one turn of the player's
    platter, ``locked_groove_period_s`` what repeats in the run-out; ``warp_frames`` are take frames and
    ``warp_positions`` the music's own frame (0 at needle down) playing there; ``settings`` it was pressed
    with.
    """

    rate_hz: int
    length_frames: int
    needle_down_frame: int
    needle_up_frame: int
    music_start_frame: int
    music_stop_frame: int
    turn_period_s: float
    locked_groove_period_s: float
    tracks: tuple[TrackTruth, ...]
    events: NDArray[Any]
    warp_frames: NDArray[np.float64]
    warp_positions: NDArray[np.float64]
    seed: int = 0
    settings: dict[str, Any] = field(default_factory=dict)

    def audible(self) -> NDArray[np.bool_]:
        """Which events stand clearly over the local slope."""
        audible: NDArray[np.bool_] = self.events["size_db"] >= AUDIBLE_DB
        return audible

    def to_json(self) -> str:
        """Everything but the arrays, as text; ``from_json`` takes it back together with them."""
        facts = {
            name: getattr(self, name)
            for name in self.__dataclass_fields__
            if name not in ("tracks", "events", "warp_frames", "warp_positions")
        }
        facts["tracks"] = [asdict(track) for track in self.tracks]
        facts["event_count"] = len(self.events)
        return json.dumps(facts, indent=1)

    @classmethod
    def from_json(cls, text: str, arrays: dict[str, NDArray[Any]] | None = None) -> Truth:
        """Facts from ``to_json``; ``arrays`` holds ``events``, ``warp_frames`` and ``warp_positions``."""
        facts = json.loads(text)
        facts.pop("event_count", None)
        facts["tracks"] = tuple(TrackTruth(**track) for track in facts["tracks"])
        arrays = arrays or {}
        return cls(
            **facts,
            events=arrays.get("events", np.empty(0, EVENT_DTYPE)),
            warp_frames=arrays.get("warp_frames", np.empty(0)),
            warp_positions=arrays.get("warp_positions", np.empty(0)),
        )

    def save(self, folder: Path | str, name: str = "truth") -> Path:
        """Write ``<name>.json`` and ``<name>.npz``; the path of the JSON."""
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(
            folder / f"{name}.npz",
            events=self.events,
            warp_frames=self.warp_frames,
            warp_positions=self.warp_positions,
        )
        path = folder / f"{name}.json"
        path.write_text(self.to_json(), encoding="utf-8")
        return path

    @classmethod
    def load(cls, folder: Path | str, name: str = "truth") -> Truth:
        """What ``save`` wrote."""
        folder = Path(folder)
        with np.load(folder / f"{name}.npz") as arrays:
            held = {key: arrays[key] for key in arrays.files}
        return cls.from_json((folder / f"{name}.json").read_text(encoding="utf-8"), held)
