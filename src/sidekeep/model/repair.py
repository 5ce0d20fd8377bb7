"""One mended place on a take, or one that would be mended but for a doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sidekeep.model.finding import Channel

RepairKind = Literal["tick", "pop", "crackle", "thump"]


@dataclass(frozen=True, kw_only=True)
class Repair:
    """Half-open span that was changed. ``size_db`` is the disturbance over the local slope (prediction
    error) of the music around it: how far it stood out. What is ``in_doubt`` may be music: it is left as it was unless a
    person has it mended."""

    start_frame: int
    stop_frame: int
    channel: Channel
    kind: RepairKind
    size_db: float
    in_doubt: bool = False

    @property
    def id(self) -> str:
        """Its name: first frame and channel (L, R, B for both), with a ``t`` for a thump. The same for the same take,
        size and mender; two repairs of a take never share one."""
        return f"{self.start_frame}{self.channel[0].upper()}{'t' if self.kind == 'thump' else ''}"


def left_in_doubt(repairs: Sequence[Repair]) -> frozenset[int]:
    """Indices of what is left where nobody chose otherwise."""
    return frozenset(index for index, repair in enumerate(repairs) if repair.in_doubt)
