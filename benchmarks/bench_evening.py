"""Pressed evenings at the turntable: are the sides right, and are their first and last moments kept?

Fumbles, slips, handling, late starts, a phono stage switched on late, long pauses, silence within a side, 45s with
five-minute sides, players that lift at once, noisy pre-amplifiers, worn 78s; inputs that are muted, lose a channel, jump or give
16 bits. Virtual time; nothing here was fitted to a record.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.evening_cases import (
    RATE_HZ,
    Builder,
    Evening,
    Floats,
    Outcome,
    Played,
    changed,
    pressed,
    sleeve,
    take_evening,
)
from sidekeep.model.news import News
from sidekeep.service.recording.take_types import Act

Maker = Callable[[], Evening]
STATES = ("clean", "used", "worn", "78", "noisy")
PRINTED = {"A": (26.0, 18.0), "B": (26.0, 18.0)}


def cases() -> Iterator[tuple[str, Maker]]:
    """Every evening by its name, made when it is asked for."""
    for number, state in enumerate(STATES):
        a, b = 2 * number + 1, 2 * number + 2
        yield f"plain, {state}", lambda s=state, a=a, b=b: _plain(s, a, b)
        yield f"fumble of six seconds, {state}", lambda s=state, a=a, b=b: _fumble(s, a, b, (6.0,))
        yield f"slips, {state}", lambda s=state, a=a, b=b: _fumble(s, a, b, (1.2, 2.5))
        yield f"handling, {state}", lambda s=state, a=a, b=b: _handling(s, a, b)
        yield f"begun in the middle, {state}", lambda s=state, a=a, b=b: _joined(s, a, b, 18.0)
        yield f"begun in the lead-in, {state}", lambda s=state, a=a, b=b: _joined(s, a, b, 6.7)
        yield f"phono stage on late, {state}", lambda s=state, a=a, b=b: _late_power(s, a, b, 15.0)
        yield f"pause of 45 s, {state}", lambda s=state, a=a, b=b: _pause(s, a, b)
        yield f"lifts at once, {state}", lambda s=state, a=a, b=b: _plain(s, a, b, run_out_turns=0)
        yield f"quick flip, {state}", lambda s=state, a=a, b=b: _plain(s, a, b, between_s=0.0)
        yield (
            f"no times printed, fumble, {state}",
            lambda s=state, a=a, b=b: _fumble(s, a, b, (6.0,), times=False),
        )
    for state in ("clean", "used", "noisy"):
        yield f"phono stage on, needle at once, {state}", lambda s=state: _late_power(s, 21, 22, 5.0)
        yield f"phono stage on very late, {state}", lambda s=state: _late_power(s, 21, 22, 50.0)
        yield f"silence within, {state}", lambda s=state: _silence(s, 23, 24)
        yield f"begun in the last track, {state}", lambda s=state: _joined(s, 25, 26, 45.0)
        yield f"gain turned up between, {state}", lambda s=state: _gain(s, 29, 30)
        yield f"lifted in the middle, {state}", lambda s=state: _fumble(s, 31, 32, (15.0,))
    for state in ("clean", "used", "worn", "noisy"):
        yield f"waits in the locked groove, {state}", lambda s=state: _plain(s, 27, 28, run_out_turns=40)
    yield "45 with five-minute sides", lambda: _long("45", 33, 34)
    yield "45 with five-minute sides, clean", lambda: _long("clean", 35, 36)
    for state, a, b in (("clean", 45, 46), ("used", 47, 48), ("worn", 49, 50), ("noisy", 51, 52)):
        for up_s in (1.5, 3.0, 4.5):
            yield (
                f"lever up for {up_s:g} s, {state}",
                lambda s=state, a=a, b=b, up_s=up_s: _lever(s, a, b, up_s),
            )
        yield (
            f"lever up, no times printed, {state}",
            lambda s=state, a=a, b=b: _lever(s, a, b, 3.0, times=False),
        )
    for state in ("clean", "used", "noisy"):
        for trouble, change in TROUBLES.items():
            yield f"{trouble}, {state}", lambda s=state, change=change: _troubled(s, 53, 54, change)
        yield f"steps beside the player, {state}", lambda s=state: _steps(s, 55, 56)
    yield "B is played first", lambda: _swapped("used", 37, 38)
    yield "B is played first, clean", lambda: _swapped("clean", 39, 40)
    yield "A is played twice", lambda: _twice("used", 41, 42)
    yield "A is played twice, noisy", lambda: _twice("noisy", 43, 44)


def _plain(state: str, a: int, b: int, *, between_s: float = 12.0, **changes: float) -> Evening:
    side_a, side_b = (pressed(state, seed, changes=tuple(changes.items())) for seed in (a, b))
    built = Builder(state, side_a).idle(4.0).side(side_a, "A").idle(between_s).side(side_b, "B").idle(6.0)
    return built.done(sleeve=sleeve(PRINTED))


def _fumble(state: str, a: int, b: int, seconds: tuple[float, ...], *, times: bool = True) -> Evening:
    side_a, side_b = pressed(state, a), pressed(state, b)
    built = Builder(state, side_a).idle(6.0)
    for length in seconds:
        built.fumble(side_a, length).idle(6.0)
    built.side(side_a, "A").idle(8.0).fumble(side_b, seconds[0]).idle(6.0).side(side_b, "B").idle(6.0)
    return built.done(sleeve=sleeve(PRINTED if times else None))


def _lever(state: str, a: int, b: int, up_s: float, *, times: bool = True) -> Evening:
    """The lever up in the middle of side A, and down again at nearly the same place."""
    side, other = pressed(state, a, (60.0, 45.0)), pressed(state, b)
    built = Builder("lever", side).idle(5.0)
    cut = side.truth.needle_down_frame + round(75.0 * RATE_HZ)
    at = built.frames
    built.add(side.audio[:cut]).idle(up_s)
    down = Played.of("A", side.truth, at)
    back = cut - round(0.6 * RATE_HZ)
    built.add(side.audio[back:])
    built.played.append(replace(down, last=down.last + round(up_s * RATE_HZ) + cut - back))
    built.idle(12.0).side(other, "B").idle(10.0)
    return built.done(sleeve=sleeve({"A": (60.0, 45.0), "B": (26.0, 18.0)} if times else None))


def _handling(state: str, a: int, b: int) -> Evening:
    side_a, side_b = pressed(state, a), pressed(state, b)
    built = Builder(state, side_a).idle(6.0).handling(1.2).idle(4.0).handling(3.0).idle(5.0).side(side_a, "A")
    built.idle(3.0).handling(2.0).idle(4.0).handling(1.2).idle(5.0).side(side_b, "B").idle(8.0)
    return built.done(sleeve=sleeve(PRINTED))


def _muted(audio: Floats, at: int) -> None:
    audio[at : at + 20 * RATE_HZ] = 0.0


def _one_channel(audio: Floats, at: int) -> None:
    audio[at:, 1] = 0.0


def _plug_touched(audio: Floats, at: int) -> None:
    swing = 0.4 * np.exp(-np.arange(len(audio) - at) / (0.8 * RATE_HZ))
    audio[at:] = np.clip(audio[at:] + swing[:, None], -1.0, 1.0)


def _sixteen_bits(audio: Floats, at: int) -> None:
    audio[:] = np.round(audio * 2.0**15) / 2.0**15


TROUBLES: dict[str, Callable[[Floats, int], None]] = {
    "muted for 20 s": _muted,
    "one channel dies": _one_channel,
    "a plug is touched": _plug_touched,
    "16 bits without dither": _sixteen_bits,
}


def _troubled(state: str, a: int, b: int, change: Callable[[Floats, int], None]) -> Evening:
    side_a, side_b = changed(pressed(state, a), change), pressed(state, b)
    built = Builder(state, side_a).idle(5.0).side(side_a, "A").idle(12.0).side(side_b, "B").idle(8.0)
    return built.done(sleeve=sleeve(PRINTED))


def _steps(state: str, a: int, b: int) -> Evening:
    side_a, side_b = pressed(state, a), pressed(state, b)
    built = Builder(state, side_a).idle(8.0).steps_beside(5).side(side_a, "A").idle(12.0)
    return built.side(side_b, "B").idle(8.0).done(sleeve=sleeve(PRINTED))


def _joined(state: str, a: int, b: int, begun_s: float) -> Evening:
    """``begun_s`` into the pressed side, which has its needle at 6 s and its music from 10 s."""
    lengths = (26.0, 18.0)
    side_a, side_b = pressed(state, a, lengths), pressed(state, b, lengths)
    built = Builder(state, side_a).side(side_a, "A", skip=round(begun_s * RATE_HZ)).idle(12.0)
    built.side(side_b, "B").idle(35.0)
    # Half a side is no side where times are printed, so none are: what is asked here is where it ends.
    return built.done(sleeve=sleeve(None))


def _late_power(state: str, a: int, b: int, on_s: float) -> Evening:
    side_a, side_b = pressed(state, a), pressed(state, b)
    built = Builder(state, side_a).off(8.0).power_on().idle(max(0.0, on_s - 6.0)).side(side_a, "A")
    built.idle(12.0).side(side_b, "B").idle(6.0)
    return built.done(sleeve=sleeve(PRINTED))


def _pause(state: str, a: int, b: int) -> Evening:
    side_a, side_b = pressed(state, a, changes=(("gap_s", 45.0),)), pressed(state, b)
    built = Builder(state, side_a).idle(4.0).side(side_a, "A").idle(12.0).side(side_b, "B").idle(6.0)
    return built.done(sleeve=sleeve({"A": (26.0, 62.0), "B": (26.0, 18.0)}))


def _silence(state: str, a: int, b: int) -> Evening:
    side_a, side_b = (pressed(state, seed, (14.0, 8.0, 14.0), (("gap_s", 20.0),)) for seed in (a, b))
    built = Builder(state, side_a).idle(4.0).side(side_a, "A").idle(12.0).side(side_b, "B").idle(6.0)
    return built.done(sleeve=sleeve(None))


def _gain(state: str, a: int, b: int) -> Evening:
    side_a, side_b = pressed(state, a), pressed(state, b)
    built = Builder(state, side_a).idle(4.0).side(side_a, "A").idle(6.0)
    built.played.append(Played.of("B", side_b.truth, built.frames))
    built.add(side_b.audio * 2.0).add(side_b.audio[: 5 * RATE_HZ] * 2.0).add(
        side_b.audio[: 5 * RATE_HZ] * -2.0
    )
    return built.done(sleeve=sleeve(PRINTED))


def _long(state: str, a: int, b: int) -> Evening:
    side_a, side_b = pressed(state, a, (300.0,)), pressed(state, b, (290.0,))
    built = Builder(state, side_a).idle(4.0).side(side_a, "A").idle(12.0).side(side_b, "B").idle(6.0)
    return built.done(sleeve=sleeve({"A": (300.0,), "B": (290.0,)}))


def _swapped(state: str, a: int, b: int) -> Evening:
    """B goes first; what the session notices is answered as a person would, with one key."""
    side_a, side_b = pressed(state, a, (70.0,)), pressed(state, b, (34.0, 10.0))
    built = Builder(state, side_b).idle(4.0).side(side_b, "B").idle(14.0).side(side_a, "A").idle(6.0)

    def answer(news: News) -> Act | None:
        return Act(do="side-is", side=str(news.facts["other"])) if news.code == "looks-like" else None

    return built.done(sleeve=sleeve({"A": (70.0,), "B": (34.0, 10.0)}), answer=answer)


def _twice(state: str, a: int, b: int) -> Evening:
    """The record was not flipped: A plays once more, is noticed, put aside with one key, and B is taken after all."""
    side_a, again, side_b = pressed(state, a), pressed(state, a, play=1), pressed(state, b)
    built = Builder(state, side_a).idle(4.0).side(side_a, "A").idle(12.0).add(again.audio).idle(12.0)
    built.side(side_b, "B").idle(6.0)

    def answer(news: News) -> Act | None:
        return Act(do="again") if news.code == "same-as" else None

    return built.done(sleeve=sleeve(PRINTED), answer=answer)


def run(chosen: list[tuple[str, Maker]]) -> list[Outcome]:
    """One evening after the other; what is wrong is told at once."""
    outcomes = []
    for number, (name, make) in enumerate(chosen, 1):
        began = time.perf_counter()
        with tempfile.TemporaryDirectory(prefix="sidekeep-evening-") as folder:
            outcome = take_evening(make(), Path(folder))
        outcome.name = name
        outcomes.append(outcome)
        said = "; ".join(outcome.faults)
        took_s = time.perf_counter() - began
        print(
            f"{number:3d} of {len(chosen)}  {took_s:5.1f} s  {'WRONG' if said else 'right'}  {name}",
            flush=True,
        )
        if said:
            print(f"       {said}")
            print("       " + " ".join(f"{news.code}({news.side})" for news in outcome.news), flush=True)
    return outcomes


def table(outcomes: list[Outcome]) -> str:
    """A line for each kind of evening, a column for each state of the record."""
    kinds: dict[str, dict[str, str]] = {}
    for outcome in outcomes:
        kind, _, state = outcome.name.rpartition(", ")
        if not kind or state not in STATES:
            kind, state = outcome.name, "other"
        kinds.setdefault(kind, {})[state] = "WRONG" if outcome.faults else "right"
    columns = [state for state in (*STATES, "other") if any(state in row for row in kinds.values())]
    wide = max(len(kind) for kind in kinds)
    lines = [" " * wide + "".join(f"{column:>8}" for column in columns)]
    lines += [
        f"{kind:<{wide}}" + "".join(f"{row.get(column, '-'):>8}" for column in columns)
        for kind, row in kinds.items()
    ]
    return "\n".join(lines)


def part_of(text: str) -> tuple[int, int]:
    """``2/5`` as (2, 5)."""
    first, _, of = text.partition("/")
    if not (first.isdigit() and of.isdigit() and 1 <= int(first) <= int(of)):
        raise argparse.ArgumentTypeError(f"part {text!r} must be two whole numbers such as 2/5")
    return int(first), int(of)


def main() -> None:
    """Run, count, print."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="every fifth")
    parser.add_argument("--only", default="", metavar="WORDS", help="those whose name has these words")
    parser.add_argument(
        "--part",
        type=part_of,
        default=(1, 1),
        metavar="N/M",
        help="the nth of m equal parts, to run it in pieces",
    )
    options = parser.parse_args()
    began = time.perf_counter()
    chosen = [each for each in cases() if options.only in each[0]][:: 5 if options.quick else 1]
    part, parts = options.part
    chosen = chosen[len(chosen) * (part - 1) // parts : len(chosen) * part // parts]
    if not chosen:
        print("no evening has these words")
        return
    outcomes = run(chosen)
    right = sum(not outcome.faults for outcome in outcomes)
    print(table(outcomes))
    print(
        f"{right} of {len(outcomes)} evenings right: every side in its own take, first and last moments kept"
    )
    print(f"{time.perf_counter() - began:.0f} s, at most {most_memory_mb():.0f} MB of memory")


def most_memory_mb() -> float:
    """The most this process ever held; 0 where the system does not say."""
    try:
        import resource
    except ImportError:
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
