"""Names of folders and files, safe on Windows, macOS, Linux and FAT players alike.

Conventions: a *template* is a text with fields in braces, as in Python's format strings (PEP 3101) but
with plain fields only: no attributes, no conversions, no format codes. A field that is empty takes its
brackets and its dash with it, so ``{artist} - {title} ({year})`` without a year gives ``Artist - Title``.

What a safe name is, and whose rule it is:

* no ``< > : " / \\ | ? *`` and no code below 32; no trailing dot or space; none of the device names CON,
  PRN, AUX, NUL, COM0-9, LPT0-9, whatever follows the first dot (Microsoft, "Naming Files, Paths, and
  Namespaces");
* at most 255 UTF-16 units (NTFS, FAT long names, HFS+) and 255 UTF-8 bytes (ext4, APFS): kept well below,
  counted both composed (NFC) and decomposed (NFD), with room for a temporary suffix;
* two names in one folder differ by more than case and by more than composition (NTFS, APFS, FAT);
* no hidden file, no directional control that could make a suffix look like another (Unicode TR 36).
"""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from sidekeep.errors import ParameterError

MAXIMUM_BYTES = 220
"""Of one name with its suffix, NFC or NFD, leaving room for a temporary name and a number."""

MAXIMUM_UNITS = 120
"""UTF-16 units of one name: folder, kind and file together stay under the 260 of old Windows programs."""

UNTITLED = "Untitled"

_REPLACED = str.maketrans(
    {"/": "-", "\\": "-", "|": "-", ":": "-", '"': "'", "<": "(", ">": ")", "?": "", "*": ""}
)
_DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$", "CLOCK$"} | {
    f"{port}{digit}" for port in ("COM", "LPT") for digit in "0123456789¹²³"
}
_EMPTY = "\x00"
_ZERO_WIDTH_JOINER = "\u200d"

TRACK_FIELDS = ("number", "title", "artist", "record", "record_artist", "year", "side", "position", "disc")
FOLDER_FIELDS = ("artist", "title", "year", "label", "catalogue_number")


@dataclass(frozen=True, kw_only=True)
class NamingRules:
    """Templates for the folder of a record and for the file of a track.

    ``folder`` may use artist, title, year, label, catalogue_number; ``track`` may use number (through the
    record, with zeros in front), title, artist, record, record_artist, year, side, position, disc.
    A ``/`` in ``track`` makes folders.
    """

    folder: str = "{artist} - {title} ({year})"
    track: str = "{number} {title}"
    maximum_units: int = MAXIMUM_UNITS

    def __post_init__(self) -> None:
        check_template(self.folder, FOLDER_FIELDS, "folder")
        check_template(self.track, TRACK_FIELDS, "track")
        if "/" in self.folder:
            raise ParameterError("folder-template", folder=self.folder)
        if not 24 <= self.maximum_units <= 200:
            raise ParameterError("name-length", maximum_units=self.maximum_units)


def check_template(template: str, fields: tuple[str, ...], what: str) -> None:
    """Refuse a template with unknown fields, format codes or unbalanced braces."""
    allowed = ", ".join("{" + field + "}" for field in fields)
    try:
        parts = list(string.Formatter().parse(template))
    except ValueError as problem:
        raise ParameterError("template-unreadable", what=what, template=template, reason=problem) from None
    used = [(name, code, conversion) for _, name, code, conversion in parts if name is not None]
    for name, code, conversion in used:
        if name not in fields:
            raise ParameterError("template-unknown-field", what=what, field=name, allowed=allowed)
        if code or conversion:
            raise ParameterError("template-field-form", what=what, field=name)
    if not used:
        raise ParameterError("template-without-field", what=what, template=template, allowed=allowed)


def fill_template(template: str, values: Mapping[str, str]) -> str:
    """Put values into a template; an empty value takes its brackets and its dash with it.

    Values cannot add folders: slashes in them become dashes.
    """
    text = ""
    for literal, name, _, _ in string.Formatter().parse(template):
        text += literal
        if name is not None:
            value = _tidy(values.get(name, "")).replace(": ", " - ").translate(_REPLACED)
            text += value if value.strip(" .") else _EMPTY
    text = re.sub(rf"\s*[(\[]\s*{_EMPTY}\s*[)\]]", "", text)
    text = re.sub(rf"(^|/)\s*{_EMPTY}\s*[-–—.,_]?\s*", r"\1", text)
    text = re.sub(rf"\s*[-–—,_]?\s*{_EMPTY}", "", text)
    return re.sub(r"  +", " ", text)


def safe_name(text: str, suffix: str = "", *, maximum_units: int = MAXIMUM_UNITS) -> str:
    """One name that every file system takes. ``suffix`` (``.flac``) is kept whole.

    Never empty, never hidden, never a device, never longer than allowed; cut between characters as a
    reader sees them, not inside a letter with its accents.
    """
    stem = _tidy(_tidy(text).replace(": ", " - ").translate(_REPLACED)).strip().lstrip(". ").rstrip(". ")
    stem = _shorten(stem, suffix, maximum_units).rstrip(". ")
    if not stem or not any(unicodedata.category(char)[0] in "LNPS" for char in stem):
        stem = UNTITLED
    if stem.split(".")[0].rstrip().upper() in _DEVICES:
        head, dot, tail = stem.partition(".")
        stem = head.rstrip() + "_" + dot + tail
    return stem + suffix


def clash_key(name: str) -> str:
    """Names with one key would be one file on some file system."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())


def unique_name(text: str, suffix: str, taken: set[str], *, maximum_units: int = MAXIMUM_UNITS) -> str:
    """A safe name not in ``taken`` (keys of ``clash_key``, which is added to); later ones get a number."""
    name = safe_name(text, suffix, maximum_units=maximum_units)
    count = 2
    while clash_key(name) in taken:
        mark = f" ({count})"
        name = safe_name(text, mark + suffix, maximum_units=maximum_units)
        count += 1
    taken.add(clash_key(name))
    return name


def folder_name(rules: NamingRules, values: Mapping[str, str]) -> str:
    """The folder of a record."""
    return safe_name(fill_template(rules.folder, values), maximum_units=min(rules.maximum_units, 100))


def track_path(
    rules: NamingRules, values: Mapping[str, str], suffix: str, taken: set[str], *, folder: str = ""
) -> str:
    """The file of a track, with ``/`` between folders, unique among ``taken``; ``folder`` is what it lies in."""
    *folders, last = fill_template(rules.track, values).split("/")
    parents = [safe_name(part, maximum_units=rules.maximum_units) for part in folders]
    prefix = "/".join([*([folder] if folder else []), *parents, ""])
    inside = {key[len(clash_key(prefix)) :] for key in taken if key.startswith(clash_key(prefix))}
    name = unique_name(last, suffix, inside, maximum_units=rules.maximum_units)
    taken.add(clash_key(prefix + name))
    return prefix + name


def _tidy(text: str) -> str:
    """NFC, one line, no controls, no half characters."""
    kept = []
    for char in unicodedata.normalize("NFC", text):
        category = unicodedata.category(char)
        if char.isspace() or category == "Cc":
            kept.append(" ")
        elif (
            category == "Cs"
            or (category == "Cn" and ord(char) & 0xFFFE == 0xFFFE)
            or (category == "Cf" and char not in (_ZERO_WIDTH_JOINER, "\u200c"))
        ):
            continue
        else:
            kept.append(char)
    return re.sub(r"  +", " ", "".join(kept))


def _fits(name: str, maximum_units: int) -> bool:
    for form in ("NFC", "NFD"):
        shaped = unicodedata.normalize(form, name)
        if len(shaped.encode("utf-8")) > MAXIMUM_BYTES or len(shaped.encode("utf-16-le")) > 2 * maximum_units:
            return False
    return True


def _sticks(char: str) -> bool:
    """A character that belongs to the one before it."""
    return (
        unicodedata.category(char)[0] == "M"
        or char in (_ZERO_WIDTH_JOINER, "\u200c")
        or 0x1F3FB <= ord(char) <= 0x1F3FF
    )


def _shorten(stem: str, suffix: str, maximum_units: int) -> str:
    if _fits(stem + suffix, maximum_units):
        return stem
    low, high = 0, len(stem)
    while low < high:
        middle = (low + high + 1) // 2
        if _fits(stem[:middle] + suffix, maximum_units):
            low = middle
        else:
            high = middle - 1
    cut = low
    while cut > 0 and (_sticks(stem[cut]) or stem[cut - 1] == _ZERO_WIDTH_JOINER):
        cut -= 1
    return stem[: cut or low]
