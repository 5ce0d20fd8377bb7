"""Whether a moment of a take is the turn before, heard again: music, damage and the noise of the groove itself.

Conventions: frames at one rate, mid and side as (frames, 2) or mid alone as (frames,), floating point; delays count back
in time. A groove that is played again gives the same sound an exact turn later, but for what is new each time: flutter, hum,
the noise of the chain. Music that repeats once a turn does so too, all but its groove. Any two turns of a disc
have noise of their own, so the difference of two moments holds twice the power of the noise however alike the music is
(powers of what is independent add); of one groove heard twice it holds far less. That tells them apart.

Delays are read from the phase of the cross spectrum (Knapp and Carter, "The generalized correlation method for
estimation of time delay", IEEE Trans. ASSP 24(4), 1976; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import HIGH_COUNT, HIGH_EDGES_HZ

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

LEAST_DB, STEP_DB, LEVELS = -160.0, 3.0, 54
"""The steps of level by which cells are counted: from under the last bit of 24 to full scale."""
_FINER = 8
"""Steps to a frame in the first search for a delay."""
LOUDEST = 10.0
"""Cells up to this many times the power of the noise are judged: in louder ones what flutter leaves is as large as the noise."""


@dataclass(frozen=True, eq=False)
class Likeness:
    """One moment laid on an earlier one, in cells of time and frequency. ``count`` and ``unlike`` (2, bands, LEVELS): how many
    cells of mid and side lie at each level, and the power of the difference in them; bands are those of ``HIGH_EDGES_HZ``.
    ``delay`` in frames, with a fraction, and ``sway``, its standard deviation from piece to piece; ``alike`` (pieces,): share of
    the sound that is the same, 0 to 1. ``rest``: what the difference leaves of a cell, on average over all, loud or faint: near
    0 for a groove heard twice, more for the same music in another groove, about 2 for other sound."""

    delay: float
    sway: float
    count: NDArray[np.int32]
    unlike: Singles
    alike: Floats
    rest: float


def likeness(
    now: Singles, past: Singles, piece: int, rate_hz: float, least: float = -np.inf
) -> Likeness | None:
    """Lay ``now`` (frames, 2) on ``past``, which begins some frames before the place it is thought to repeat and ends as many
    after. ``piece``: frames within which the delay is taken to be one. ``delay`` is what is to be added to that of the place.
    None where no piece is more alike than ``least``."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(len(past), real=True)
    # all four side by side: they are then transformed at once
    sounds = np.zeros((size, 4), np.float32)
    np.multiply(past, ends(len(past), len(now))[:, np.newaxis], out=sounds[: len(past), :2])
    np.multiply(now, bell(len(now))[:, np.newaxis], out=sounds[: len(now), 2:])
    spectra = rfft(sounds, axis=0)
    cross = (spectra[:, :2] * np.conj(spectra[:, 2:])).sum(axis=1)
    cross /= np.abs(cross) + np.float32(1e-30)
    more = len(past) - len(now)
    first = int(np.argmax(irfft(cross, size)[: more + 1]))
    count = len(now) // piece
    edges = np.minimum(np.round(np.array(HIGH_EDGES_HZ) * piece / rate_hz), piece // 2).astype(np.int64)
    inside = slice(int(edges[0]), int(edges[-1]))
    here = _spectra(now[: count * piece], piece)[:, :, inside]
    there = _spectra(past[first : first + count * piece], piece)[:, :, inside]
    power = 0.5 * (_square(here) + _square(there))
    usual = power.mean(axis=(0, 1)) + np.float32(1e-30)
    shifts = _shifts((here * np.conj(there)).sum(axis=0), inside.start, piece)
    apart = _square(here - there * np.conj(_turned(shifts, inside.start, here.shape[2], piece)))
    alike = 1.0 - apart.sum(axis=0) @ (1.0 / usual) / (2.0 * power.sum(axis=0) @ (1.0 / usual) + 1e-30)
    if not (alike > least).any():
        return None
    steps = (10.0 * np.log10(power + np.float32(1e-30)) - LEAST_DB) / STEP_DB
    levels = np.clip(steps, 0, LEVELS - 1).astype(np.int64)
    band = np.searchsorted(edges, np.arange(inside.start, inside.stop), side="right") - 1
    rows = ((np.arange(2)[:, np.newaxis] * HIGH_COUNT + band)[:, np.newaxis] * LEVELS + levels).reshape(-1)
    cells = 2 * HIGH_COUNT * LEVELS
    return Likeness(
        delay=more // 2 - first + float(np.median(shifts)),
        sway=float(np.std(shifts)),
        count=np.bincount(rows, minlength=cells).reshape(2, -1, LEVELS).astype(np.int32),
        unlike=np.bincount(rows, apart.reshape(-1), cells).reshape(2, -1, LEVELS).astype(np.float32),
        rest=float(np.mean(apart / (power + np.float32(1e-30)))),
        alike=alike,
    )


def noise_left(cells: Likeness, noise: Floats) -> tuple[float, int]:
    """The power of the difference over what two turns of a disc would leave (about 1 for those, far less for one heard twice),
    and how many cells say so. ``noise`` (2, bands): power of the groove noise in a cell of mid and side."""
    top = 10.0 ** ((LEAST_DB + STEP_DB * np.arange(1, LEVELS + 1)) / 10.0)
    quiet = (top < LOUDEST * noise[:, :, np.newaxis]) & (cells.count > 0)
    count = int(cells.count[quiet].sum())
    if not count:
        return 1.0, 0
    apart = float((cells.unlike * quiet / np.maximum(noise, 1e-30)[:, :, np.newaxis]).sum())
    return apart / (2.0 * count), count


def cell_noise(bands_db: Singles, piece: int, rate_hz: float) -> Floats:
    """(2, bands): power of a cell of ``likeness`` in groove noise, from (hops, 2, HIGH_COUNT) levels of a ``FeatureTable``. Noise
    changes along a side: each band's quietest quarter counts, so that no louder part is taken for the place at hand."""
    edges = np.minimum(np.round(np.array(HIGH_EDGES_HZ) * piece / rate_hz), piece // 2)
    quarters = np.array_split(bands_db.astype(np.float64), min(4, len(bands_db)))
    power: Floats = 10.0 ** (np.min([np.median(part, axis=0) for part in quarters], axis=0) / 10.0)
    return power / np.maximum(np.diff(edges), 1.0)


def _spectra(audio: Singles, piece: int) -> NDArray[np.complex64]:
    """(2, pieces, bins), scaled so that the powers of a piece add up to its mean square."""
    from scipy.fft import rfft

    shape = bell(piece)
    shape = shape * np.float32(np.sqrt(2.0 / (piece * float(np.sum(shape**2)))))
    return np.asarray(rfft(audio.reshape(-1, piece, 2).transpose(2, 0, 1) * shape, axis=2))


def _square(spectra: NDArray[np.complex64]) -> Singles:
    return spectra.real**2 + spectra.imag**2


@lru_cache(maxsize=8)
def bell(length: int) -> Singles:
    """(length,): rises from 0 and falls again, for the sound of a moment."""
    return np.hanning(length + 1)[:-1].astype(np.float32)


@lru_cache(maxsize=8)
def ends(length: int, rise: int) -> Singles:
    """(length,): rises and falls over a quarter of ``rise`` at its ends: a cut edge has every frequency, any two are alike."""
    part = rise // 4
    shape, slope = np.ones(length, np.float32), np.hanning(2 * part)
    shape[:part], shape[length - part :] = slope[:part], slope[part:]
    return shape


def _shifts(cross: NDArray[np.complex64], first: int, piece: int) -> Floats:
    """By how many frames each piece of the past is to be moved, from (pieces, bins) of cross spectra from bin ``first`` on: the
    best of a grid, then towards the top of what fits. Strong bins count more, but not by their whole power."""
    cross = (cross / np.sqrt(np.abs(cross) + np.float32(1e-30))).astype(np.complex64)
    steps = _steps(first, cross.shape[1], piece)
    fits = cross.real @ steps.real - cross.imag @ steps.imag
    shifts: Floats = (np.argmax(fits, axis=1) - fits.shape[1] // 2) / _FINER
    omega = (2.0 * np.pi / piece * (first + np.arange(cross.shape[1]))).astype(np.float32)
    for _ in range(3):
        left = cross * _turned(shifts, first, cross.shape[1], piece)
        steep, bent = left.imag @ omega, left.real @ omega**2
        shifts = shifts - np.where(bent > 0.0, np.clip(steep / np.maximum(bent, 1e-30), -0.2, 0.2), 0.0)
    return shifts


@lru_cache(maxsize=8)
def _steps(first: int, count: int, piece: int) -> NDArray[np.complex64]:
    """(bins, steps): how bins from ``first`` on turn with every delay of the grid, a frame and a half either way."""
    reach = 3 * _FINER // 2
    return np.ascontiguousarray(_turned(np.arange(-reach, reach + 1) / _FINER, first, count, piece).T)


def _turned(shifts: Floats, first: int, count: int, piece: int) -> NDArray[np.complex64]:
    """(shifts, bins): how so many bins from ``first`` on turn with a delay in frames."""
    angle = shifts[:, np.newaxis].astype(np.float32) * (
        2.0 * np.pi / piece * (first + np.arange(count))
    ).astype(np.float32)
    turned = np.empty(angle.shape, np.complex64)
    turned.real, turned.imag = np.cos(angle), np.sin(angle)
    return turned
