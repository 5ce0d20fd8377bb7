"""A side of which no survey has found the music: what a person begins with who cuts it by hand."""

from __future__ import annotations

from sidekeep.model.cuts import SideCuts
from sidekeep.shelf.shelf_take import ShelfTake


def untouched_side(letter: str, take: ShelfTake) -> SideCuts:
    """A side without tracks over the whole ``take``."""
    return SideCuts(
        side=letter,
        needle_down_frame=0,
        needle_up_frame=take.length_frames,
        music_start_frame=0,
        music_stop_frame=take.length_frames,
        take=take.sha256,
        rate_hz=take.rate_hz,
    )
