"""An evening of the take session without sound worth hearing: what the needle did and which music played is scripted.

Frames are those of the evening at a low rate; takes are written by the real writer. The hearing is replaced, so what is tested
is the session alone: which side is due, what is told, where takes lie.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmarks.stand_in_input import StandInInput

from sidekeep.devices.recorder import RecorderEvent, RecorderSettings
from sidekeep.flow.needle.needle_watch import NeedleEvent
from sidekeep.model.news import News
from sidekeep.service.recording import take_session
from sidekeep.service.recording.take_session import TakeSession
from sidekeep.service.recording.take_types import Act, TakeOptions, TakeStatus
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake

RATE_HZ = 8_000
BLOCK_S = 0.5
SLEEVE = "Marrow Lane - The Orchard Hours (1974)\nSide A\nA1 Dew 1:40\nSide B\nB1 Russets 1:00\n"
Step = tuple[Any, ...]
"""("idle", s), ("side", seed, s), ("locked", s), ("silence", s), ("lost",), ("news", News): what happens one after the other."""


class ScriptedHearing:
    """Stands for ``service.recording.hearing.Hearing``."""

    script: Sequence[tuple[float, float, str]] = ()

    def __init__(self, settings: RecorderSettings) -> None:
        self.frame = 0
        self.still_s, self.clipped_frames, self.music_s = 0.0, 0, 0.0
        self._down_s = 0.0

    def expect_side(self, length_s: float | None) -> None:
        pass

    def reading(self) -> None:
        return None

    def listen(self, event: RecorderEvent) -> list[NeedleEvent]:
        assert event.block is not None
        begun, self.frame = event.frame, event.frame + len(event.block)
        found = []
        for at_s, stop_s, state in self.script:
            if begun <= at_s * RATE_HZ < self.frame:
                again = state == "again"
                if state == "down":
                    self._down_s = at_s
                word: Any = "down" if again else state
                why = "lift" if state == "up" else ""
                found.append(NeedleEvent(state=word, frame=round(at_s * RATE_HZ), again=again, why=why))
            if state in ("down", "again") and at_s * RATE_HZ <= self.frame <= stop_s * RATE_HZ:
                self.music_s = self.frame / RATE_HZ - self._down_s
        return found


class ScriptedInput(StandInInput):
    """One opening of the input, up to a loss."""

    def __init__(self, evening: ScriptedEvening) -> None:
        super().__init__(evening.audio, RATE_HZ, evening.opened)
        self._evening = evening

    def events(self) -> Iterator[RecorderEvent]:
        evening = self._evening
        yield RecorderEvent(kind="started")
        block = round(BLOCK_S * RATE_HZ)
        for at in range(evening.opened, len(self._audio), block):
            if evening.losses and at >= evening.losses[0]:
                evening.losses.pop(0)
                evening.opened = at
                self.end("lost")
                yield from self._waiting
                yield RecorderEvent(kind="left")
                return
            while evening.coming and at >= evening.coming[0][0]:
                yield RecorderEvent(kind="news", news=evening.coming.pop(0)[1])
            yield from self.block(at, at + block)
        evening.session.act(Act(do="stop", why="over"))
        yield from self.silence()


class ScriptedEvening:
    """Run it with ``run``; ``news`` is what was told, ``takes`` what lies on the shelf."""

    def __init__(
        self,
        shelf: Path,
        steps: Sequence[Step],
        *,
        sides: str = "AB",
        sleeve: str = SLEEVE,
        answer: Callable[[News], Act | None] = lambda news: None,
    ) -> None:
        self.folder = RecordFolder.create(shelf / "Marrow Lane - The Orchard Hours (1974)", sleeve=sleeve)
        self.news: list[News] = []
        self.takes: list[ShelfTake] = []
        self.opened = 0
        self.losses: list[int] = []
        self.coming: list[tuple[int, News]] = []
        self.script: list[tuple[float, float, str]] = []
        self._answer = answer
        self.audio = self._laid_out(steps)
        self.session = TakeSession(
            self.folder,
            RecorderSettings(rate_hz=RATE_HZ, channels=2, bits=24),
            TakeOptions(sides=tuple(sides), status_every_s=30.0),
            tell=self._tell,
            open_recorder=lambda settings: ScriptedInput(self),
            wait=lambda seconds: None,
        )

    def run(self, monkeypatch: pytest.MonkeyPatch) -> ScriptedEvening:
        monkeypatch.setattr(ScriptedHearing, "script", self.script)
        monkeypatch.setattr(take_session, "Hearing", ScriptedHearing)
        monkeypatch.setattr(take_session, "warm_up", lambda rate_hz, channels: None)
        self.takes = self.session.run()
        return self

    @property
    def codes(self) -> list[str]:
        return [f"{news.code}({news.side})" if news.side else news.code for news in self.news]

    @property
    def folders(self) -> list[str]:
        return sorted(take.folder for take in self.folder.takes())

    def _tell(self, status: TakeStatus) -> None:
        for news in status.news:
            self.news.append(news)
            if (act := self._answer(news)) is not None:
                self.session.act(act)

    def _laid_out(self, steps: Sequence[Step]) -> np.ndarray:
        parts: list[np.ndarray] = []
        at_s, is_down = 0.0, False
        for what, *values in steps:
            if what == "news":
                self.coming.append((round(at_s * RATE_HZ), values[0]))
                continue
            if what == "lost":
                self.losses.append(round(at_s * RATE_HZ))
                continue
            seconds = float(values[-1])
            if what == "idle" and is_down:
                self.script.append((at_s, at_s, "up"))
            if what == "side":
                self.script.append((at_s, at_s + seconds, "again" if is_down else "down"))
            if what == "locked":
                self.script.append((at_s, at_s, "run-out"))
            is_down = what in ("side", "locked", "silence")
            parts.append(_sound(values[0] if what == "side" else None, seconds))
            at_s += seconds
        return np.concatenate(parts)


def _sound(seed: int | None, seconds: float) -> np.ndarray:
    """Music is noise whose loudness changes every half second in a way of its own."""
    noise = np.random.default_rng(9).standard_normal((round(seconds * RATE_HZ), 2)) * 0.02
    if seed is None:
        return noise * 0.001
    course = np.random.default_rng(seed).uniform(0.2, 1.0, len(noise) // (RATE_HZ // 2) + 1)
    return noise * np.repeat(course, RATE_HZ // 2)[: len(noise), None]
