"""Where two pieces of one side meet: the needle was lifted in the middle, the disk was full, the machine slept.

The second piece was begun at the same samples (a disk that refused), or the needle was lowered a little earlier in the groove
than it was lifted: then both hold some music, and from somewhere in it on the second takes over. Where they have nothing in
common what was played between them is missing, and the second follows the first; unless it is the other way round that they
have: then they were named in the wrong order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.alignment.fine import NEAR_HOP_S, NEAR_WINDOW_S, near_delays
from sidekeep.dsp.alignment.onsets import FEATURE_HZ
from sidekeep.dsp.alignment.pitch import PITCH_HZ
from sidekeep.dsp.alignment.rough import NOTES_WEIGH, Told
from sidekeep.dsp.alignment.within import Within
from sidekeep.errors import ParameterError
from sidekeep.flow.comparison.laying.alignment import Listening
from sidekeep.flow.comparison.laying.curve import FINE_HZ, LEAST_CLEAR, NEAR_HZ
from sidekeep.flow.comparison.laying.reading import read_span
from sidekeep.flow.needle.needle_watch import NeedleWatch
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.ports import BLOCK_FRAMES, Audio, AudioSource, Progress, no_progress

Floats = NDArray[np.float64]
Meeting = Literal["exact", "music", "apart"]

FADE_S = 0.01
"""From one piece into the other: shorter than a beat is blurred by, longer than a click (chosen here)."""
TAIL_S, LEAST_SAME_FRAMES = 120.0, 256
"""Before the end of the first piece the second is looked for sample by sample; so few frames alike are no chance where they
differ among themselves."""
CHUNK_S, CHUNK_HOP_S, LOOKED_S = 2.0, 0.5, 45.0
"""Of the second piece so much is looked for in the first, in pieces of two seconds."""
FEWEST_ALIKE = 4
"""Pieces that agree on where they lie: three seconds and a half of music in both."""
AGREE_S, MOST_PLACES = 0.03, 4
"""A piece may lie in several places that are alike, such as bars; the sound decides between so many."""
LEAST_COMMON = 0.5
"""Of what both would hold (its onsets, by their power) so much must agree: music repeats its bars. In 16 pieces of real and made
music what was truly in both came to 0.87 and more; of the places taken for it in pieces that share nothing all but five were
under it (2026-11-28)."""
LEAST_ALIKE = 0.7
"""Median correlation of the notes. The same groove came to 0.78 and more in pieces of made and real music, bars that come
again under another tune to 0.68 at most (2026-11-28)."""
NEARLY_AS_CLEAR = 0.9
"""Loops lie on each other at every bar. Of places that are so nearly as clear as the clearest the last counts: the needle is
lowered a little before where it was lifted, not a minute. Of three made cases with 5 s in common that of the loops was joined
41 s too early (0.92, the right place 0.89); the other two have one clear place (2026-11-28)."""
NEAR_REACH_S = 0.06
"""Either way of where the notes lay the second piece: twice what they may disagree by (chosen here)."""
NEEDLE_NOISE_S = 0.3
"""Beside a needle that is lifted or lowered its own noise is heard (common practice, no source)."""
QUIET_S = 0.05
BEFORE_S = 1.0
"""The second piece may begin so much before the first: both at the beginning of the side, and the needle's place is known to
less."""
LIFTED_DB = 4.0
"""The groove stands so much over the chain at least (``flow.needle.chain``)."""
LEVEL_S = 0.05


@dataclass(frozen=True, kw_only=True)
class Seam:
    """The first piece counts up to ``before_frame``, the second from ``after_frame`` on. ``how``: the same samples
    (``exact``), the same ``music`` in both, or ``apart``: they have nothing in common."""

    before_frame: int
    after_frame: int
    how: Meeting


def find_seam(before: AudioSource, after: AudioSource, progress: Progress = no_progress) -> Seam:
    """Where the second of two pieces of a side takes over. Raises ``ParameterError`` for pieces of other rate or channels, and
    where the second lies before the first."""
    one, other = before.format, after.format
    if (one.rate_hz, one.channels) != (other.rate_hz, other.channels):
        raise ParameterError("pieces-differ")
    same = _same_samples(before, after)
    if same is not None:
        return Seam(before_frame=same, after_frame=0, how="exact")
    up = _needle_up(before)
    progress(0.3, "looking for where the pieces meet")
    down = _needle_down(after)
    found = _same_music(before, after, up, down)
    progress(1.0, "looking for where the pieces meet")
    if found is not None:
        return found
    if _lies_before(after, before):
        raise ParameterError("pieces-out-of-order")
    noise = round(NEEDLE_NOISE_S * one.rate_hz)
    stop = max(up - noise, 0) if up < one.length_frames else up
    start = min(down + noise, other.length_frames) if down else 0
    return Seam(before_frame=stop, after_frame=start, how="apart")


def order_by_sound(pieces: Sequence[AudioSource]) -> tuple[int, ...]:
    """The pieces by their places in the sequence, in the order in which what they hold in common puts them; empty where it tells
    no order. Pieces that share nothing with another stay as they are beside the rest."""
    count = len(pieces)
    follows = {
        (first, second)
        for first, second in permutations(range(count), 2)
        if _lies_before(pieces[first], pieces[second])
    }
    order: list[int] = []
    while len(order) < count:
        left = [index for index in range(count) if index not in order]
        free = [index for index in left if not any((other, index) in follows for other in left)]
        if not free:
            return ()
        goes_on = [index for index in free if order and (order[-1], index) in follows]
        order.append((goes_on or free)[0])
    return tuple(order) if follows else ()


def _lies_before(before: AudioSource, after: AudioSource) -> bool:
    """Whether the second piece begins in what the first holds last and goes on from there."""
    if _same_samples(before, after) is not None:
        return True
    return _same_music(before, after, _needle_up(before), _needle_down(after)) is not None


def joined_blocks(pieces: Sequence[AudioSource], seams: Sequence[Seam]) -> Iterator[Audio]:
    """The pieces one behind the other, from each into the next at its seam; outside the fades every sample is as it was. Raises
    ``ParameterError`` where the seams leave nothing of a piece."""
    begin, fades = 0, _fades(pieces, seams)
    for number, piece in enumerate(pieces):
        half = fades[number] if number < len(seams) else 0
        stop = seams[number].before_frame - half if number < len(seams) else piece.format.length_frames
        if stop <= begin:
            raise ParameterError("pieces-out-of-order")
        yield from piece.blocks(BLOCK_FRAMES, begin, stop)
        if number == len(seams):
            return
        begin = seams[number].after_frame + half
        if half:
            rising = ((np.arange(2 * half) + 0.5) / (2 * half))[:, np.newaxis]
            going = piece.read(stop, stop + 2 * half)
            coming = pieces[number + 1].read(begin - 2 * half, begin)
            yield going * (1.0 - rising) + coming * rising


def seam_places(seams: Sequence[Seam]) -> list[int]:
    """The frame of every seam in what ``joined_blocks`` gives."""
    places, shift = [], 0
    for seam in seams:
        places.append(seam.before_frame + shift)
        shift += seam.before_frame - seam.after_frame
    return places


def _fades(pieces: Sequence[AudioSource], seams: Sequence[Seam]) -> list[int]:
    """Half the length of each fade; none where the samples are the same, less where a piece ends before."""
    half = round(FADE_S / 2 * pieces[0].format.rate_hz)
    return [
        0
        if seam.how == "exact"
        else max(0, min(half, before.format.length_frames - seam.before_frame, seam.after_frame))
        for before, seam in zip(pieces, seams)
    ]


def _same_samples(before: AudioSource, after: AudioSource) -> int | None:
    """The frame of the first piece at which the second begins, sample for sample up to the end of the first."""
    length, rate_hz = before.format.length_frames, before.format.rate_hz
    low = max(0, length - round(TAIL_S * rate_hz))
    tail = before.read(low, length)
    head = after.read(0, min(len(tail), after.format.length_frames))
    if len(head) < LEAST_SAME_FRAMES or len(tail) < LEAST_SAME_FRAMES:
        return None
    places = np.arange(len(tail) - LEAST_SAME_FRAMES + 1)
    for at in range(LEAST_SAME_FRAMES):
        places = places[(tail[places + at] == head[at]).all(axis=1)]
        if not len(places):
            return None
    for place in places.tolist():
        same = tail[place : place + len(head)]
        if np.ptp(same, axis=0).any() and np.array_equal(same, head[: len(same)]):
            return low + int(place)
    return None


def _needle_up(source: AudioSource) -> int:
    """The last frame before the last lift; the length where the needle stayed down. What the chain is like is heard before the
    needle came down."""
    form = source.format
    hop = round(LEVEL_S * form.rate_hz)
    chain = source.read(0, _needle_down(source))
    if len(chain) < 4 * hop:
        return form.length_frames
    usual = float(np.median(_levels(chain, hop))) * 10.0 ** (LIFTED_DB / 10.0)
    low = max(len(chain), form.length_frames - round(TAIL_S * form.rate_hz))
    loud = np.flatnonzero(_levels(source.read(low, form.length_frames), hop) > usual)
    return min(form.length_frames, low + (int(loud[-1]) + 1) * hop if len(loud) else low)


def _levels(audio: Audio, hop: int) -> Floats:
    """(windows,) power of what rises and falls fast: rumble and hum of the chain do not count."""
    steps = np.square(np.diff(numbers_only(audio), axis=0, prepend=audio[:1])).mean(axis=1)
    powers: Floats = steps[: len(steps) // hop * hop].reshape(-1, hop).mean(axis=1) + 1e-20
    return powers


def _needle_down(source: AudioSource) -> int:
    """The frame at which the needle came down; 0 where it was down from the start."""
    form = source.format
    watch = NeedleWatch(rate_hz=form.rate_hz, channels=form.channels)
    for block in source.blocks(BLOCK_FRAMES, 0, min(form.length_frames, round(LOOKED_S * form.rate_hz))):
        for event in watch.process(numbers_only(block)):
            if event.state == "down":
                return event.frame
    return 0


def _same_music(before: AudioSource, after: AudioSource, up: int, down: int) -> Seam | None:
    """Where in the music that both hold the second takes over; None where they hold none, or where the second begins before the
    first."""
    rate_hz = before.format.rate_hz
    stop = min(after.format.length_frames, down + round(LOOKED_S * rate_hz))
    told = _told(before, 0, up), _told(after, down, stop)
    places: list[tuple[float, float, Seam]] = []
    begun_s = _needle_down(before) / rate_hz
    for offset_s, low_s, high_s in _agreeing(*told):
        # the music that both hold, in seconds of the second piece, clear of the needle's own noise
        begin_s = down / rate_hz + max(low_s, NEEDLE_NOISE_S)
        end_s = down / rate_hz + min(high_s, up / rate_hz - NEEDLE_NOISE_S - offset_s)
        found = _place(before, after, offset_s - down / rate_hz, begin_s, end_s)
        if found is not None and found[0] > LEAST_CLEAR + 0.1:
            places.append((found[0], offset_s, found[1]))
    clearest = max((clear for clear, _, _ in places), default=0.0)
    last = max(
        (place for place in places if place[0] >= NEARLY_AS_CLEAR * clearest),
        key=lambda place: place[1],
        default=None,
    )
    return last[2] if last is not None and last[1] >= begun_s - BEFORE_S else None


def _told(source: AudioSource, start: int, stop: int) -> Told:
    rate_hz = source.format.rate_hz
    listening = Listening(source.format, min(FINE_HZ, rate_hz - rate_hz % FEATURE_HZ))
    for block in source.blocks(BLOCK_FRAMES, start, stop):
        listening.process(numbers_only(block))
    return listening.finish()


def _agreeing(before: Told, after: Told) -> list[tuple[float, float, float]]:
    """How much later the music of the second piece may lie in the first, in seconds, and the span of the second (from its
    beginning) that was found there, the likeliest first; nothing where too few pieces of it agree, other notes sound there, or
    too little of what both would hold is alike."""
    size, hop = round(CHUNK_S * FEATURE_HZ), round(CHUNK_HOP_S * FEATURE_HZ)
    windows = FEATURE_HZ // PITCH_HZ
    sung = size // windows
    if min(len(before.onsets), len(after.onsets)) < size or len(before.notes) < sung:
        return []
    onsets, notes = Within(before.onsets, size), Within(before.notes, sung)
    found = []
    for start in range(0, min(len(after.onsets) - size, (len(after.notes) - sung) * windows) + 1, hop):
        correlation = onsets.correlation(after.onsets[start : start + size])
        coarse = notes.correlation(after.notes[start // windows : start // windows + sung])
        alike = np.interp(np.arange(len(correlation)), windows * np.arange(len(coarse)), coarse)
        place = int(np.argmax(correlation + NOTES_WEIGH * alike))
        found.append((start, place - start, float(correlation[place]), float(alike[place])))
    power = {start: float(np.square(after.onsets[start : start + size]).sum()) for start, *_ in found}
    agreeing: list[tuple[float, float, float]] = []
    while found and len(agreeing) < MOST_PLACES:
        groups = [[one for one in found if abs(one[1] - each[1]) <= AGREE_S * FEATURE_HZ] for each in found]
        best = max(groups, key=lambda group: (len(group), sum(one[2] for one in group)))
        if len(best) < FEWEST_ALIKE:
            break
        offset = float(np.median([one[1] for one in best]))
        both = sum(power[start] for start in power if 0 <= start + offset <= len(before.onsets) - size)
        sounds_alike = float(np.median([one[3] for one in best])) >= LEAST_ALIKE
        if sounds_alike and sum(power[one[0]] for one in best) >= LEAST_COMMON * both:
            agreeing.append((offset / FEATURE_HZ, best[0][0] / FEATURE_HZ, (best[-1][0] + size) / FEATURE_HZ))
        found = [one for one in found if one not in best]
    return agreeing


def _place(
    before: AudioSource, after: AudioSource, offset_s: float, low_s: float, high_s: float
) -> tuple[float, Seam] | None:
    """In the music that both hold (seconds of the second piece) the quietest moment at which they surely lie on each other,
    and how clear it is that they do (0 to 1)."""
    rate_hz = before.format.rate_hz
    if high_s - low_s < 2.0 * NEAR_WINDOW_S:
        return None
    own, own_s = read_span(after, low_s, high_s, NEAR_HZ)
    ruler, ruler_s = read_span(before, low_s + offset_s, high_s + offset_s, NEAR_HZ)
    first = round((low_s - own_s) * NEAR_HZ), round((low_s + offset_s - ruler_s) * NEAR_HZ)
    count = round((high_s - low_s) * NEAR_HZ)
    played, held = (
        mono[start : start + count]
        for mono, start in ((own.mean(axis=1), first[0]), (ruler.mean(axis=1), first[1]))
    )
    delays, clear, _ = near_delays(held, played, NEAR_HZ, NEAR_REACH_S)
    if not len(delays):
        return None
    half = round(QUIET_S / 2 * NEAR_HZ)
    middles = np.rint((NEAR_WINDOW_S / 2 + NEAR_HOP_S * np.arange(len(delays))) * NEAR_HZ).astype(int)
    power = np.array([np.square(played[at - half : at + half]).mean() for at in middles])
    sure = clear >= np.median(clear)
    at = int(np.argmin(np.where(sure, power, np.inf)))
    moment_s = float(middles[at]) / NEAR_HZ
    # both spans were read from whole frames of the low rate
    before_s = ruler_s + first[1] / NEAR_HZ + moment_s
    after_s = own_s + first[0] / NEAR_HZ + moment_s + float(delays[at])
    seam = Seam(before_frame=round(before_s * rate_hz), after_frame=round(after_s * rate_hz), how="music")
    return float(np.median(clear)), seam
