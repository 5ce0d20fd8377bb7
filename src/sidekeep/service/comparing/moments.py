"""Moments as they are kept (``taken_utc``, ISO 8601): one without a time zone, written by hand, is meant in UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_SAME_EVENING = timedelta(hours=14)


def moment_of(text: str) -> datetime:
    """A moment with its time zone. Raises ValueError, TypeError."""
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def near(first: str, second: str) -> bool:
    """Whether two moments are of one evening. Raises ValueError, TypeError."""
    return abs(moment_of(first) - moment_of(second)) < _SAME_EVENING
