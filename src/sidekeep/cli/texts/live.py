"""What a person at a terminal is told of the survey behind the needle: one quiet line, and a line that stays at the lift."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sidekeep.units import clock_text, count

_SURE = 0.8
"""A track told with less is said with '(perhaps)' (chosen here)."""


class LiveLine:
    """Keeps what was told last of the side that plays. Feed it every event; ``text`` is the line."""

    def __init__(self) -> None:
        self._last: dict[str, Mapping[str, Any]] = {}
        self._side = ""

    def hear(self, event: Mapping[str, Any]) -> str:
        """One event. A line that stays when there is one to say, else nothing."""
        code, facts = str(event["code"]), event["facts"]
        if code == "live-begun":
            self._last = {}
            self._side = str(event["side"])
        if code == "live-needle" and facts["goes_on"] and self._is_stuck():
            self._last[code] = facts
            return ""  # told already; the line counts on
        self._last[code] = facts
        return staying_text(event)

    def text(self) -> str:
        """A needle that is stuck, track, time left, damage, level; empty while nothing is known."""
        parts = [self._needle(), self._track(), self._left(), self._damage(), self._level()]
        return "   ".join(part for part in parts if part)

    def is_over(self) -> bool:
        """Whether the survey of the side is there, or was given up."""
        return "live-settled" in self._last or "live-given-up" in self._last

    def _is_stuck(self) -> bool:
        needle = self._last.get("live-needle")
        return needle is not None and bool(needle["goes_on"])

    def _needle(self) -> str:
        if not self._is_stuck():
            return ""
        needle = self._last["live-needle"]
        what = "turn" if needle["back_turns"] == 1 else f"{needle['period_s']:.1f} s"
        return f"needle stuck, {what} heard {needle['turns'] + 1} times"

    def _track(self) -> str:
        track = self._last.get("live-track")
        if track is None:
            return ""
        if track["over"]:
            return "all tracks played"
        name = f"track {track['track']}" + (f", {track['title']}" if track["title"] else "")
        return name if track["sure"] >= _SURE else f"{name} (perhaps)"

    def _left(self) -> str:
        track = self._last.get("live-track") or {}
        if track.get("side_left_s") is None or track["over"]:
            return ""
        return left_text(float(track["side_left_s"]), float(track["side_left_sd_s"]))

    def _damage(self) -> str:
        total = (self._last.get("live-damage") or {}).get("total", 0)
        return count(total, "place of damage", "places of damage") if total else ""

    def _level(self) -> str:
        level = self._last.get("live-level")
        if level is None or level["sample_peak_dbfs"] < -100.0:
            return ""
        text = f"peak {level['sample_peak_dbfs']:.1f} dBFS"
        expected = level["forecast_peak_dbfs"]
        is_over = (self._last.get("live-track") or {}).get("over", False)
        return text if expected is None or is_over else f"{text}, may reach {round(expected)}"


def left_text(left_s: float, sd_s: float) -> str:
    """As exactly as it is known: minutes when it is not known to the second."""
    if sd_s > 45.0:
        return f"about {max(1, round(left_s / 60.0))} min left, not sure"
    if left_s < 20.0:
        return "nearly over"
    if left_s < 120.0 and sd_s < 15.0:
        return f"about {round(left_s / 10.0) * 10} s left"
    return (
        f"about {clock_text(round(left_s / 10.0) * 10)} left, give or take {max(5, round(sd_s / 5.0) * 5)} s"
    )


def staying_text(event: Mapping[str, Any]) -> str:
    """What is worth a line of its own."""
    code, side, facts = str(event["code"]), event["side"], event["facts"]
    if code == "live-settled":
        findings = facts["findings"]
        noticed = f", {count(findings, 'finding')}" if findings else ""
        return f"side {side} is surveyed: {count(facts['tracks'], 'track')}, {count(facts['repairs'], 'repair')}{noticed}"
    if code == "live-given-up":
        return f"side {side} will be surveyed when it is needed" + (
            f" ({facts['text']})" if facts.get("text") else ""
        )
    if code == "live-needle":
        return str(facts["text"])
    if code == "copies-prepared":
        files = facts["files"]
        if facts.get("again"):
            return ""
        verbs = "is encoded and waits" if files == 1 else "are encoded and wait"
        return f"{count(files, 'file')} of the sides so far {verbs} for the last side"
    if code == "copies-later":
        return f"copies will be made at the end ({facts['trouble']})"
    return ""
