"""Watching the needle while it plays: down, in the run-out, up. Streaming, no look ahead.

Nothing is compared with fixed levels: the needle in a groove stands over the noise of the chain (amplifier, converter) as
it was heard with the needle up, and a lift brings exactly that noise back. What is believed of the chain can be wrong -
armed in the middle of a side, the phono stage switched on late, a gain turned - so it carries how surely it is known:

- a chain that was *surely* heard ends a side within a second of its return;
- a chain that was only assumed ends nothing by itself. Then a lift is believed when the sound stays a steady noise without
  a tick, like a chain and not like a groove, for half a minute, or when a needle is lowered out of such a stretch;
- a steady noise from before the music, which no moment since came near, was the chain: groove noise lies under all music.
  Its return for a quarter of a minute is a lift;
- a stretch with the needle "down" that holds no music and nothing of a groove was a chain that had been switched on.

Digital silence is no chain where the chain was never silent itself: the input is muted, or its plug is out. Nobody knows what the
needle does meanwhile, so nothing is believed.

In the run-out the groove is there, no music, and the locked groove ticks once per turn. Silence alone is never the end.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.needle.chain import SMOOTH, Chain, centre_of
from sidekeep.flow.needle.early_noise import HEARD_EVERY, EarlyNoise
from sidekeep.flow.needle.needle_levels import MID, SILENT_DB, SWAY, WINDOW_S, Levels
from sidekeep.flow.needle.played_groove import PlayedGroove
from sidekeep.flow.needle.recent_windows import SECOND, RecentWindows
from sidekeep.flow.needle.tick_watch import once_per_turn
from sidekeep.flow.ports import Audio

NeedleState = Literal["up", "down", "run-out"]
Floats = NDArray[np.float64]

_DOWN_AFTER = round(1.5 / WINDOW_S)
"""So long must the groove be heard before the needle counts as down. Chosen by hand, no finer reason."""
_UP_AFTER = round(1.0 / WINDOW_S)
"""So long must the chain be heard alone after music before the needle counts as up. Chosen by hand, no finer reason."""
_LOUD_DB = -52.0
"""No usable chain is so noisy with the needle up (common practice, no source)."""
_SURE_AFTER = round(25.0 / WINDOW_S)
"""No lead-in is so long: steady noise before that was the chain."""
_STILL_UP_AFTER = round(30.0 / WINDOW_S)
"""So long must what is heard be like the chain, where the groove itself is not known: longer than a rest in the music.
Chosen by hand, no finer reason."""
_UNDER_GROOVE_AFTER = round(8.0 / WINDOW_S)
"""The same where it lies under the noise of the groove, which no music with the needle down does. Chosen by hand, no finer
reason."""
_SWITCHED_ON_AFTER = round(20.0 / WINDOW_S)
"""Steady noise of such length from the start, no music in it, was equipment that was switched on. Chosen by hand, no finer
reason."""
_LIKE_EARLY_AFTER = round(15.0 / WINDOW_S)
"""So long must the noise from before the music be heard again to have been the chain's. Chosen by hand, no finer reason."""
_QUIET_BEFORE_DROP = round(3.0 / WINDOW_S)
"""Steady noise before a needle that is lowered out of it into a groove. Chosen by hand, no finer reason."""
_MUTED_FOR_GOOD_AFTER = round(10.0 / WINDOW_S)
"""With the needle up, digital silence of such length is what the input gives from now on: some players mute themselves while
their arm is up. Chosen by hand, no finer reason."""
_STEP_DB = 4.0
"""Rise by which such a lowering shows: what a groove stands over the chain at least (``chain``)."""
_AFTER_DROP, _THUMP = round(1.5 / WINDOW_S), round(0.4 / WINDOW_S)
"""Groove heard after such a lowering, and how long its thump may last. Chosen by hand, no finer reason."""
_STEADY_DB, _STEADY_SWAY_DB = 1.6, 2.2
"""Deviation of a chain's noise, above and of its sway: windows of 50 ms hold few periods of that. Chosen by hand."""
_THUMP_DB, _RUMBLE_DB = 5.0, 6.0
"""By so much a thump stands over the sway on both sides of it, and a turning disc over a chain. Chosen by hand."""
_FIRST_LOOK_AFTER = round(0.6 / WINDOW_S)
"""The noise of a chain is not known from less. Chosen by hand, no finer reason."""
_IDLE_KEPT = round(20.0 / WINDOW_S)
"""The chain is known from the latest of its noise: it warms up. Chosen by hand, no finer reason."""
_FALLEN_DB, _LITTLE_DB = -3.0, 1.0
"""A chain grew quieter where a band fell by so much; what moves by less than a decibel has not moved. Chosen by hand."""
_BEGAN = 0.7
"""Share of what a lift needs from which the needle's sound is dated: it rises over some windows. Chosen by hand."""
_MUSIC_AFTER_LIFT = 3 * SECOND
"""A groove just begun counts as music against a chain: so three seconds, not one."""
_PAUSE = 4
_TICKING_EVERY = 5
"""Windows without music from which it is still; how often a still stretch is asked for its tick. Chosen by hand."""
_SUSTAINED = round(0.4 / WINDOW_S)
_SUSTAINED_SHARE = 0.7
"""Music goes on: so much of so long lies over the groove, a tick fills a window or two. Chosen by hand, no finer reason."""


@dataclass(frozen=True, kw_only=True)
class NeedleEvent:
    """The needle changed its state; ``frame`` is the moment it did, before it was noticed.

    ``joined``: it may have been down before this watch began. ``vague``: the moment is only known roughly, so keep what lies
    before it. ``again``: music after a run-out, without a lift. ``why`` of an up: ``lift``, ``still`` (long noise of a chain),
    ``drop`` (a needle was lowered, so it had been up) or ``switched-on`` (it had never been down).
    """

    state: NeedleState
    frame: int
    joined: bool = False
    vague: bool = False
    again: bool = False
    why: str = ""


@dataclass(frozen=True, kw_only=True)
class WatchSettings:
    """``ticking_after_s``: groove without music and with a tick once per turn is the run-out after so long;
    ``music_before_run_out_s``: and after this much music at least."""

    ticking_after_s: float = 10.0
    music_before_run_out_s: float = 4.0


class NeedleWatch:
    """Feed it blocks of any size; it tells of changes."""

    def __init__(self, *, rate_hz: int, channels: int, settings: WatchSettings | None = None) -> None:
        self.settings = settings or WatchSettings()
        self.state: NeedleState = "up"
        self._measure = Levels(rate_hz)
        self._window = self._measure.window_frames
        self._held = np.zeros((0, channels))
        self._recent = RecentWindows(_STILL_UP_AFTER + SECOND)
        self._idle: deque[Floats] = deque(maxlen=_IDLE_KEPT)
        self._idle_count = 0
        self._silent_count = 0
        self._chain: Chain | None = None
        self._since: int | None = None
        self._misses = 0
        self._fallen_since: int | None = None
        self._played = PlayedGroove(0)
        self._still_since: int | None = None
        self._early = EarlyNoise()

    @property
    def still_s(self) -> float:
        """How long the groove has been without music; 0 while there is some, and with the needle up."""
        return 0.0 if self._still_since is None else (self._recent.count - self._still_since) * WINDOW_S

    @property
    def music_span(self) -> tuple[int, int]:
        """First and last frame of music since the needle went down; equal when there was none."""
        start, stop = self._played.music_span
        return start * self._window, stop * self._window

    def process(self, block: Audio) -> list[NeedleEvent]:
        """Take (n, channels) frames; what changed, oldest first."""
        held = np.concatenate([self._held, block])
        count = len(held) // self._window
        events: list[NeedleEvent] = []
        if count:
            measured = self._measure.measure(held[: count * self._window])
            for at in range(count):
                self._recent.add(measured, at)
                for event in self._step():
                    self.state = event.state
                    events.append(event)
        self._held = held[count * self._window :].copy()
        return events

    def forget(self) -> None:
        """The input was away: what was believed of the chain may be wrong now, and nobody saw the needle."""
        if self._chain is not None:
            self._chain.sure = False

    # Needle up

    def _step(self) -> list[NeedleEvent]:
        self._silent_count = self._silent_count + 1 if self._recent.is_silent else 0
        if self._is_muted():
            self._since = self._fallen_since = None
            if self.state != "up" and self._still_since is None:
                self._still_since = self._recent.count
            return []
        return self._while_up() if self.state == "up" else self._while_down()

    def _is_muted(self) -> bool:
        """Whether the silence of the newest window is none that the chain ever had."""
        if not self._silent_count or not self._idle or min(row.max() for row in self._idle) <= SILENT_DB:
            return False
        return self.state != "up" or self._silent_count < _MUTED_FOR_GOOD_AFTER

    def _while_up(self) -> list[NeedleEvent]:
        if self._chain is None:
            return self._first_look()
        level = self._recent.smooth(SMOOTH)
        over = level - self._chain.levels
        if (over > self._chain.lift_db()).any():
            if self._since is None:
                self._since, self._misses = self._recent.count - 1 - self._lag(over), 0
            if self._recent.count - self._since >= _DOWN_AFTER:
                return [self._lower(self._since)]
            return []
        if self._since is not None:
            self._misses += 1
            if self._misses <= _DOWN_AFTER // 10:
                return []
            self._since = None
        if (over < _FALLEN_DB).any() and (over < _LITTLE_DB).all():
            # A chain that grew quieter: switched off, turned down, or what was heard so far was a groove.
            self._fallen_since = self._recent.count if self._fallen_since is None else self._fallen_since
            if self._recent.count - self._fallen_since >= SECOND:
                self._learn(SECOND // 2, sure=False)
            return []
        self._fallen_since = None
        self._idle.append(self._recent.rows[-1])
        self._idle_count += 1
        self._chain.levels, self._chain.spread = centre_of(self._idle)
        if self._idle_count >= _SURE_AFTER and not self._recent.is_groove_like(_SURE_AFTER):
            self._chain.sure = True
        return []

    def _first_look(self) -> list[NeedleEvent]:
        """The first moments: sound already, or something steady that is taken for the chain."""
        if self._recent.count < _FIRST_LOOK_AFTER:
            return []
        if np.median([row[MID:].max() for row in self._recent.rows]) > _LOUD_DB:
            quiet = np.full(3, SILENT_DB)
            self._chain = Chain(quiet, np.zeros(3))
            return [self._lower(0, joined=True)]
        self._learn(self._recent.count, sure=False)
        return []

    def _learn(self, windows: int, *, sure: bool) -> None:
        self._idle = deque(list(self._recent.rows)[-windows:], maxlen=self._idle.maxlen)
        levels, spread = centre_of(self._idle)
        self._chain = Chain(levels, spread, sure)
        self._idle_count = windows
        self._since = self._fallen_since = None

    def _lower(self, at: int, *, joined: bool = False) -> NeedleEvent:
        """The needle goes down: begin to know the groove."""
        assert self._chain is not None
        out_of_noise = self._recent.is_noise(SECOND)
        if out_of_noise and self._idle_count >= SECOND:
            # A needle lowered into a groove without music: what was before it was the chain.
            self._chain.sure = True
        vague = not self._chain.sure or joined
        self._since = self._fallen_since = self._still_since = None
        self._played = PlayedGroove(max(0, at))
        self._early = EarlyNoise()
        return NeedleEvent(
            state="down",
            frame=max(0, at) * self._window,
            joined=joined or (vague and self._idle_count < _SURE_AFTER),
            vague=vague,
        )

    # Needle down

    def _while_down(self) -> list[NeedleEvent]:
        assert self._chain is not None
        self._played.hear(self._recent)
        if events := self._by_lift():
            return events
        if events := self._by_chain_only():
            return events
        return self._watch_run_out()

    def _by_lift(self) -> list[NeedleEvent]:
        """The chain is back, as it was heard before."""
        assert self._chain is not None
        if not self._chain.sure:
            return []
        over = self._recent.smooth(SMOOTH) - self._chain.levels
        if (over <= self._chain.near_db(self._played.floor)).all():
            if self._fallen_since is None:
                self._fallen_since = self._recent.count - 1
            if self._recent.count - self._fallen_since >= _UP_AFTER:
                at = self._fallen_since
                self._learn(self._recent.count - at, sure=True)
                return [self._raise(at, "lift")]
        else:
            self._fallen_since = None
        return []

    def _by_chain_only(self) -> list[NeedleEvent]:
        """Nothing but the noise of a chain although the needle is believed down."""
        played = self._recent.count - self._played.down_at
        if played % HEARD_EVERY:
            return []
        if (
            self._played.music_count < SECOND
            and played >= _SWITCHED_ON_AFTER
            and self._recent.is_chain_like(_SWITCHED_ON_AFTER)
        ):
            at = self._played.down_at
            self._learn(_SWITCHED_ON_AFTER // 2, sure=False)
            return [self._raise(at, "switched-on")]
        if not self._may_be_up():
            return []
        if self._early_noise_is_back():
            self._learn(_LIKE_EARLY_AFTER // 2, sure=True)
            return [self._raise(self._recent.count - _LIKE_EARLY_AFTER, "still")]
        # Under the noise of the groove itself, and without its rumble: that is soon clear.
        under = self._played.is_over(self._recent)
        need = _UNDER_GROOVE_AFTER if under else _STILL_UP_AFTER
        if played >= need and self._recent.is_chain_like(need):
            self._learn(need // 2, sure=under)
            return [self._raise(self._recent.count - need, "still")]
        return self._by_drop()

    def _early_noise_is_back(self) -> bool:
        """Whether what was heard before the music is heard again, and must have been the chain."""
        if self._played.music_count < SECOND and self._recent.is_chain_like(_QUIET_BEFORE_DROP):
            self._early.note(self._recent.smooth(_QUIET_BEFORE_DROP), self._recent.count)
        else:
            self._early.hear(self._recent.newest(SECOND))
        rows = self._recent.newest(_LIKE_EARLY_AFTER)
        # One click in a quarter of a minute may be a switch in the house.
        return self._early.is_back(rows, self._recent.count) and self._recent.is_chain_like(
            _LIKE_EARLY_AFTER, ticks=1
        )

    def _by_drop(self) -> list[NeedleEvent]:
        """A needle lowered out of a steady noise into a groove: it had been up."""
        rows = np.asarray(self._recent.rows)
        since = _AFTER_DROP + _THUMP
        need = _QUIET_BEFORE_DROP + since
        if self._recent.count - self._played.down_at < need or not self._recent.is_noise(_AFTER_DROP):
            return []
        now = np.median(rows[-_AFTER_DROP:], axis=0)
        before = rows[-need:-since]
        ticks = list(self._recent.ticks)[-need:-since]
        was, _ = centre_of(before)
        step = now - was
        is_even = float(before[:, MID].std()) < _STEADY_DB and float(before[:, SWAY].std()) < _STEADY_SWAY_DB
        if any(ticks) or not is_even or step[MID:].max() < _STEP_DB or (step < -_LITTLE_DB).any():
            return []
        burst = rows[-since:-_AFTER_DROP]
        # The thump of the needle, or the rumble of a turntable that no chain has.
        if burst[:, SWAY].max() < max(was[SWAY], now[SWAY]) + _THUMP_DB and step[SWAY] < _RUMBLE_DB:
            return []
        at = self._recent.count - since
        idle = before
        start = at - len(idle)
        up = self._raise(start, "drop")
        self.state = "up"
        self._idle = deque(idle, maxlen=self._idle.maxlen)
        self._chain = Chain(*centre_of(idle), sure=True)
        self._idle_count = len(idle)
        self.state = "down"
        return [up, self._lower(at)]

    def _raise(self, at: int, why: str) -> NeedleEvent:
        self._since = self._fallen_since = self._still_since = None
        return NeedleEvent(state="up", frame=at * self._window, why=why)

    def _may_be_up(self) -> bool:
        """Whether a lift could go unseen: the chain was only assumed, or is not what it was."""
        assert self._chain is not None
        return (
            not self._chain.sure
            or self._played.music_count < _MUSIC_AFTER_LIFT
            or self._played.is_over(self._recent)
        )

    def _lag(self, over: Floats) -> int:
        """How many windows ago the newest windows began to stand over the chain."""
        assert self._chain is not None
        recent = self._recent.newest(SMOOTH) - self._chain.levels
        above = (recent > _BEGAN * self._chain.lift_db()).any(axis=1)
        first = int(np.argmax(above)) if above.any() else len(recent) - 1
        return len(recent) - 1 - first

    # The run-out

    def _watch_run_out(self) -> list[NeedleEvent]:
        sounds = self._played.last_music == self._recent.count - 1
        recent = self._recent.count - 1 - self._played.last_music
        if sounds and (self.state != "run-out" or self._sustained()):
            self._still_since = None
            if self.state == "run-out":  # music after all
                return [NeedleEvent(state="down", frame=self._recent.count * self._window, again=True)]
            return []
        if self._still_since is None and recent > _PAUSE:
            self._still_since = self._recent.count
        if self.state == "run-out" or self._still_since is None:
            return []
        still = self._recent.count - self._still_since
        settings = self.settings
        if self._played.music_count * WINDOW_S < settings.music_before_run_out_s:
            return []
        if (
            still * WINDOW_S >= settings.ticking_after_s
            and still % _TICKING_EVERY == 0
            and self._ticking(still)
        ):
            return [NeedleEvent(state="run-out", frame=self._still_since * self._window)]
        return []

    def _sustained(self) -> bool:
        """Music, not a tick: most of the last moments lie over the groove."""
        rows = self._recent.newest(_SUSTAINED)[:, MID]
        return bool((rows > self._played.music_from_db).mean() >= _SUSTAINED_SHARE)

    def _ticking(self, still: int) -> bool:
        """Whether the steps of the still stretch come back once per turn."""
        return once_per_turn(np.log(self._recent.newest_steps(still) + 1e-9), WINDOW_S)
