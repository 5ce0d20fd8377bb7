"""What is taken back after mending: repairs that would do more harm, were they wrong, than all else there does good.

Conventions: as in ``mending``; rows (first, last + 1, peak) of a stretch in order, ``work`` mended, ``planes`` as it was. Six
questions that need no truth. Damage lies on a sound that goes on beneath it, so what is left, once it is out, is as loud behind
it as before: where it is not, a pulse of an instrument was taken for damage. It does not come again a cycle on: what does was a
pulse as well, and so was what has the very shape of several others. What is left is also the same sound behind as before: where
it is another, it was a cut. And a repair that takes out much more than all others of the stretch together had better be right:
the more it dwarfs them, the surer it must be. So must long repairs that hardly stand out of the music, for little is gained by
them. How doubtful the rest is by itself is told, too: what nine seconds may bear of it is decided when they are mended
(``flow.mend_chunks``).

How sure a repair must be for the harm it could do does not depend on how readily is mended: ``BELIEVED`` is asked at least.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Vector
from sidekeep.dsp.impulses.continuity import misfit
from sidekeep.dsp.impulses.likeness import count_alike
from sidekeep.dsp.impulses.recurrence import recurrence
from sidekeep.dsp.kernel import inner_kernel, kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

BESIDE_S = 0.003
"""Of the sound on both sides that is compared: a cycle of 300 Hz, a tenth of one of the pulses of a voice."""
APART_DB = 12.0
"""Most that the treble behind may be over that before, or under it. Over true damage of more than 15 frames on four sides of real
music it was under 5.5 dB for 99 %, 9 at the most; over the pulses of a voice taken for damage 15 to 28."""
PULSE_DB = (-15.0, 5.0)
"""... where what was taken out is so much of what was left there. Below it little can be lost, and a tick on the flank of a brass
shock is mended; what is much louder than the music itself is no part of it."""
BELIEVED = 1.0
"""Log odds from which the usual size mends. Mended thoroughly, five of fourteen sides came out 1.3 to
6.4 dB worse somewhere while less was asked there: who wants more mended wants no more harm."""
STAKE, STAKE_MOST = 2.0, 4.0
"""Nats more that a repair must have for every factor e by which it dwarfs the others, and the most that is asked: one that stands
alone is believed at 150 to 1. With 1 nat ten seconds of brass stayed 4.9 dB worse, with 2 they came out 2.4 better."""
STAKE_DB = -6.0
"""... where what was taken out is less than this over what was left: it is hardly heard there, so little is lost by leaving
it. Asked of louder damage too, it left the loudest pop of a rock side, and half of what mending did for that side."""
STAKE_LOUD, STAKE_LOUD_MOST = 1.0, 2.0
"""... and both for what is louder, up to the music's own level (``PULSE_DB``). One cut of 1 ms in an arcade side, 14 dB over all
the damage round it and believed at 6 to 1, made ten seconds 11 dB worse. Of 90 true ones on ten sides nine were less sure than is
asked at the most. What is left so may be the head of a thump all the same."""
STAKE_LEAST = 1e-6
"""Share of the sound's own energy that a repair may always take out. With a tenth of it a clean side of arcade music gets 13
false repairs a minute instead of 15, but short samples cut hard lose 2 % of their strong damage."""
BRIEF_S = 0.00045
"""A repair shorter than this is too short to be asked whether it comes again, and for most of what tells a cut."""
WEIGHTY = 1e-3
"""Share of what all repairs of the stretch take out, but for larger ones that were undone, that makes one worth a dear question.
Were those counted, one pulse of a voice would hide the others."""
CUT_MISFIT, CUT_MISFIT_BRIEF, CUT_SURE = 4.5, 15.0, 8.0
"""How much worse than usual both sides agree where a cut lies beneath a repair, or a brief one; and from
where on it cannot be the head of a thump either: what swells behind a head is another sound too, until the tail is taken off.
Beneath 7,700 true repairs of seventeen sides of real music and fifteen of sharp sounds it was under 1.7 for 99 % and over this
for one; beneath cuts taken for damage 5 to 9,700. Beneath 48,000 true brief ones of 64 sides it was never over 15, but beneath 23
false ones. What is louder than the music (``PULSE_DB``) is asked nothing else, and that only where it is not brief: beneath 716
true ones of 21 sides it was never over 1.8, beneath the first stroke of a new sound 11 (ten seconds 13.5 dB worse)."""
CUT_MISFIT_ALONE = 2.0
"""... beneath one that takes out more than all others of its stretch together and is no long one (``LONG_S``: the tail of a long
pop looks like another sound). One cut with log odds of 14 made ten seconds 6.6 dB worse; of the true ones of 53 sides none is
over 1.5."""
FEW, CUT_MISFIT_FEW, FEW_S = 8, 2.4, 0.00025
"""... beneath a brief one from the last length on that is quiet (``STAKE_DB``), where a stretch has no more than so many or it
takes out more than all others together. Where little is damaged a cut is the likelier thing to stand out: on 67 sides 5 of 20
false ones are over this and 3 of 579 true ones (everywhere 20 of 20,303)."""
ALIKE_S, ALIKE, ALIKE_OTHERS, ALIKE_REACH_S = 0.0007, 0.985, 3, 0.7
"""From this length on a repair is a pulse of an instrument if what was taken out correlates so well with what was taken out of so
many others that begin this near: less than a turn of a 78, so that no scratch passes three times. Of 4,759 true repairs on 31
sides 12 are such, of which one was mended well; of a distorted guitar's pulses that were taken for damage 27 of 41 (ten seconds
8.2 dB worse, by 79 a minute). With 0.97 47 true ones are, 33 of them mended well."""
BACK_WORD, BACK_SLANT, BACK_UNLIKE = 0.75, 0.5, 0.5
"""What the likest place near by says to a repair, at the most, if it is to be a pulse that comes again; how much less for a place
that has nothing in common with it; and how unlike the place may be. Of 429 true repairs that take out
much, none was over all limits with 0.5 for the word; of the pulses of voices, brass and reeds taken for damage, those with two
thirds of the harm. The liker the place, the more its word counts: with the slant a creaking voice on a worn record has 24 to 35
false repairs a minute instead of 60 to 89 (three pressings), and of 17,000 true ones 10 are lost more."""
LONG_S = 0.0012
"""A repair this long is a long one. Shorter ones are where they have the look of an instrument's pulse:"""
PULSE_S, SMOOTH, PULSE_OVER_DB = 0.0007, 0.5, 2.0
"""... from this length on, what is taken out smooth (no step over such a share of its peak), at a place as much louder than
the sound beside it. Damage does not ask where the music is loud."""
QUIET_DB, QUIET_NATS_A_DB, QUIET_MOST = -4.0, 1.5, 6.5
"""A long repair is quiet if it takes out less than this over what is left there. For every dB it is quieter it must be so many
nats surer, up to the last figure, or it is doubtful."""
DOUBTFUL_SHARE = 0.25
"""What all doubtful repairs of a stretch may take out together, over what the others do: if every one is wrong, that makes the
stretch 1 dB worse. The smallest are kept."""
DOUBT_S, DOUBT_DB, DOUBT_NATS = 0.0004, -2.0, 6.0
"""A repair from this long on that takes out less than the second over what is left on its walls is doubtful for what it lacks of
the odds it needs (``QUIET_NATS_A_DB``), wholly if so many nats. It is held against the sure ones of nine seconds."""
VAGUE_S, VAGUE_DB, VAGUE_NATS = 0.0008, -6.0, 2.0
"""A repair from this long on that takes out less than this over what is left there, and is less than so many nats surer than it
must be, is left for doubt in any case. On 42 sides of real music and ten of sharp sounds 74 such of 1 ms and more were false and
123 right, and the false ones did twice as much harm as the right ones did good. From 0.8 ms on 46 more are false and 164 right,
25 of them mended well; from 0.7 ms on 64 and 270, 58 (53 sides)."""
VAGUE_NATS_APART, VAGUE_MISFIT = 5.0, 1.2
"""... or less than so many where both sides agree so badly. Besides, 25 more are false and 51 right, 9 of them mended well; with
1.0 33, 101 and 29; by odds alone, 3 nats for 2, 24, 217 and 46."""


def kept_after_mending(
    planes: Floats,
    work: Floats,
    rows: NDArray[np.int64],
    taken_out: Floats,
    left_in: Floats,
    odds: Floats,
    least: float,
    rate_hz: float,
    rate_factor: int,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], Floats]:
    """Which rows are kept; which are left for doubt: they may be heads of thumps all the same; how doubtful each is, 0 to 1.

    ``taken_out`` and ``left_in``: those of ``changed_energy``; ``odds``: log odds that each is damage; ``least``: those from
    which it was mended at all.
    """
    least, lengths = max(least, BELIEVED), rows[:, 1] - rows[:, 0]
    energy, left = taken_out.sum(axis=0), left_in.sum(axis=0)
    share_db = 10.0 * np.log10((energy + 1e-30) / (left + 1e-30))
    kept = np.ones(len(rows), dtype=np.bool_)
    unsure, doubtful = np.zeros((2, len(rows)), dtype=np.bool_)
    sure = take_back(
        planes,
        work,
        rows,
        taken_out.argmax(axis=0),
        energy,
        np.argsort(-energy, kind="stable"),
        share_db,
        odds,
        least,
        float(rate_hz),
        rate_factor,
        kept,
        unsure,
        doubtful,
    )
    kept &= ~beyond_doubt_share(energy, doubtful, sure)
    own_left = np.where(taken_out > 0.0, left_in, 0.0).sum(axis=0)
    own_db = 10.0 * np.log10((energy + 1e-30) / (own_left + 1e-30))
    lacks = least + np.clip(QUIET_NATS_A_DB * (DOUBT_DB - own_db), 0.0, QUIET_MOST) - odds
    doubts = np.where(lengths >= DOUBT_S * rate_hz, np.clip(lacks / DOUBT_NATS, 0.0, 1.0), 0.0)
    return kept, (doubtful | unsure) & ~kept, doubts


@kernel
def take_back(
    planes: Floats,
    work: Floats,
    rows: Ints,
    walls: Ints,
    energy: Floats,
    largest_first: Ints,
    share_db: Floats,
    odds: Floats,
    least: float,
    rate_hz: float,
    rate_factor: int,
    kept: Flags,
    unsure: Flags,
    doubtful: Flags,
) -> float:
    """Of all rows: which are not ``kept``; which of those are ``unsure``; which of those that are kept are ``doubtful``.

    ``walls``: the channel of which most was taken out of each row; ``energy``: how much of all channels, ``share_db`` over what
    was left. What the others that are kept take out, as far as they are believed, is returned.
    """
    undo_pulses_and_cuts(
        planes, work, rows, walls, energy, largest_first, share_db, rate_hz, rate_factor, kept, unsure
    )
    leave_vague(work, rows, walls, share_db, odds, least, rate_hz, rate_factor, kept, unsure)
    always = 0.0
    for channel in range(planes.shape[0]):
        plane = planes[channel]
        for n in range(plane.shape[0]):
            always += plane[n] * plane[n]
    believed = np.zeros(rows.shape[0])
    for row in range(rows.shape[0]):
        if kept[row]:
            believed[row] = energy[row] / (1.0 + math.exp(-min(30.0, max(least, odds[row]))))
    undo_what_dwarfs(
        energy, largest_first, share_db, odds, least, believed, STAKE_LEAST * always, kept, unsure
    )
    sure = 0.0
    for row in range(rows.shape[0]):
        wanted = least + min(QUIET_MOST, max(0.0, QUIET_NATS_A_DB * (QUIET_DB - share_db[row])))
        if kept[row]:
            before, own = planes[walls[row]], work[walls[row]]
            doubtful[row] = odds[row] < wanted and is_long(
                before, own, rows[row, 0], rows[row, 1], rate_hz, rate_factor
            )
            if not doubtful[row]:
                sure += believed[row]
    return sure


@inner_kernel
def undo_pulses_and_cuts(
    planes: Floats,
    work: Floats,
    rows: Ints,
    walls: Ints,
    energy: Floats,
    largest_first: Ints,
    share_db: Floats,
    rate_hz: float,
    rate_factor: int,
    kept: Flags,
    unsure: Flags,
) -> None:
    """Take back what was a pulse of an instrument or lies on a cut; a faint cut may be the head of a thump."""
    in_hand = energy.sum()
    alike, shaped = np.zeros(rows.shape[0], np.int64), rows[:, 1] - rows[:, 0] >= ALIKE_S * rate_hz
    count_alike(planes, work, rows, walls, shaped, int(ALIKE_REACH_S * rate_hz), ALIKE, alike)
    for row in largest_first:
        first, last = rows[row, 0], rows[row, 1]
        before, own = planes[walls[row]], work[walls[row]]
        loud, brief = share_db[row] >= PULSE_DB[1], last - first < BRIEF_S * rate_hz
        weighty = energy[row] >= WEIGHTY * in_hand
        is_pulse = not loud and (
            alike[row] >= ALIKE_OTHERS
            or (share_db[row] > PULSE_DB[0] and not is_even(work, first, last, rate_hz))
            or (weighty and not brief and comes_again(before, own, first, last, rate_factor))
        )
        if is_pulse:
            kept[row] = False
        elif not brief or (weighty and not loud):
            alone = not loud and energy[row] > 0.5 * in_hand and last - first < LONG_S * rate_hz
            limit = CUT_MISFIT_ALONE if alone else CUT_MISFIT
            if brief:
                few = alone or rows.shape[0] <= FEW
                asked = few and share_db[row] < STAKE_DB and last - first >= FEW_S * rate_hz
                limit = CUT_MISFIT_FEW if asked else CUT_MISFIT_BRIEF
            apart = misfit(own, first, last, rate_factor, limit)
            if apart > limit:
                kept[row], unsure[row] = False, apart <= CUT_SURE
        if not kept[row]:
            in_hand -= energy[row]


@inner_kernel
def leave_vague(
    work: Floats,
    rows: Ints,
    walls: Ints,
    share_db: Floats,
    odds: Floats,
    least: float,
    rate_hz: float,
    rate_factor: int,
    kept: Flags,
    unsure: Flags,
) -> None:
    """Leave for doubt what is long, quiet and hardly believed; or little believed where the sound goes on less plainly."""
    for row in range(rows.shape[0]):
        first, last = rows[row, 0], rows[row, 1]
        if not kept[row] or last - first < VAGUE_S * rate_hz or share_db[row] >= VAGUE_DB:
            continue
        vague = odds[row] < least + VAGUE_NATS
        if not vague and odds[row] < least + VAGUE_NATS_APART:
            vague = misfit(work[walls[row]], first, last, rate_factor, VAGUE_MISFIT) > VAGUE_MISFIT
        if vague:
            kept[row], unsure[row] = False, True


@inner_kernel
def undo_what_dwarfs(
    energy: Floats,
    largest_first: Ints,
    share_db: Floats,
    odds: Floats,
    least: float,
    believed: Floats,
    always: float,
    kept: Flags,
    unsure: Flags,
) -> None:
    """Take back what takes out much more than all others together without being so much surer.

    ``believed``: what each takes out, as far as it is believed; ``always``: what one may take out beside none. It is nothing
    any more where it is taken back.
    """
    sure, total = np.zeros(energy.shape[0]), 0.0
    for row in range(energy.shape[0]):
        # what would not be believed alone vouches for no other
        if odds[row] >= least + STAKE_MOST or share_db[row] >= PULSE_DB[1]:
            sure[row] = believed[row]
            total += sure[row]
    for row in largest_first:
        if not kept[row]:
            continue
        others = max(0.0, total - sure[row]) + always
        if energy[row] <= others:
            break
        is_quiet = share_db[row] < STAKE_DB
        nats, most = (STAKE, STAKE_MOST) if is_quiet else (STAKE_LOUD, STAKE_LOUD_MOST)
        asked = min(most, nats * math.log(energy[row] / others))
        if share_db[row] < PULSE_DB[1] and odds[row] < least + asked:
            kept[row], unsure[row], believed[row] = False, not is_quiet, 0.0
            total -= sure[row]


def beyond_doubt_share(energy: Floats, doubtful: NDArray[np.bool_], others: float) -> NDArray[np.bool_]:
    """Which doubtful repairs, the smallest counted first, take out more together than their share of what the ``others`` do.

    ``energy``: what each takes out, or as much of it as is doubtful.
    """
    beyond = np.zeros(len(energy), dtype=np.bool_)
    allowed = DOUBTFUL_SHARE * others
    for row in np.argsort(energy, kind="stable").tolist():
        if doubtful[row]:
            allowed -= float(energy[row])
            beyond[row] = allowed < 0.0
    return beyond


@kernel
def odds_of_rows(rows: Ints, peaks: Ints, odds: Floats, least: float) -> Floats:
    """The best odds of the candidates whose peaks lie in each row; ``least`` where there is none."""
    best = np.full(rows.shape[0], least)
    for i in range(peaks.shape[0]):
        at = np.searchsorted(rows[:, 0], peaks[i], "right") - 1
        if at >= 0 and peaks[i] < rows[at, 1]:
            best[at] = max(best[at], odds[i])
    return best


@inner_kernel
def is_even(work: Floats, first: int, last: int, rate_hz: float) -> bool:
    """Whether the treble (first differences) behind a span is about as loud as before it."""
    wide = int(BESIDE_S * rate_hz)
    if first < wide + 1 or last + wide > work.shape[1]:
        return True
    floor = 1e-12 * wide
    before = slope_energy(work, first - wide, first) + floor
    behind = slope_energy(work, last, last + wide) + floor
    return abs(10.0 * math.log10(behind / before)) <= APART_DB


@inner_kernel
def slope_energy(planes: Floats, first: int, last: int) -> float:
    """Sum of the squared first differences of all channels within ``[first, last)``."""
    total = 0.0
    for channel in range(planes.shape[0]):
        piece = planes[channel, first:last]
        for n in range(1, piece.shape[0]):
            total += (piece[n] - piece[n - 1]) ** 2
    return total


@inner_kernel
def comes_again(before: Vector, own: Vector, first: int, last: int, rate_factor: int) -> bool:
    """Whether the likest place near holds what was taken out of a span of a channel that was as ``before``."""
    word, unlike = recurrence(before, own, first, last, rate_factor)
    return word < BACK_WORD - BACK_SLANT * unlike and unlike < BACK_UNLIKE


@inner_kernel
def is_long(before: Vector, own: Vector, first: int, last: int, rate_hz: float, rate_factor: int) -> bool:
    """Whether a repair is long, or nearly so with the look of a pulse of an instrument."""
    length_s = (last - first) / rate_hz
    if length_s < PULSE_S or length_s >= LONG_S:
        return length_s >= LONG_S
    peak, step = 0.0, 0.0
    for n in range(first, last):
        here = before[n] - own[n]
        peak = max(peak, abs(here))
        if n >= first + rate_factor:
            step = max(step, abs(here - before[n - rate_factor] + own[n - rate_factor]))
    if step > SMOOTH * peak:
        return False
    wide = int(BESIDE_S * rate_hz)
    louder = max(mean_square(own[max(0, first - wide) : first]), mean_square(own[last : last + wide]))
    return mean_square(before[first:last]) > 10.0 ** (0.1 * PULSE_OVER_DB) * louder


@inner_kernel
def mean_square(part: Vector) -> float:
    """Of some frames; 0 of none."""
    total = 0.0
    for n in range(part.shape[0]):
        total += part[n] * part[n]
    return total / max(1, part.shape[0])
