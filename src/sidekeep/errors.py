"""The exception family.

::

    SidekeepError
    +-- ParameterError (also ValueError)   a value outside its range
    +-- AudioFileError                     a file that cannot be read as audio
    |   +-- ChecksumError                  a recording that is not what it was
    +-- SleeveError                        a sleeve text that cannot be used
    +-- DeviceError                        the sound card, or the lack of one
    +-- ShelfError                         the shelf, its catalogue or a record folder
    |   +-- NotThere                       no record, take, picture or job of that id
    |   +-- ChangedElsewhere               somebody else changed the record in the meantime
    |   +-- RecordBusy                     another job is at work on the record
    +-- CopyError                          writing copies (a full disk, a clash, a failed read-back)
    +-- Cancelled                          the person asked to stop

An error is raised as a ``code`` (a short lower-case word with hyphens) and facts by name; nothing decides by reading a
sentence. Its sentence (what was given, what is allowed, the likely cause) stands in ``wording/errors/`` and is what
``str`` gives: the package hands its words over when it is imported. What is wrong with a record or a take is not an
exception but a ``model.finding.Finding``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from numbers import Integral, Real
from typing import Any

_say: Callable[[SidekeepError], str] | None = None


class SidekeepError(Exception):
    """Anything a person can be told in one line: ``code`` says what it is, ``facts`` are plain values by name.

    A path becomes its text, another exception its own words, a collection of any kind a list, so that facts can be
    written as JSON.
    """

    code: str
    facts: Mapping[str, Any]

    def __init__(self, code: str, /, **facts: Any) -> None:
        super().__init__(code)
        self.code = code
        self.facts = {name: _plain(value) for name, value in facts.items()}

    def __str__(self) -> str:
        return _say(self) if _say is not None else bare_text(self)


class ParameterError(SidekeepError, ValueError):
    """A value outside its allowed range."""


class AudioFileError(SidekeepError):
    """A file that cannot be read as audio."""


class ChecksumError(AudioFileError):
    """A recording that is not what it was: its checksum differs, or it changed while it was read."""


class SleeveError(SidekeepError):
    """A sleeve text that cannot be used."""


class DeviceError(SidekeepError):
    """The sound card, or the lack of one."""


class ShelfError(SidekeepError):
    """The shelf, its catalogue or a record folder."""


class NotThere(ShelfError):
    """No record, take, picture or job of that id."""


class ChangedElsewhere(ShelfError):
    """Somebody else changed the record since it was read; nothing was written."""


class RecordBusy(ShelfError):
    """Another job is at work on the record; ``facts`` say which, where and since when."""


class CopyError(SidekeepError):
    """Writing copies: a full disk, a name clash, a failed read-back."""


class Cancelled(SidekeepError):
    """The person asked to stop."""


def say_errors_with(say: Callable[[SidekeepError], str]) -> None:
    """Who makes the sentence of an error from now on."""
    global _say
    _say = say


def bare_text(error: SidekeepError) -> str:
    """Code and facts: what can be said of an error without its sentence."""
    facts = ", ".join(f"{name} {value}" for name, value in error.facts.items())
    return f"{error.code}: {facts}" if facts else error.code


def _plain(value: Any) -> Any:
    if isinstance(value, BaseException):
        return " ".join(str(value).split()) or type(value).__name__
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        return float(value)
    if isinstance(value, tuple):
        return tuple(_plain(each) for each in value)
    return [_plain(each) for each in value] if isinstance(value, Collection) else str(value)
