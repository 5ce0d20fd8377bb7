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

Messages are one sentence: what was given, what is allowed, the likely cause. What is wrong with a
record or a take is not an exception but a ``model.finding.Finding``. Beside its sentence an error has a
``code`` (a short lower-case word with hyphens, for scripts) and ``facts`` (named plain values); nothing
decides by reading the sentence.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


class SidekeepError(Exception):
    """Anything a person can be told in one line."""

    code = "failed"
    facts: Mapping[str, Any]

    def __init__(self, *text: str, code: str | None = None, facts: Mapping[str, Any] | None = None) -> None:
        super().__init__(*text)
        if code is not None:
            self.code = code
        self.facts = dict(facts or {})


class ParameterError(SidekeepError, ValueError):
    """A value outside its allowed range."""

    code = "parameter"


class AudioFileError(SidekeepError):
    """A file that cannot be read as audio."""

    code = "audio-file"


class ChecksumError(AudioFileError):
    """A recording that is not what it was: its checksum differs, or it changed while it was read."""


class SleeveError(SidekeepError):
    """A sleeve text that cannot be used."""

    code = "sleeve"


class DeviceError(SidekeepError):
    """The sound card, or the lack of one."""

    code = "device"


class ShelfError(SidekeepError):
    """The shelf, its catalogue or a record folder."""

    code = "shelf"


class NotThere(ShelfError):
    """No record, take, picture or job of that id."""

    code = "not-there"


class ChangedElsewhere(ShelfError):
    """Somebody else changed the record since it was read; nothing was written."""

    code = "changed-elsewhere"


class RecordBusy(ShelfError):
    """Another job is at work on the record; ``facts`` say which, where and since when."""

    code = "busy"


class CopyError(SidekeepError):
    """Writing copies: a full disk, a name clash, a failed read-back."""

    code = "copy"


class Cancelled(SidekeepError):
    """The person asked to stop."""

    code = "cancelled"
