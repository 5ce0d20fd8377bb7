"""Two compared takes to listen to, anywhere: the old one, the new one laid on it at equal level, and what differs.

How they lie on each other is kept beside the comparison (``alignment.npz``): finding it again would cost what comparing did.
Frames are those of the rate both are compared at, from the beginning of the old take. Sound is given in 32-bit floats.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from sidekeep.dsp.alignment.rough import RoughLine
from sidekeep.dsp.alignment.time_map import TimeMap
from sidekeep.errors import NotThere, ParameterError, ShelfError
from sidekeep.files.atomic import write_bytes
from sidekeep.files.bounded import ARRAY_BYTES, read_bounded
from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.laying.alignment import Alignment
from sidekeep.flow.comparison.laying.laid import lay_block
from sidekeep.flow.comparison.laying.speeds import OtherSpeed
from sidekeep.flow.ports import Audio, AudioSource
from sidekeep.units import db_to_gain

ALIGNMENT = "alignment.npz"
LONGEST_S = 60.0
Heard = Literal["old", "new", "difference", "both"]
HEARD: tuple[Heard, ...] = ("old", "new", "difference", "both")
"""``both``: the channels of the old take, then those of the new one."""
_SCHEMA = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class TwoTakes:
    """How two takes are heard: ``gain_db`` brings the new one to the level of the old one."""

    alignment: Alignment
    rate_hz: int
    gain_db: float

    @property
    def span(self) -> tuple[int, int]:
        """The first frame that both hold, and the one after the last."""
        curve = self.alignment.curve
        assert curve is not None
        return int(np.ceil(max(0.0, curve.start_s) * self.rate_hz)), int(curve.stop_s * self.rate_hz)

    def facts(self) -> dict[str, Any]:
        """What a page needs before it asks for sound."""
        start, stop = self.span
        return {
            "rate_hz": self.rate_hz,
            "start_frame": start,
            "stop_frame": stop,
            "gain_db": round(self.gain_db, 2),
        }

    def read(
        self, old: AudioSource, new: AudioSource, start_frame: int, stop_frame: int, what: Heard
    ) -> Audio:
        """A span, cut to what both hold. Raises ``ParameterError`` for one that is empty or longer than a minute."""
        if what not in HEARD:
            raise ParameterError("version-unknown", version=what, known=HEARD)
        first, last = self.span
        start, stop = max(first, start_frame), min(last, stop_frame)
        if start >= stop:
            raise ParameterError(
                "empty-span", start_frame=start_frame, stop_frame=stop_frame, length_frames=last
            )
        if stop - start > LONGEST_S * self.rate_hz:
            length_s = (stop - start) / self.rate_hz
            raise ParameterError("listen-too-long", length_s=length_s, most_s=LONGEST_S)
        start_s, stop_s = start // self.rate_hz, -(-stop // self.rate_hz)
        laid = lay_block(old, new, self.alignment, start_s, stop_s, self.rate_hz)
        begin = laid.first + start - start_s * self.rate_hz
        part = slice(begin, begin + stop - start)
        before, after = laid.old[part], laid.new[part] * db_to_gain(self.gain_db)
        match what:
            case "old":
                return before
            case "new":
                return after
            case "difference":
                return after - before
            case "both":
                return np.concatenate([before, after], axis=1)


def level_gain_db(comparison: Comparison) -> float:
    """What brings the new take to the level of the old one; 0 where the levels are not known."""
    changes = [comparison.level_change_db(channel) for channel in (0, 1)]
    known = [change for change in changes if np.isfinite(change)]
    return -float(np.mean(known)) if known else 0.0


def keep_alignment(folder: Path, comparison: Comparison, *, replace: bool) -> None:
    """Keep how the takes lie on each other beside the comparison, if they do."""
    alignment, curve = comparison.alignment, comparison.alignment.curve
    if curve is None:
        return
    moments = curve.start_s + curve.step_s * np.arange(len(curve.new_s))
    straight_s = alignment.line.offset_s + alignment.line.speed_ratio * moments
    file = io.BytesIO()
    np.savez_compressed(
        file,
        schema=np.array(_SCHEMA),
        rate_hz=np.array(comparison.rate_hz),
        gain_db=np.array(level_gain_db(comparison)),
        line=np.array([alignment.line.offset_s, alignment.line.speed_ratio]),
        curve=np.array([curve.start_s, curve.step_s]),
        sign=np.array(alignment.sign),
        inverted=np.array(-1 if alignment.inverted is None else alignment.inverted),
        is_swapped=np.array(alignment.is_swapped),
        rpm=np.array([] if alignment.speed is None else [alignment.speed.old_rpm, alignment.speed.new_rpm]),
        # Against the line the curve is small: 32 bits hold it to a billionth of a second.
        bend_s=(curve.new_s - straight_s).astype(np.float32),
    )
    write_bytes(folder / ALIGNMENT, file.getvalue(), replace=replace)


def kept_two_takes(folder: Path) -> TwoTakes:
    """What was kept. Raises ``NotThere`` where there is nothing that can be read: an earlier version compared them, say."""
    path = folder / ALIGNMENT
    try:
        data = read_bounded(path, "alignment", most_bytes=ARRAY_BYTES, error=ShelfError)
        with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
            kept = {name: arrays[name] for name in arrays.files}
        if int(kept["schema"]) != _SCHEMA:
            raise NotThere("not-laid")
        offset_s, speed_ratio = (float(value) for value in kept["line"])
        start_s, step_s = (float(value) for value in kept["curve"])
        bend_s = kept["bend_s"].astype(np.float64)
        new_s = offset_s + speed_ratio * (start_s + step_s * np.arange(len(bend_s))) + bend_s
        if len(new_s) < 4 or not np.isfinite(new_s).all() or int(kept["rate_hz"]) < 1 or step_s <= 0.0:
            raise NotThere("not-laid")
        line = RoughLine(
            offset_s=offset_s,
            speed_ratio=speed_ratio,
            share=1.0,
            chunks=len(bend_s),
            correlation=1.0,
            alike=1.0,
        )
        inverted = int(kept["inverted"])
        alignment = Alignment(
            line=line,
            curve=TimeMap(start_s=start_s, step_s=step_s, new_s=new_s, sd_s=np.zeros(len(new_s))),
            sign=float(kept["sign"]),
            inverted=None if inverted < 0 else inverted,
            is_swapped=bool(kept["is_swapped"]),
            speed=OtherSpeed(old_rpm=float(kept["rpm"][0]), new_rpm=float(kept["rpm"][1]))
            if len(kept["rpm"]) == 2
            else None,
        )
        return TwoTakes(alignment=alignment, rate_hz=int(kept["rate_hz"]), gain_db=float(kept["gain_db"]))
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile, ShelfError) as error:
        raise NotThere("not-laid") from error
