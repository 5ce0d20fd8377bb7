"""From a sleeve file to the sides expected on each recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from sidekeep.errors import ParameterError, SleeveError
from sidekeep.files.bounded import read_bounded
from sidekeep.model.finding import Finding
from sidekeep.model.record import Record, Side
from sidekeep.service.choices.named_sides import (
    SIDE_LETTERS,
    side_in_name,
    side_said,
    sides_without_sleeve,
)
from sidekeep.shelf.sleeve.decoding import MAX_BYTES, decode_sleeve
from sidekeep.shelf.sleeve.reading import SleeveProblem, read_sleeve


@dataclass(frozen=True, kw_only=True)
class Sleeve:
    """What the sleeve says, and which of its lines could not be read."""

    record: Record
    problems: tuple[SleeveProblem, ...] = ()
    text: str = ""


def load_sleeve(path: Path | None) -> Sleeve | None:
    """Read a sleeve file of any supported form; None for None."""
    if path is None:
        return None
    if not path.exists():
        raise SleeveError("no-sleeve", path=path)
    raw = read_bounded(path, "sleeve-text", most_bytes=MAX_BYTES, error=SleeveError)
    return read_sleeve_text(decode_sleeve(raw, path.name))


def read_sleeve_text(text: str) -> Sleeve:
    """A sleeve from its text."""
    record, problems = read_sleeve(text)
    return Sleeve(record=record, problems=tuple(problems), text=text)


def sleeve_findings(sleeve: Sleeve | None) -> list[Finding]:
    """Lines of the sleeve that were not read, or only in part, each with its number."""
    return [
        Finding(
            kind="sleeve-line",
            start_frame=0,
            stop_frame=0,
            severity="look",
            facts={
                "line_number": problem.line_number,
                "line": problem.line,
                "reason": problem.reason,
                "is_used": problem.used,
            },
        )
        for problem in (sleeve.problems if sleeve else ())
    ]


@dataclass(frozen=True, kw_only=True)
class TakeFiles:
    """Files that make one take (joined in order) and the sides expected on it; None means unknown."""

    paths: tuple[Path, ...]
    sides: tuple[Side, ...] | None


def assign_files(
    files: Sequence[Path], record: Record | None, side_letters: Sequence[str] | None = None
) -> list[TakeFiles]:
    """Which sides are on which file.

    ``side_letters`` names the side(s) of every file (``A``, ``B``, or ``AB`` for both in one file);
    neighbours with the same letter are pieces of one side. Without it, and without a sleeve, names that say a side are believed,
    else files are sides in order. With a sleeve: as many files as sides go one to
    one, and a name that says another side is refused; fewer files whose names all say a side are those; else one file holds
    all sides, fewer files share the sides evenly.
    """
    if not files:
        raise ParameterError("no-recording")
    _refuse_twice(files)
    known = {side.name: side for side in record.sides} if record else {}
    if side_letters is not None:
        return _by_letters(files, known, side_letters)
    if not known:
        return _without_sleeve(files)
    sides = list(known.values())
    if len(files) < len(sides):
        letters = [side.name for path in files if (side := side_said(path.name, known)) is not None]
        if len(set(letters)) == len(files):
            return _by_letters(files, known, letters)
    if len(files) == len(sides) > 1:
        for path, side in zip(files, sides, strict=True):
            if (said := side_in_name(path.name, known)) not in (None, side):
                raise ParameterError("name-says-other-side", file=path.name, said=said.name, side=side.name)
    if len(sides) % len(files):
        raise ParameterError("sides-unclear", files=len(files), sides=len(sides))
    share = len(sides) // len(files)
    return [
        TakeFiles(paths=(path,), sides=tuple(sides[index * share : (index + 1) * share]))
        for index, path in enumerate(files)
    ]


def _without_sleeve(files: Sequence[Path]) -> list[TakeFiles]:
    if len(files) > len(SIDE_LETTERS):
        raise ParameterError("more-files-than-letters", files=len(files), most=len(SIDE_LETTERS))
    said = sides_without_sleeve([path.name for path in files])
    if len(files) == 1 and not said[0]:
        return [TakeFiles(paths=(files[0],), sides=None)]
    return [
        TakeFiles(paths=(path,), sides=(Side(name=side or in_order),))
        for path, side, in_order in zip(files, said, SIDE_LETTERS, strict=False)
    ]


def _refuse_twice(files: Sequence[Path]) -> None:
    """One file under whatever names cannot be two sides, nor two pieces of one."""
    seen: dict[tuple[int, int], Path] = {}
    for path in files:
        try:
            facts = path.stat()
        except (OSError, ValueError):
            continue  # opening it says what is the matter
        first = seen.setdefault((facts.st_dev, facts.st_ino), path)
        if facts.st_ino and first is not path:
            raise ParameterError("file-twice", path=path, other=first)


def plain_letters(letters: str) -> str:
    """The letters of sides, ``A`` or ``AB``, in capitals. Raises ParameterError for anything else, and for one given twice."""
    wanted = letters.strip().upper()
    if not wanted or not (wanted.isalpha() and wanted.isascii()) or len(set(wanted)) != len(wanted):
        raise ParameterError("side-letters-of-files", side=letters)
    return wanted


def letters_of_pieces(letters: str, pieces: int) -> str:
    """The letters of the sides on one recording that lies in ``pieces``: ``AB`` for ``AB`` and ``A,B``.

    Where every piece is named, neighbours of one side are that side. Raises ParameterError as ``plain_letters``."""
    parts = [part.strip().upper() for part in letters.split(",")]
    if len(parts) == pieces:
        parts = [part for part, _ in groupby(parts)]
    if not all(parts):
        raise ParameterError("side-letters-of-files", side=letters)
    return plain_letters("".join(parts))


def _by_letters(
    files: Sequence[Path], known: dict[str, Side], side_letters: Sequence[str]
) -> list[TakeFiles]:
    if len(side_letters) != len(files):
        raise ParameterError("sides-miscounted", sides=len(side_letters), files=len(files))
    takes: list[TakeFiles] = []
    for path, letters in zip(files, side_letters, strict=True):
        wanted = plain_letters(letters)
        if known and (strange := [letter for letter in wanted if letter not in known]):
            raise ParameterError("side-unknown", side=strange[0], known=known)
        sides = tuple(known.get(letter, Side(name=letter)) for letter in wanted)
        if takes and takes[-1].sides == sides and len(wanted) == 1:
            takes[-1] = TakeFiles(paths=(*takes[-1].paths, path), sides=sides)
        else:
            takes.append(TakeFiles(paths=(path,), sides=sides))
    return takes
