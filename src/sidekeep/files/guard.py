"""The one guard in front of everything that is written where a person says.

No output may be an input of the same work, link to one, or lie inside a take or a bag: sameness is by device
and inode, not by spelling, and asking for replacement changes nothing about it. The temporary name beside an
output is guarded as the output is.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from sidekeep.errors import ParameterError

TAKE_FACTS = "take.json"
BAG_DECLARATION = "bagit.txt"
_RECORD_FACTS = "record.toml"


class OutputGuard:
    """Knows the inputs of one piece of work; ``check`` refuses outputs that would harm what must stay.

    ``shelf`` is looked through for takes when an output that exists is linked to from elsewhere.
    """

    def __init__(self, inputs: Iterable[Path] = (), *, shelf: Path | None = None) -> None:
        self._inputs: dict[tuple[int, int], Path] = {}
        self._shelf = shelf
        self._places: dict[Path, None] = {}
        for path in inputs:
            if identity := _identity(path):
                self._inputs[identity] = path

    def check(self, *outputs: Path) -> None:
        """Raise ``ParameterError`` for an output that is, links to or lies inside what must stay, and for two
        that are the same file."""
        seen: dict[object, Path] = {}
        for output in outputs:
            self._check_file(output)
            self._check_place(output)
            key = _identity(output) or _resolved(output)
            if key in seen:
                raise ParameterError("same-output", output=output, other=seen[key])
            seen[key] = output

    def _check_file(self, output: Path) -> None:
        identity = _identity(output)
        if identity is None:
            return
        kept = self._inputs.get(identity) or self._linked_take(output, identity)
        if kept is not None:
            is_same = output == kept or _resolved(output) == _resolved(kept)
            raise ParameterError(
                "output-is-kept" if is_same else "output-links-to-kept",
                output=output,
                name=output.name,
                kept=kept,
            )

    def _check_place(self, output: Path) -> None:
        place = _resolved(output)
        for folder in (place, *place.parents):
            if folder in self._places:
                return
            what = _what_is_kept(folder)
            if what:
                raise ParameterError("place-is-kept", output=output, folder=folder, what=what)
        self._places |= dict.fromkeys(place.parents)

    def _linked_take(self, path: Path, identity: tuple[int, int]) -> Path | None:
        """A take on the shelf that is the same file, when the output has more names than one."""
        if self._shelf is None or os.stat(path).st_nlink < 2:
            return None
        for take in self._shelf.glob("*/takes/*/take*"):
            if _identity(take) == identity:
                return take
        return None


def refuse_removal(path: Path) -> None:
    """Raise ``ParameterError`` when a file lies in a take or a bag: nothing is ever taken out of those."""
    place = _resolved(path)
    for folder in place.parents:
        what = _what_is_kept(folder)
        if what:
            raise ParameterError("not-moved", path=path, folder=folder, what=what)


def _what_is_kept(folder: Path) -> str:
    if (folder / BAG_DECLARATION).is_file():
        return "bag"
    if (folder / TAKE_FACTS).is_file():
        return "take"
    if folder.name == "takes" and (folder.parent / _RECORD_FACTS).is_file():
        return "takes"
    return ""


def _identity(path: Path) -> tuple[int, int] | None:
    """Device and inode behind all links; None when there is nothing."""
    try:
        found = os.stat(path)
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError):
        return Path(os.path.abspath(path))
