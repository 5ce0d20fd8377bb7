"""The shape of what is said of two takes."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.model.finding import Channel, Fact, Finding, Severity


def finding(
    kind: str,
    severity: Severity,
    facts: Mapping[str, Fact] | None = None,
    at_frame: int = 0,
    channel: Channel = "both",
) -> Finding:
    """A finding at a moment of the old take, or of the whole side."""
    return Finding(
        kind=kind,
        start_frame=at_frame,
        stop_frame=at_frame,
        channel=channel,
        severity=severity,
        facts=facts or {},
    )


def channel_name(channel: int, channels: int) -> Channel:
    """``L`` or ``R``; ``both`` for mono."""
    return "both" if channels < 2 else "R" if channel else "L"
