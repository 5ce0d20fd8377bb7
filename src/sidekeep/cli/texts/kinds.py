"""Repairs counted by kind, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from sidekeep.units import count

_KINDS = ("tick", "pop", "crackle", "thump")


def repairs_text(kinds: Iterable[str]) -> str:
    """``596 ticks, 1 pop, 6 thumps``; empty when nothing was mended."""
    found = Counter(kinds)
    return ", ".join(count(found[kind], kind) for kind in _KINDS if found[kind])
