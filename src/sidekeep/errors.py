"""The exception family.

::

    SidekeepError
    +-- ParameterError (also ValueError)   a value outside its range
    +-- AudioFileError                     a file that cannot be read as audio
    +-- SleeveError                        a sleeve text that cannot be used
    +-- DeviceError                        the sound card, or the lack of one
    +-- ShelfError                         the shelf, its catalogue or a record folder
    +-- CopyError                          writing copies (a full disk, a clash, a failed read-back)
    +-- Cancelled                          the person asked to stop

Messages are one sentence: what was given, what is allowed, the likely cause. What is wrong with a
record or a take is not an exception but a ``model.finding.Finding``.
"""

from __future__ import annotations


class SidekeepError(Exception):
    """Anything a person can be told in one line."""


class ParameterError(SidekeepError, ValueError):
    """A value outside its allowed range."""


class AudioFileError(SidekeepError):
    """A file that cannot be read as audio."""


class SleeveError(SidekeepError):
    """A sleeve text that cannot be used."""


class DeviceError(SidekeepError):
    """The sound card, or the lack of one."""


class ShelfError(SidekeepError):
    """The shelf, its catalogue or a record folder."""


class CopyError(SidekeepError):
    """Writing copies: a full disk, a name clash, a failed read-back."""


class Cancelled(SidekeepError):
    """The person asked to stop."""
