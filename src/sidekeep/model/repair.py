"""One mended place on a take."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sidekeep.model.finding import Channel

RepairKind = Literal["tick", "pop", "crackle", "thump"]


@dataclass(frozen=True, kw_only=True)
class Repair:
    """Half-open span that was changed. ``size_db`` is the disturbance over the local slope (prediction
    error) of the music around it: how far it stood out."""

    start_frame: int
    stop_frame: int
    channel: Channel
    kind: RepairKind
    size_db: float

    @property
    def id(self) -> str:
        """Its name: first frame and channel (L, R, B for both), with a ``t`` for a thump. The same for the same take,
        size and mender; two repairs of a take never share one."""
        return f"{self.start_frame}{self.channel[0].upper()}{'t' if self.kind == 'thump' else ''}"
