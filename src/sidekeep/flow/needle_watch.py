"""Watching the needle while it plays: down, in the run-out, up. Streaming, no look ahead.

Per window of 50 ms three levels are kept: sway (below some 60 Hz), hiss (first difference of the sound) and all of
it; a click cannot lift them, because each is the lower quartile of eight parts. With the needle up all three are
those of the chain (amplifier, converter). The needle in a groove lifts sway or hiss and keeps it lifted; the
lift ends within a moment when it is raised. In the run-out the groove is there but no music, and the locked
groove ticks once per turn.

Nothing is compared with fixed levels: everything is relative to what this chain and this groove showed before.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.ports import Audio
from sidekeep.units import power_to_db, seconds_to_frames

NeedleState = Literal["up", "down", "run-out"]

WINDOW_S = 0.05
_PARTS = 8
_SWAY_SMOOTHING_HZ = 60.0
_LIFT_DB = 6.0
"""The groove stands at least this far over the chain in sway or hiss (common practice, no source: 15 to 30 dB)."""
_DOWN_AFTER_S = 0.6
_UP_AFTER_S = 1.0
_MUSIC_DB = 6.0
"""Music stands this far over the quietest groove of the last minutes."""
_TURN_PERIODS_S = (60.0 / 100.0 * 3.0, 60.0 / 45.0, 60.0 / 78.26, 60.0 / 77.92)
_SILENT_DB = -130.0
_LOUD_DB = -50.0
"""No usable chain is so noisy with the needle up (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class NeedleEvent:
    """The needle changed its state; ``frame`` is the moment it did, before it was noticed."""

    state: NeedleState
    frame: int


@dataclass(frozen=True, kw_only=True)
class WatchSettings:
    """``still_after_s``: groove without music for so long is the run-out even if nothing ticks;
    ``ticking_after_s``: with a tick once per turn."""

    still_after_s: float = 30.0
    ticking_after_s: float = 9.0


class NeedleWatch:
    """Feed it blocks of any size; it tells of changes."""

    def __init__(self, *, rate_hz: int, channels: int, settings: WatchSettings | None = None) -> None:
        self.settings = settings or WatchSettings()
        self.state: NeedleState = "up"
        self._rate_hz = rate_hz
        self._window = seconds_to_frames(WINDOW_S, rate_hz) // _PARTS * _PARTS
        self._held = np.zeros((0, channels))
        self._frame = 0
        self._idle: deque[tuple[float, float]] = deque(maxlen=round(20.0 / WINDOW_S))
        self._lifted_since: int | None = None
        self._fallen_since: int | None = None
        self._still_since: int | None = None
        self._is_guessed = False
        self._hiss: deque[float] = deque(maxlen=round(120.0 / WINDOW_S))
        self._groove: deque[float] = deque(maxlen=round(600.0 / WINDOW_S))
        self._peaks: deque[float] = deque(maxlen=round(self.settings.still_after_s / WINDOW_S))

    def process(self, block: Audio) -> list[NeedleEvent]:
        """Take (n, channels) frames; what changed, oldest first."""
        events: list[NeedleEvent] = []
        held = np.concatenate([self._held, block])
        count = len(held) // self._window
        for index in range(count):
            window = held[index * self._window : (index + 1) * self._window]
            event = self._step(window)
            if event is not None:
                self.state = event.state
                events.append(event)
            self._frame += self._window
        self._held = held[count * self._window :].copy()
        return events

    def _step(self, window: Audio) -> NeedleEvent | None:
        sway, hiss, level = window_levels(window, self._rate_hz)
        self._peaks.append(float(np.abs(np.diff(window, axis=0)).max()))
        if self.state == "up":
            return self._while_up(sway, hiss, level)
        return self._while_down(sway, hiss, level)

    def _while_up(self, sway: float, hiss: float, level: float) -> NeedleEvent | None:
        if self._frame < seconds_to_frames(_DOWN_AFTER_S, self._rate_hz) and level > _LOUD_DB:
            # Watched from the middle of a side: there was no silence to learn the chain from.
            self._is_guessed = True
            self._idle.extend([(_LOUD_DB - 40.0, _LOUD_DB - 60.0)] * round(0.5 / WINDOW_S))
        if len(self._idle) < round(0.5 / WINDOW_S):
            self._idle.append((sway, hiss))
            return None
        idle_sway, idle_hiss = self._idle_levels()
        if max(sway - idle_sway, hiss - idle_hiss) > _LIFT_DB:
            if self._lifted_since is None:
                self._lifted_since = self._frame
            elif self._frame - self._lifted_since >= seconds_to_frames(_DOWN_AFTER_S, self._rate_hz):
                since, self._lifted_since = self._lifted_since, None
                self._groove.clear()
                self._still_since = self._fallen_since = None
                return NeedleEvent(state="down", frame=since)
        else:
            self._lifted_since = None
            self._idle.append((sway, hiss))
        return None

    def _while_down(self, sway: float, hiss: float, level: float) -> NeedleEvent | None:
        idle_sway, idle_hiss = self._idle_levels()
        self._groove.append(level)
        if self._is_chain(sway - idle_sway, hiss - idle_hiss, hiss):
            if self._fallen_since is None:
                self._fallen_since = self._frame
            elif self._frame - self._fallen_since >= seconds_to_frames(_UP_AFTER_S, self._rate_hz):
                since, self._fallen_since = self._fallen_since, None
                self._idle.clear()
                self._idle.append((sway, hiss))
                self._is_guessed = False
                return NeedleEvent(state="up", frame=since)
        else:
            self._fallen_since = None
        return self._watch_run_out(level)

    def _is_chain(self, sway_over: float, hiss_over: float, hiss: float) -> bool:
        """Whether a window with the needle down sounds like the chain alone."""
        if not self._is_guessed:
            return max(sway_over, hiss_over) <= 0.5 * _LIFT_DB
        # The chain was never heard: it must lie clearly under all the groove heard so far.
        if self._fallen_since is None:
            self._hiss.append(hiss)
        known = np.asarray(self._hiss)[: -round(0.2 / WINDOW_S)]
        return len(known) > round(2.0 / WINDOW_S) and hiss < np.percentile(known, 2.0) - _LIFT_DB

    def _watch_run_out(self, level: float) -> NeedleEvent | None:
        floor = float(np.percentile(np.asarray(self._groove)[:: max(1, len(self._groove) // 500)], 2.0))
        if level > floor + _MUSIC_DB:
            self._still_since = None
            if self.state == "run-out":  # music after all: a long pause within the side
                return NeedleEvent(state="down", frame=self._frame)
            return None
        if self._still_since is None:
            self._still_since = self._frame
        if self.state == "run-out":
            return None
        still_s = (self._frame - self._still_since) / self._rate_hz
        played_s = len(self._groove) * WINDOW_S
        if played_s < self.settings.still_after_s + 10.0:
            return None  # the lead-in is still too
        ticking = still_s >= self.settings.ticking_after_s and self._ticks(still_s)
        if ticking or still_s >= self.settings.still_after_s:
            return NeedleEvent(state="run-out", frame=self._still_since)
        return None

    def _ticks(self, still_s: float) -> bool:
        """Whether the peaks of the still stretch come back once per turn."""
        count = min(len(self._peaks), round(still_s / WINDOW_S))
        peaks = np.log(np.asarray(self._peaks)[-count:] + 1e-9)
        return once_per_turn(peaks, WINDOW_S)

    def _idle_levels(self) -> tuple[float, float]:
        sway, hiss = np.median(np.asarray(self._idle), axis=0)
        return float(sway), float(hiss)


def window_levels(window: Audio, rate_hz: int) -> tuple[float, float, float]:
    """Levels of one window in dB: sway, hiss, all of it. Click-proof: lower quartile over eight parts."""
    parts = window.reshape(_PARTS, -1, window.shape[1])
    hiss = (np.diff(parts, axis=1) ** 2).mean(axis=(1, 2))
    steps = max(1, int(rate_hz / (2.0 * _SWAY_SMOOTHING_HZ)))
    slow = window[: len(window) // steps * steps].reshape(-1, steps, window.shape[1]).mean(axis=1)
    sway = ((slow - slow.mean(axis=0)) ** 2).mean() if len(slow) > 1 else 0.0
    spread = parts - window.mean(axis=0)
    level = (spread**2).mean(axis=(1, 2))
    low = power_to_db(float(np.quantile(hiss, 0.25)))
    return (
        max(_SILENT_DB, power_to_db(float(sway))),
        max(_SILENT_DB, low),
        max(_SILENT_DB, power_to_db(float(np.quantile(level, 0.25)))),
    )


def once_per_turn(peaks: NDArray[np.float64], step_s: float) -> bool:
    """Whether a row of (log) peak values repeats with the period of a turn, and at no shorter one."""
    count = len(peaks)
    deviation = peaks - peaks.mean()
    power = float((deviation**2).sum())
    if power <= 0.0:
        return False
    spectrum = np.abs(np.fft.rfft(deviation, 2 * count)) ** 2
    likeness = np.fft.irfft(spectrum)[:count] / power
    for period_s in _TURN_PERIODS_S:
        lag = period_s / step_s
        near = [round(lag * turns) for turns in (1, 2, 3) if lag * turns < count - 1]
        if len(near) < 3:
            continue
        heights = [likeness[max(0, at - 1) : at + 2].max() * count / (count - at) for at in near]
        between = likeness[2 : max(3, near[0] - 2)].max(initial=0.0)
        if min(heights) > 0.35 and min(heights) > 1.5 * between:
            return True
    return False
