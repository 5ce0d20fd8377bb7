"""Which places of a chunk keep a beat: what was left for doubt is a stroke like the others. And what nine seconds may bear of the
doubtful."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.impulses.beat import BeatWatch
from sidekeep.dsp.impulses.mending import Repaired
from sidekeep.flow.mend_chunks import Chunk, ask_beat

RATE_HZ = 44_100


def stroke(at_s: float, *, left_alone: bool, taken_out: float = 1.0, doubt: float = 0.0) -> Repaired:
    frame = round(at_s * RATE_HZ)
    return Repaired(
        channel=0,
        start=frame,
        length=44,
        peak=frame,
        size_db=20.0,
        values=None if left_alone else np.zeros(44),
        damaged=44,
        doubtful=left_alone,
        doubt=doubt,
        taken_out=taken_out,
        left=1.0,
    )


def chunk_of(strokes: list[Repaired]) -> Chunk:
    chunk = Chunk(0, 10 * RATE_HZ)
    for repaired in strokes:
        stop = repaired.start + repaired.length
        chunk.place_at(repaired.start, stop, 2, left_alone=repaired.doubtful).add(repaired)
    return chunk


def test_strokes_that_were_left_for_doubt_show_the_beat_that_the_mended_ones_keep() -> None:
    beat = [stroke(0.3 + 0.25 * n, left_alone=n % 3 > 0) for n in range(27)]
    kept, _ = ask_beat(BeatWatch(), [], chunk_of(beat), [], RATE_HZ)
    assert all(kept)
    alone, doubtful = ask_beat(BeatWatch(), [], chunk_of([x for x in beat if not x.doubtful]), [], RATE_HZ)
    assert not any(alone)  # nine strokes are too few to tell
    assert not any(doubtful)


def test_what_was_left_off_the_beat_does_not_count_as_taken_out_there() -> None:
    """Were it counted, a quiet repair beside the beat would be small against it."""
    beat = [stroke(0.3 + 0.25 * n, left_alone=False) for n in range(30)]
    quiet = stroke(3.17, left_alone=False, taken_out=0.2)
    off = [stroke(at_s, left_alone=True, taken_out=5.0) for at_s in (1.11, 4.6613, 6.0432)]
    strokes = sorted([*beat, quiet, *off], key=lambda one: one.start)
    chunk = chunk_of(strokes)
    kept, doubtful = ask_beat(BeatWatch(), [], chunk, [], RATE_HZ)
    at = next(k for k, place in enumerate(chunk.places) if quiet in place.repaired)
    assert not kept[at]
    assert doubtful[at]


def test_a_place_left_for_doubt_does_not_join_one_that_is_mended() -> None:
    chunk = chunk_of([stroke(1.0, left_alone=False), stroke(1.0 + 10 / RATE_HZ, left_alone=True)])
    assert [place.left_alone for place in chunk.places] == [False, True]


def test_nine_seconds_bear_a_quarter_of_what_their_sure_repairs_take_out() -> None:
    """The least doubtful first; a loud pop in the next chunk counts, what was left for doubt or is farther off does not."""
    sure = stroke(1.0, left_alone=False, taken_out=1.0)
    doubted = [
        stroke(2.0, left_alone=False, taken_out=0.6, doubt=0.25),
        stroke(3.1, left_alone=False, taken_out=0.5, doubt=0.5),
    ]
    left = stroke(4.3, left_alone=True, taken_out=9.0)
    chunk, pop = chunk_of([sure, *doubted, left]), chunk_of([stroke(11.0, left_alone=False, taken_out=1.0)])
    nothing = chunk_of([])
    for behind, expected in (
        ([], [False, False, True, False]),
        ([pop], [False, False, False, False]),
        ([nothing, pop], [False, False, True, False]),
    ):
        assert ask_beat(BeatWatch(), [], chunk, behind, RATE_HZ)[1] == expected
