"""Playing the disc into a take: music along the warp, noise, damage, needle thumps, converter.

Works in place on the take and block by block, so that a side needs little more memory than its audio.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.press.disc.damage import Damage
from sidekeep.press.disc.groove import Groove, play_kernel, sinc_table
from sidekeep.press.disc.noise import BLOCK, PlayerNoise
from sidekeep.press.disc.pulses import add_events, event_sizes
from sidekeep.press.disc.settings import PressSettings
from sidekeep.press.disc.slope import local_slope, stretch_frames
from sidekeep.units import db_to_gain

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AUDIBLE_WINDOW_S = 0.05
MARGIN_FRAMES = 64


@dataclass(frozen=True, kw_only=True)
class Passage:
    """A piece on the spiral: ``start`` in programme frames, fades in frames."""

    audio: Floats
    start: int
    fade_in: int = 0
    fade_out: int = 0


@dataclass(frozen=True, kw_only=True)
class Played:
    """What ``finish_take`` knows: where the clean twin differs, and how far each event stands out."""

    twin_index: Ints
    twin_values: Floats
    heights: Floats
    sizes: Floats


def mixing_matrix(settings: PressSettings) -> Floats:
    """(2, 2) what of each wall reaches each channel: crosstalk, then channel gain."""
    leak, half = db_to_gain(settings.crosstalk_db), db_to_gain(settings.channel_gain_db / 2.0)
    return np.diag([half, 1.0 / half]) @ np.array([[1.0, leak], [leak, 1.0]])


def play_music(out: Floats, passages: list[Passage], groove: Groove) -> list[tuple[int, int]]:
    """Add every passage to ``out`` (frames from needle down); where each starts and stops there."""
    table = sinc_table()
    spans = []
    for passage in passages:
        audio = np.ascontiguousarray(passage.audio, dtype=np.float64)
        if passage.fade_in or passage.fade_out:
            audio = audio.copy()
            rise = np.sin(np.linspace(0.0, np.pi / 2.0, passage.fade_in))
            fall = np.cos(np.linspace(0.0, np.pi / 2.0, passage.fade_out))
            audio[: passage.fade_in] *= rise[:, np.newaxis]
            audio[len(audio) - passage.fade_out :] *= fall[:, np.newaxis]
        start = round(float(groove.frame_of_position(passage.start)))
        stop = round(float(groove.frame_of_position(passage.start + len(audio))))
        first, last = max(0, start - MARGIN_FRAMES), min(len(out), stop + MARGIN_FRAMES)
        play_kernel(
            audio,
            float(passage.start),
            groove.position,
            groove.speed,
            groove.knot_frames,
            table,
            out,
            first,
            last,
        )
        spans.append((start, stop))
    return spans


def wear_treble(take: Floats, down: int, up: int, settings: PressSettings, rate_hz: int) -> None:
    """Treble that wear took, more and more inward, and that the stylus gives or takes all over; in place.

    Gain in dB grows with the square of the frequency and is exact at 10 kHz; zero phase.
    """
    if not settings.wear_db and not settings.stylus_db:
        return
    from scipy.signal import fftconvolve, firwin2

    hz = np.linspace(0.0, rate_hz / 2.0, 513)

    def taps(db_at_10k: float) -> Floats:
        gain_db = np.clip(db_at_10k * (hz / 10_000.0) ** 2, -20.0, 20.0)
        return np.asarray(firwin2(255, hz, 10.0 ** (gain_db / 20.0), fs=rate_hz))

    worn, plain = taps(settings.stylus_db - settings.wear_db), taps(settings.stylus_db)
    inward = np.clip((np.arange(len(take)) - down) / max(up - down, 1), 0.0, 1.0)
    for channel in range(2):
        outside = fftconvolve(take[:, channel], plain, mode="same")
        inside = fftconvolve(take[:, channel], worn, mode="same")
        take[:, channel] = outside + inward * (inside - outside)


def set_level(take: Floats, settings: PressSettings) -> None:
    """Crosstalk and channel gain, then the music's peak to ``peak_dbfs``; in place."""
    mixing = mixing_matrix(settings).T
    peak = 0.0
    for first in range(0, len(take), BLOCK):
        block = take[first : first + BLOCK]
        block[:] = block @ mixing
        peak = max(peak, float(block.max()), -float(block.min()))
    if peak > 0.0:
        take *= db_to_gain(settings.peak_dbfs) / peak


def audible_span(
    music: Floats, start: int, stop: int, settings: PressSettings, rate_hz: int
) -> tuple[int, int]:
    """First and last moment in ``[start, stop)`` where the music's short-time rms tops the groove noise's."""
    window = max(1, int(AUDIBLE_WINDOW_S * rate_hz))
    count = (stop - start) // window
    if not count:
        return start, stop
    power = np.mean(np.square(music[start : start + count * window]).reshape(count, window * 2), axis=1)
    loud = np.flatnonzero(power > db_to_gain(settings.hiss_dbfs) ** 2)
    if not loud.size:
        return start, stop
    # the last stretch is shorter than a window: it belongs to the one before
    heard_stop = stop if loud[-1] == count - 1 else start + (int(loud[-1]) + 1) * window
    return start + int(loud[0]) * window, heard_stop


def finish_take(
    take: Floats, groove: Groove, damage: Damage, down_frame: int, up_frame: int, seed: tuple[int, ...]
) -> Played:
    """Noise, hum, needle knocks, damage, clipping and rounding; in place."""
    settings, rate = groove.settings, groove.rate_hz
    noise = PlayerNoise(groove, down_frame, up_frame, seed, mixing_matrix(settings))
    knocks = list(zip((down_frame, up_frame), _needle_knocks(rate, (*seed, 51)), strict=True))
    start = damage.start + down_frame
    longest = int(damage.length.max()) if damage.length.size else 0
    stretch = np.minimum(start + damage.length // 4, len(take) - 1) // stretch_frames(rate)
    by_stretch = np.argsort(stretch, kind="stable")
    in_order = stretch[by_stretch]
    per_block = BLOCK // stretch_frames(rate)
    heights, sizes = np.zeros(len(start)), np.zeros(len(start))
    indices, values = [np.empty(0, np.int64)], [np.empty(0)]
    for number, first in enumerate(range(0, len(take), BLOCK)):
        block = take[first : first + BLOCK]
        noise.add(block, first)
        for frame, knock in knocks:
            low, high = max(first, frame), min(first + len(block), frame + len(knock))
            if low < high:
                block[low - first : high - first] += knock[low - frame : high - frame]
        dither = np.random.default_rng((*seed, 52, number)).random((len(block), 2), dtype=np.float32)
        twin = convert(block, settings, dither)
        low, high = np.searchsorted(start, [first - longest, first + len(block)])
        if low < high:
            hit = np.zeros_like(block)
            rows = slice(int(low), int(high))
            lists = (start[rows], damage.length[rows], damage.offset[rows], damage.gains[rows])
            add_events(hit, first, *lists, damage.wave)
            index = np.flatnonzero(hit)
            hurt = block.reshape(-1)[index] + hit.reshape(-1)[index]
            hurt = convert(hurt, settings, dither.reshape(-1)[index])
            clean = twin.reshape(-1)[index]
            differs = hurt != clean
            indices.append(index[differs] + 2 * first)
            values.append(clean[differs])
            block[:] = twin
            block.reshape(-1)[index] = hurt
        else:
            block[:] = twin
        low, high = np.searchsorted(in_order, [number * per_block, (number + 1) * per_block])
        if low < high:
            chosen = by_stretch[low:high]
            wanted, where = np.unique(stretch[chosen] - number * per_block, return_inverse=True)
            slope = local_slope(twin, rate, wanted)
            event_sizes(
                chosen, where, damage.length, damage.offset, damage.gains, damage.wave, *slope, heights, sizes
            )
    return Played(
        twin_index=np.concatenate(indices), twin_values=np.concatenate(values), heights=heights, sizes=sizes
    )


def convert(audio: Floats, settings: PressSettings, dither: NDArray[np.float32]) -> Floats:
    """The converter: clipping rails, and rounding with rectangular dither that take and twin share."""
    rail = 1.0 if settings.clip_dbfs is None else db_to_gain(settings.clip_dbfs)
    clipped = np.clip(audio, -rail, rail)
    if settings.bits is None:
        return clipped
    scale = 2.0 ** (settings.bits - 1)
    clipped *= scale
    clipped += dither
    np.floor(clipped, out=clipped)
    np.minimum(clipped, scale - 1.0, out=clipped)
    clipped *= 1.0 / scale
    return clipped


def _needle_knocks(rate_hz: int, seed: tuple[int, ...]) -> tuple[Floats, Floats]:
    """(frames, 2) of the needle meeting the disc and leaving it: a scrape, a dull knock, a low ring, mostly
    vertical.

    Part of the twin as well: what happens there is not damage of the disc.
    """
    rng = np.random.default_rng(seed)
    t_s = np.arange(int(0.35 * rate_hz)) / rate_hz
    knocks = []
    for size in (rng.uniform(0.12, 0.3), rng.uniform(0.05, 0.15)):
        slide = 14.0 * t_s + 0.5 * (1.0 - np.exp(-t_s / 0.01))
        ring = np.exp(-t_s / 0.05) * np.sin(2.0 * np.pi * slide)
        knock = 0.6 * np.exp(-t_s / 0.004) * np.sin(2.0 * np.pi * rng.uniform(120.0, 300.0) * t_s)
        scrape = 0.08 * np.exp(-t_s / 0.03) * rng.standard_normal((2, len(t_s)))
        onset = size * (1.0 - np.exp(-t_s / 0.0005))
        knocks.append(np.stack([ring + knock + scrape[0], -0.7 * (ring + knock) + scrape[1]], axis=1))
        knocks[-1] *= onset[:, np.newaxis]
    return knocks[0], knocks[1]
