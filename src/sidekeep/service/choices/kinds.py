"""What a person may choose of copies: their kinds, checked before anything begins, the pictures they carry, names and facts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sidekeep.copies.kinds.forms import read_forms
from sidekeep.copies.kinds.table import KINDS, parse_kinds
from sidekeep.copies.tracks.codes import check_barcode, check_isrc
from sidekeep.copies.tracks.naming import NamingRules
from sidekeep.copies.tracks.tagging import TransferFacts
from sidekeep.errors import ParameterError
from sidekeep.files.pictures.artwork import Picture, PictureKind, load_picture
from sidekeep.model.recipe import CopySettings
from sidekeep.model.record import Record


def checked_kinds(words: str) -> tuple[str, ...]:
    """Kinds as a person names them, comma-separated. Raises ``ParameterError`` for one that is none."""
    return parse_kinds(words)


def kinds_of_copies() -> list[tuple[str, str]]:
    """Name and purpose of every kind of copies."""
    return [(kind.name, kind.purpose) for kind in KINDS.values()]


def check_kinds(names: Sequence[str]) -> list[str]:
    """The names, when there is at least one and every one is a kind of copies. Raises ``ParameterError``."""
    if not names:
        raise ParameterError("no-kind")
    if unknown := [name for name in names if name not in KINDS]:
        raise ParameterError("no-such-kind", kind=unknown[0], known=KINDS)
    return list(dict.fromkeys(names))


def pictures_from(
    *,
    front: Path | None = None,
    back: Path | None = None,
    label: Path | None = None,
    settings: CopySettings | None = None,
) -> list[Picture]:
    """Pictures made fit for tags."""
    named: list[tuple[Path | None, PictureKind]] = [(front, "front"), (back, "back"), (label, "label")]
    return [sized_picture(path, kind, settings) for path, kind in named if path is not None]


def sized_picture(path: Path, kind: PictureKind, settings: CopySettings | None = None) -> Picture:
    """A picture file within the person's limits."""
    limits = settings or CopySettings()
    return load_picture(path, kind, maximum_side_px=limits.picture_px, maximum_bytes=limits.picture_kb * 1000)


def refuse_early(
    kinds: str | Sequence[str], barcode: str, record: Record | None = None, forms: Sequence[str] = ()
) -> None:
    """Raise ``ParameterError`` for what no listening could put right: an unknown kind, a code or a form that cannot be."""
    parse_kinds(kinds)
    read_forms(forms)
    check_barcode(barcode)
    for side in record.sides if record else ():
        for track in side.tracks:
            check_isrc(track.isrc)


def naming_from(track_names: str | None) -> NamingRules:
    """Naming with another template for the tracks' files, or the usual one."""
    return NamingRules(track=track_names) if track_names else NamingRules()


def facts_from(*, comment: str = "", isrcs: Sequence[str] = ()) -> TransferFacts:
    """What the tags tell of the transfer besides the sleeve. ``isrcs`` are codes by mark, such as ``A2=AA6Q72000047``."""
    marks = {}
    for text in isrcs:
        mark, equals, code = (part.strip() for part in text.partition("="))
        if not equals or not mark:
            raise ParameterError("isrc-unreadable", text=text)
        marks[mark] = check_isrc(code)
    return TransferFacts(comment=comment, isrc_marks=marks)
