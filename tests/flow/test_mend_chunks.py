"""Which places of a chunk keep a beat: what was left for doubt is a stroke like the others. And what nine seconds may bear of the
doubtful."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.impulses.beat import BeatWatch
from sidekeep.dsp.impulses.lone import ALONE, IN_DOUBT
from sidekeep.dsp.impulses.places import Places
from sidekeep.dsp.impulses.repaired import DOUBTFUL, FATE, LONE, MENDED, SIZE_DB, UNDONE, Repaired
from sidekeep.flow.mend_chunks import Chunk, ask_beat
from sidekeep.flow.mend_doubts import APART, NO_DOUBT, PERHAPS_MUSIC
from sidekeep.flow.window import Window

RATE_HZ = 44_100


class Stroke(NamedTuple):
    """44 frames on the left wall."""

    at_s: float
    left_alone: bool = False
    taken_out: float = 1.0
    doubt: float = 0.0
    lone: bool = False
    sure: float = 9.0


def chunk_of(strokes: list[Stroke]) -> Chunk:
    frames = [round(stroke.at_s * RATE_HZ) for stroke in strokes]
    spans = [
        np.array([frame, 44, frame, 0, 44, DOUBTFUL if stroke.left_alone else MENDED])
        for frame, stroke in zip(frames, strokes, strict=True)
    ]
    facts = [
        np.array([20.0, stroke.doubt, stroke.taken_out, 1.0, stroke.lone, stroke.sure]) for stroke in strokes
    ]
    values = [np.zeros(0 if stroke.left_alone else 44) for stroke in strokes]
    repaired = Repaired.from_parts(spans, facts, values)
    places = Places.of(repaired, np.zeros(2, np.int64))
    return Chunk(0, 10 * RATE_HZ, repaired=repaired, places=places)


def test_strokes_that_were_left_for_doubt_show_the_beat_that_the_mended_ones_keep() -> None:
    beat = [Stroke(0.3 + 0.25 * n, left_alone=n % 3 > 0) for n in range(27)]
    kept, _ = ask_beat(BeatWatch(), [], chunk_of(beat), [], RATE_HZ)
    assert all(kept)
    alone, doubtful = ask_beat(BeatWatch(), [], chunk_of([x for x in beat if not x.left_alone]), [], RATE_HZ)
    assert not any(alone)  # nine strokes are too few to tell
    assert not any(doubtful)


def test_what_was_left_off_the_beat_does_not_count_as_taken_out_there() -> None:
    """Were it counted, a quiet repair beside the beat would be small against it."""
    beat = [Stroke(0.3 + 0.25 * n) for n in range(30)]
    quiet = Stroke(3.17, taken_out=0.2)
    off = [Stroke(at_s, left_alone=True, taken_out=5.0) for at_s in (1.11, 4.6613, 6.0432)]
    strokes = sorted([*beat, quiet, *off], key=lambda one: one.at_s)
    chunk = chunk_of(strokes)
    kept, doubtful = ask_beat(BeatWatch(), [], chunk, [], RATE_HZ)
    at = strokes.index(quiet)
    assert not kept[at]
    assert doubtful[at]


def test_a_place_left_for_doubt_does_not_join_one_that_is_mended() -> None:
    chunk = chunk_of([Stroke(1.0), Stroke(1.0 + 10 / RATE_HZ, left_alone=True)])
    assert chunk.places.left_alone.tolist() == [False, True]


def test_nine_seconds_bear_a_quarter_of_what_their_sure_repairs_take_out() -> None:
    """The least doubtful first; a loud pop in the next chunk counts, what was left for doubt or is farther off does not."""
    sure = Stroke(1.0, taken_out=1.0)
    doubted = [
        Stroke(2.0, taken_out=0.6, doubt=0.25),
        Stroke(3.1, taken_out=0.5, doubt=0.5),
    ]
    left = Stroke(4.3, left_alone=True, taken_out=9.0)
    chunk, pop = chunk_of([sure, *doubted, left]), chunk_of([Stroke(11.0, taken_out=1.0)])
    nothing = chunk_of([])
    for behind, expected in (
        ([], [False, False, True, False]),
        ([pop], [False, False, False, False]),
        ([nothing, pop], [False, False, True, False]),
    ):
        assert ask_beat(BeatWatch(), [], chunk, behind, RATE_HZ)[1].tolist() == expected


def test_all_that_was_left_as_it_was_counts_as_undone_but_what_is_mended() -> None:
    """What was undone at once, what was left for doubt, and what was taken back since."""
    chunk = chunk_of([Stroke(1.0), Stroke(2.0), Stroke(3.0, left_alone=True), Stroke(4.0)])
    chunk.repaired.spans[0, FATE] = UNDONE
    chunk.repaired.facts[:, SIZE_DB] = [21.0, 22.0, 23.0, 24.0]
    chunk.places = Places.of(chunk.repaired, np.zeros(2, np.int64))
    chunk.taken_back = np.array([False, False, True])
    undone = chunk.undone()
    assert undone.starts.tolist() == [1 * RATE_HZ, 3 * RATE_HZ, 4 * RATE_HZ]
    assert undone.sizes_db.tolist() == [21.0, 23.0, 24.0]
    assert chunk.kept_places() == 1


def test_a_place_is_lone_where_one_of_its_walls_is() -> None:
    chunk = chunk_of([Stroke(1.0), Stroke(2.0, lone=True), Stroke(3.0)])
    assert chunk.graded(ALONE).tolist() == [False, True, False]
    assert not chunk.graded(IN_DOUBT).any()
    assert not len(chunk_of([]).graded(ALONE))


@pytest.mark.parametrize(
    ("faint", "plain", "is_left"), [(3, 0, True), (3, 1, True), (2, 2, False), (1, 0, True), (12, 1, False)]
)
def test_what_nobody_hears_is_left_alone_where_it_is_most_of_few_repairs(
    faint: int, plain: int, is_left: bool
) -> None:
    """What lies 20 dB under hiss is masked by it in 12 ms and in a critical band; what lies 18 dB over it is not."""
    count = faint + plain
    chunk = chunk_of([Stroke(1.0 + 0.2 * n) for n in range(count)])
    rng = np.random.default_rng(1)
    hiss = 0.01 * rng.standard_normal((5 * RATE_HZ, 2))
    values = hiss[chunk.repaired.spans[:, 0, np.newaxis] + np.arange(44), 0].ravel()
    chunk.repaired = Repaired(chunk.repaired.spans, chunk.repaired.facts, values)
    for number, first in enumerate(chunk.repaired.spans[:, 0].tolist()):
        size = 0.001 if number < faint else 0.08
        hiss[first : first + 44, 0] += size * rng.standard_normal(44)
    held = Window(2)
    held.append(hiss)
    chunk.taken_back = np.zeros(count, np.bool_)
    assert chunk.unheard(held, RATE_HZ).tolist() == [is_left] * faint + [False] * plain
    chunk.taken_back[:] = True
    assert not chunk.unheard(held, RATE_HZ).any(), "nothing is put in place"


def put_in_place(chunk: Chunk, sound: NDArray[np.float64], height: float = 0.02) -> Window:
    """``sound`` is what will be left of the chunk; 44 frames of a click lie on it at each of its places."""
    starts = chunk.repaired.spans[:, 0]
    values = sound[starts[:, np.newaxis] + np.arange(44), 0].ravel()
    chunk.repaired = Repaired(chunk.repaired.spans, chunk.repaired.facts, values)
    damaged = sound.copy()
    for first in starts.tolist():
        damaged[first : first + 44, 0] += height * np.sin(np.arange(1, 45))
    held = Window(2)
    held.append(damaged)
    chunk.taken_back = np.zeros(len(starts), np.bool_)
    return held


@pytest.mark.parametrize(("height", "is_left"), [(0.02, True), (0.5, False)])
def test_what_lies_on_the_onset_of_a_sound_is_its_attack_unless_it_is_plain_to_hear(
    height: float, is_left: bool
) -> None:
    chunk = chunk_of([Stroke(1.0), Stroke(2.0)])
    sound = 0.003 * np.random.default_rng(1).standard_normal((4 * RATE_HZ, 2))
    sound[2 * RATE_HZ :] *= 10.0
    held = put_in_place(chunk, sound, height)
    assert chunk.at_onsets(held, RATE_HZ).tolist() == [False, is_left]
    chunk.taken_back[:] = True
    assert not chunk.at_onsets(held, RATE_HZ).any(), "nothing is put in place"


def test_onsets_are_not_asked_where_many_places_vouch_for_each_other() -> None:
    chunk = chunk_of([Stroke(1.0 + 0.1 * n) for n in range(13)])
    sound = 0.003 * np.random.default_rng(1).standard_normal((4 * RATE_HZ, 2))
    sound[int(1.5 * RATE_HZ) :] *= 10.0
    assert not chunk.at_onsets(put_in_place(chunk, sound), RATE_HZ).any()


@pytest.mark.parametrize(
    ("stroke", "is_told"),
    [
        (Stroke(1.0, sure=3.0), True),
        (Stroke(1.0, sure=5.0), False),
        (Stroke(1.0, sure=3.0, taken_out=4.0), False),
    ],
)
def test_what_is_hardly_believed_and_not_loud_may_be_music(stroke: Stroke, is_told: bool) -> None:
    chunk = chunk_of([stroke])
    held = put_in_place(chunk, 0.003 * np.random.default_rng(1).standard_normal((4 * RATE_HZ, 2)))
    doubts = chunk.doubts(held, RATE_HZ)
    assert doubts.grades.tolist() == [PERHAPS_MUSIC if is_told else NO_DOUBT]
    assert doubts.nats.tolist() == [np.inf if stroke.taken_out > 3.0 else stroke.sure]


@pytest.mark.parametrize(("other_wall", "is_told"), [(0.5, True), (-0.5, False), (0.0, False)])
def test_what_moves_both_walls_in_phase_may_be_music_however_sure(other_wall: float, is_told: bool) -> None:
    chunk = chunk_of([Stroke(1.0)])
    both = [chunk.repaired.spans.copy(), chunk.repaired.spans.copy()]
    both[1][:, 3] = 1
    sound = 0.003 * np.random.default_rng(1).standard_normal((4 * RATE_HZ, 2))
    span = slice(RATE_HZ, RATE_HZ + 44)
    values = np.concatenate([sound[span, 0], sound[span, 1]])
    chunk.repaired = Repaired(np.concatenate(both), np.repeat(chunk.repaired.facts, 2, axis=0), values)
    chunk.places = Places.of(chunk.repaired, np.zeros(2, np.int64))
    chunk.taken_back = np.zeros(1, np.bool_)
    click = 0.02 * np.sin(np.arange(1, 45))
    sound[span] += click[:, np.newaxis] * np.array([1.0, other_wall])
    held = Window(2)
    held.append(sound)
    assert chunk.places.energy.tolist() == [2.0]
    assert chunk.doubts(held, RATE_HZ).grades.tolist() == [PERHAPS_MUSIC if is_told else NO_DOUBT] * 2
    chunk.repaired.facts[:, LONE] = IN_DOUBT
    assert chunk.doubts(held, RATE_HZ).grades.tolist() == [APART if is_told else NO_DOUBT] * 2
