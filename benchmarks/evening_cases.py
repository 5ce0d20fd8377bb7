"""Pressed evenings for the take session: what happens at a turntable, with its truth, and an input that plays it.

An evening is a row of stretches - the chain alone, a pressed side, a fumble, handling, silence before the phono stage is
switched on - laid end to end. ``SimulatedInput`` feeds it to the session block by block, in virtual time, and writes takes
with the real writer. Frames are those of the evening, which is also what the capture would count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.stand_in_input import StandInInput
from sidekeep.devices.recorder import RecorderEvent, RecorderSettings
from sidekeep.model.news import News
from sidekeep.press.disc.settings import PressSettings, bad_78, clean_lp, used_lp, worn_lp
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.press.disc.truth import Truth
from sidekeep.service.recording.take_session import TakeSession
from sidekeep.service.recording.take_types import Act, TakeOptions, TakeStatus
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake

Floats = NDArray[np.float64]
RATE_HZ = 22_050
LEAST_BEFORE_S = 3.0


KEPT_IN_LOCKED_GROOVE_S = 8.0
"""Where a player waits in the locked groove the side is over; so much of it must be on the take."""


@dataclass(frozen=True)
class Played:
    """One playing of a side in the evening: needle down, and the last moment that must be kept: the lift, or some seconds of
    the locked groove for a player that waits there. ``joined``: it was down before the evening began."""

    side: str
    down: int
    last: int
    joined: bool = False

    @classmethod
    def of(cls, side: str, truth: Truth, at: int) -> Played:
        """A side whose pressed take begins at frame ``at``, which may lie before the evening."""
        turns = float(truth.settings["run_out_turns"])
        locked = truth.needle_up_frame - round(turns * truth.locked_groove_period_s * truth.rate_hz)
        last = min(truth.needle_up_frame, locked + round(KEPT_IN_LOCKED_GROOVE_S * truth.rate_hz))
        down = at + truth.needle_down_frame
        return cls(side, max(0, down), at + last, joined=down < 0)


@dataclass
class Evening:
    """Sound, what was played in it, and acts by frame. ``printed``: whether the sleeve has times."""

    name: str
    audio: Floats
    played: list[Played]
    sides: tuple[str, ...] = ("A", "B")
    sleeve: str = ""
    acts: list[tuple[int, Act]] = field(default_factory=list)
    answer: Callable[[News], Act | None] | None = None


@dataclass
class Outcome:
    """What came of it. ``faults`` is empty when every side is right and its first and last moments are kept."""

    name: str
    faults: list[str]
    news: list[News]
    takes: list[ShelfTake]


class SimulatedInput(StandInInput):
    """Plays an evening to the session, block by block, with the acts of its person."""

    def __init__(
        self, settings: RecorderSettings, evening: Evening, session: Callable[[], TakeSession]
    ) -> None:
        super().__init__(evening.audio, settings.rate_hz)
        self._acts = list(evening.acts)
        self._session = session

    def events(self) -> Iterator[RecorderEvent]:
        """The evening in blocks of 50 ms, then the end of it."""
        yield RecorderEvent(kind="started")
        block = self._rate_hz // 20
        for at in range(0, len(self._audio), block):
            while self._acts and self._acts[0][0] <= at:
                self._session().act(self._acts.pop(0)[1])
            yield from self.block(at, at + block)
        self._session().act(Act(do="stop", why="over"))
        yield from self.silence()


def take_evening(evening: Evening, shelf: Path) -> Outcome:
    """Run the session over the evening, and compare."""
    folder = RecordFolder.create(shelf / "Marrow Lane - The Orchard Hours", sleeve=evening.sleeve)
    news: list[News] = []
    session: TakeSession
    inputs: list[SimulatedInput] = []

    def opened(settings: RecorderSettings) -> SimulatedInput:
        inputs.append(SimulatedInput(settings, evening, lambda: session))
        return inputs[-1]

    def tell(status: TakeStatus) -> None:
        for each in status.news:
            news.append(each)
            act = evening.answer(each) if evening.answer is not None else None
            if act is not None:
                session.act(act)

    session = TakeSession(
        folder,
        RecorderSettings(rate_hz=RATE_HZ, channels=2, bits=24),
        TakeOptions(sides=evening.sides, status_every_s=30.0, shortest_side_s=20.0),
        tell=tell,
        open_recorder=opened,
        wait=lambda seconds: None,
    )
    takes = session.run()
    spans = [span for each in inputs for span in each.spans]
    return Outcome(evening.name, list(faults(evening, takes, spans)), news, takes)


def faults(evening: Evening, takes: list[ShelfTake], spans: Sequence[tuple[int, int]]) -> Iterator[str]:
    """Sides that are wrong, and moments that are missing."""
    wanted = sorted(each.side for each in evening.played)
    got = sorted(take.side for take in takes)
    if wanted != got:
        yield f"sides {' '.join(got) or '-'} instead of {' '.join(wanted)}"
    by_length = {stop - start: (start, stop) for start, stop in spans}
    for played in evening.played:
        mine = [take for take in takes if take.side == played.side]
        if not mine:
            continue
        start, stop = by_length[mine[-1].length_frames]
        before_s = (played.down - start) / RATE_HZ
        if played.joined:
            if start > round(0.2 * RATE_HZ):
                yield f"side {played.side}: begins {start / RATE_HZ:.1f} s after arming"
        elif before_s < min(LEAST_BEFORE_S, played.down / RATE_HZ):
            yield f"side {played.side}: begins {-before_s:.1f} s after the needle"
        if stop < played.last:
            yield f"side {played.side}: ends {(played.last - stop) / RATE_HZ:.1f} s too early"


# What evenings are made of


def song(seconds: float, seed: int) -> Floats:
    """Something with chords, a beat and dynamics."""
    random = np.random.default_rng((77, seed))
    count = round(seconds * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    out = np.zeros((count, 2))
    beat_s = 60.0 / random.uniform(80.0, 140.0)
    root_hz = random.uniform(110.0, 220.0)
    for bar in range(int(seconds / (4 * beat_s)) + 1):
        start, stop = round(bar * 4 * beat_s * RATE_HZ), min(count, round((bar + 1) * 4 * beat_s * RATE_HZ))
        part = time_s[start:stop] - bar * 4 * beat_s
        for ratio in random.choice([1.0, 1.125, 1.25, 1.333, 1.5, 1.667, 2.0], 3, replace=False):
            tone = sum(np.sin(2 * np.pi * root_hz * ratio * n * part) / n for n in (1, 2, 3, 5))
            side = random.uniform(0.3, 0.7)
            out[start:stop] += (tone * np.exp(-part / 1.5))[:, None] * (side, 1.0 - side)
    for stroke in range(int(seconds / beat_s)):
        at = round(stroke * beat_s * RATE_HZ)
        length = min(count - at, round(0.12 * RATE_HZ))
        out[at : at + length] += (random.standard_normal(length) * np.exp(-np.arange(length) / 600.0))[
            :, None
        ]
    fade = np.minimum(1.0, np.minimum(time_s / 0.05, (seconds - time_s) / 0.5).clip(0.0))
    return out * fade[:, None] * 0.1


PRESETS: dict[str, Callable[..., PressSettings]] = {
    "clean": clean_lp,
    "used": used_lp,
    "worn": worn_lp,
    "78": bad_78,
    "noisy": lambda **changes: used_lp(chain_dbfs=-66.0, hum_dbfs=-60.0).but(**changes),
    "45": lambda **changes: used_lp(rpm=45.0, start_radius_mm=84.0, end_radius_mm=55.0).but(**changes),
}


@dataclass(frozen=True)
class Side:
    """Of a pressed side what an evening needs: its sound and its truth."""

    audio: Floats
    truth: Truth


@lru_cache(maxsize=4)  # evenings that follow each other play the same two sides; more would take gigabytes
def pressed(
    preset: str,
    seed: int,
    lengths_s: tuple[float, ...] = (26.0, 18.0),
    changes: tuple[tuple[str, Any], ...] = (),
    play: int = 0,
) -> Side:
    """A side; the chain alone for 6 s at both ends."""
    settings = PRESETS[preset](
        **{
            "needle_down_lead_s": 6.0,
            "needle_up_tail_s": 6.0,
            "run_out_turns": 4,
            "lead_in_s": 4.0,
            "locked_repeats": True,
            **dict(changes),
        }
    )
    pieces = [
        Piece(audio=song(length, 10 * seed + index), title="x") for index, length in enumerate(lengths_s)
    ]
    side = press_side(pieces, rate_hz=RATE_HZ, settings=settings, seed=seed, play=play)
    return Side(side.audio, side.truth)


def changed(side: Side, change: Callable[[Floats, int], None], at_s: float = 17.0) -> Side:
    """A side with its sound changed from a moment ``at_s`` after the needle on: ``change`` is given both."""
    audio = side.audio.copy()
    change(audio, side.truth.needle_down_frame + round(at_s * RATE_HZ))
    return Side(audio, side.truth)


class Builder:
    """Lays stretches end to end. ``chain`` is what the input gives with the needle up."""

    def __init__(self, name: str, side: Side) -> None:
        self.name = name
        self._chain = side.audio[: 5 * RATE_HZ]
        self._parts: list[Floats] = []
        self.frames = 0
        self._random = np.random.default_rng(len(name))
        self.played: list[Played] = []
        self.acts: list[tuple[int, Act]] = []

    def add(self, audio: Floats) -> Builder:
        self._parts.append(audio)
        self.frames += len(audio)
        return self

    def idle(self, seconds: float) -> Builder:
        """The chain, there and back again: hum goes on without a jump, which would be a tick."""
        part = np.concatenate([self._chain, self._chain[::-1]])
        count = round(seconds * RATE_HZ)
        return self.add(np.concatenate([part] * (count // len(part) + 1))[:count])

    def off(self, seconds: float) -> Builder:
        """The phono stage without power: the converter's own noise."""
        return self.add(self._random.standard_normal((round(seconds * RATE_HZ), 2)) * 10 ** (-104 / 20))

    def power_on(self) -> Builder:
        """The thump of a phono stage that comes on."""
        time_s = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
        thump = 0.2 * np.exp(-time_s / 0.08) * np.sin(2 * np.pi * 14.0 * time_s)
        return self.add(self._chain[: len(thump)] + thump[:, None])

    def side(self, side: Side, letter: str, *, skip: int = 0) -> Builder:
        """A side played through; ``skip`` frames of it were over before."""
        self.played.append(Played.of(letter, side.truth, self.frames - skip))
        return self.add(side.audio[skip:])

    def fumble(self, side: Side, seconds: float) -> Builder:
        """Down, and lifted again."""
        down = side.truth.needle_down_frame
        start = max(0, down - RATE_HZ)
        return self.add(side.audio[start : down + round(seconds * RATE_HZ)])

    def handling(self, seconds: float) -> Builder:
        """Somebody works on arm and leads: bumps, crackle and a swelling hum."""
        count = round(seconds * RATE_HZ)
        time_s = np.arange(count) / RATE_HZ
        noise = self._random.standard_normal((count, 2)) * 0.02 * self._random.random((count, 1)) ** 4
        hum = 0.05 * np.sin(2 * np.pi * 50.0 * time_s) * np.sin(np.pi * time_s / seconds)
        start = self._chain[: count % len(self._chain)]
        chain = np.resize(self._chain, (count, 2)) if count > len(start) else start
        return self.add(chain + noise + hum[:, None])

    def steps_beside(self, count: int) -> Builder:
        """Somebody walks past a player on a soft floor: thumps without a needle."""
        time_s = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ
        thump = 0.3 * np.exp(-time_s / 0.1) * np.sin(2 * np.pi * 11.0 * time_s)
        for number in range(count):
            self.add(self._chain[: len(thump)] + thump[:, None]).idle(3.0 + number)
        return self

    def done(self, **more: Any) -> Evening:
        return Evening(self.name, np.concatenate(self._parts), self.played, acts=self.acts, **more)


def sleeve(times_s: Mapping[str, Sequence[float]] | None) -> str:
    """A sleeve text with printed times, or without."""
    lines = ["Marrow Lane - The Orchard Hours (1974)"]
    for letter in times_s or {"A": (0.0,), "B": (0.0,)}:
        lines.append(f"Side {letter}")
        for number, seconds in enumerate((times_s or {"A": (0.0,), "B": (0.0,)})[letter], 1):
            clock = f" {int(seconds) // 60}:{int(seconds) % 60:02d}" if times_s else ""
            lines.append(f"{letter}{number} Song {number}{clock}")
    return "\n".join(lines) + "\n"
