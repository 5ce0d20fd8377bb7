"""What the report of a record tells, as plain values, and the page made of it.

The caller fills ``ReportData``; ``page.render_report`` gives one self-contained HTML page: no script, no link to
anywhere, pictures and sounds inside. Times are seconds from the start of a side's envelope (the start of its
take, unless the take holds several sides).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sidekeep.model.cuts import Boundary
from sidekeep.model.finding import Channel, Severity
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.record import Record
from sidekeep.model.repair import RepairKind


@dataclass(frozen=True, kw_only=True)
class TrackView:
    """One track as it plays in the copies: up to the start of the next, so that its length is the one a player shows.
    ``artist`` only where it differs from the record's."""

    number: int
    title: str
    start_s: float
    stop_s: float
    artist: str = ""
    boundary: Boundary = "gap"
    confidence: float = 1.0


@dataclass(frozen=True, kw_only=True)
class RepairView:
    """One mended place."""

    time_s: float
    kind: RepairKind
    channel: Channel = "both"
    size_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class FindingView:
    """One finding in plain words; ``side`` is empty when it is about the whole record."""

    text: str
    severity: Severity = "note"
    kind: str = ""
    side: str = ""
    start_s: float | None = None
    channel: Channel = "both"


@dataclass(frozen=True, kw_only=True, eq=False)
class SideView:
    """One side. ``envelope`` (points, 2): smallest and largest sample in equal parts of ``length_s``.

    ``level`` is as recorded; ``mended_true_peak_dbtp`` after mending, before the record's gain.
    """

    name: str
    length_s: float
    envelope: NDArray[np.float64]
    level: Level
    mended_true_peak_dbtp: float
    tracks: tuple[TrackView, ...] = ()
    repairs: tuple[RepairView, ...] = ()
    needle_down_s: float = 0.0
    needle_up_s: float | None = None
    noise: Noise | None = None
    clicks: Clicks | None = None
    turn: Turn | None = None


@dataclass(frozen=True, kw_only=True)
class ClipView:
    """A short listen as played, mended and what was taken out, as bytes of a format browsers play."""

    title: str
    played: bytes
    mended: bytes
    taken_out: bytes
    mime: str = "audio/mpeg"


@dataclass(frozen=True, kw_only=True)
class FileView:
    """A file that was written; ``name`` is its path from the record's folder, ``sha256`` in hex."""

    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, kw_only=True, eq=False)
class ReportData:
    """Everything on the page. ``picture`` is PNG, JPEG, GIF or WebP; ``made_at`` a date as people write it."""

    record: Record
    sides: tuple[SideView, ...] = ()
    picture: bytes | None = None
    findings: tuple[FindingView, ...] = ()
    gain_db: float = 0.0
    gain_text: str = ""
    clips: tuple[ClipView, ...] = ()
    files: tuple[FileView, ...] = ()
    made_with: str = ""
    made_at: str = field(default="")
