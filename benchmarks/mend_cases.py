"""Material for judging and fitting the mender: pressed sides, a second kind of damage, clean music.

The press makes damage in the groove and plays it; ``other_damage`` knows nothing of grooves: bursts, damped tones,
bumps and doublets set straight into the samples, with or without noise, at 16 bit if wished. What holds on both
is not tuned to either.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.real_music import load_pieces
from benchmarks.sharp_sounds import sharp_sound
from sidekeep.dsp.impulses.masking import FULL_SCALE_DB, WINDOW_S, band_levels, masked_threshold
from sidekeep.press.disc.side import PRESETS, Piece, Pressed, press_side
from sidekeep.press.disc.truth import THUMP

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Case:
    """A side to press: which music, how worn, which disc."""

    kind: str
    first: int
    preset: str
    seed: int
    seconds: float = 60.0
    rate_hz: int = 44_100

    @property
    def name(self) -> str:
        """For tables."""
        return f"{self.kind} {self.first}, {self.preset}, {self.rate_hz // 1000} kHz"

    def press(self) -> Pressed:
        """Cut and play it."""
        pieces = load_pieces(self.kind, 1, self.seconds, self.rate_hz, first=self.first)  # type: ignore[arg-type]
        settings = PRESETS[self.preset](
            needle_down_lead_s=0.5, lead_in_s=2.0, needle_up_tail_s=0.5, run_out_turns=1
        )
        return press_side(pieces, rate_hz=self.rate_hz, settings=settings, seed=self.seed)


JUDGED = (
    Case(kind="orchestral", first=5, preset="used_lp", seed=101),
    Case(kind="electronic", first=4, preset="used_lp", seed=102),
    Case(kind="orchestral", first=13, preset="worn_lp", seed=103),
    Case(kind="electronic", first=11, preset="worn_lp", seed=104),
    Case(kind="orchestral", first=21, preset="clean_lp", seed=105),
    Case(kind="electronic", first=17, preset="bad_78", seed=106, seconds=30.0),
    Case(kind="orchestral", first=9, preset="used_lp", seed=107, seconds=30.0, rate_hz=96_000),
    Case(kind="medieval", first=5, preset="used_lp", seed=108),
    Case(kind="rock", first=6, preset="worn_lp", seed=109),
    Case(kind="arcade", first=4, preset="used_lp", seed=110),
    Case(kind="lounge", first=3, preset="used_lp", seed=111),
)
"""No file of these was used to fit the evidence (``fit_material`` takes others). The last four are of kinds it never saw."""


def clean_music(kind: str, first: int, seconds: float, rate_hz: int) -> Floats:
    """Music as it is, no groove."""
    return load_pieces(kind, 1, seconds, rate_hz, first=first)[0].audio  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True)
class Hit:
    """One event of ``other_damage``: half-open span, channels hit, level over the local roughness."""

    start: int
    stop: int
    channels: tuple[int, ...]


def other_damage(
    clean: Floats,
    rate_hz: int,
    seed: int,
    *,
    per_s: float = 4.0,
    noise_dbfs: float | None = None,
    bits: int | None = None,
) -> tuple[Floats, Floats, list[Hit]]:
    """(damaged, clean with its noise, hits)."""
    rng = np.random.default_rng(seed)
    clean = clean.copy()
    if noise_dbfs is not None:
        clean += 10.0 ** (noise_dbfs / 20.0) * rng.standard_normal(clean.shape)
    rough = np.abs(np.diff(clean, 2, axis=0, prepend=0.0, append=0.0)[: len(clean)])
    damaged = clean.copy()
    hits: list[Hit] = []
    at = int(0.2 * rate_hz)
    rate_factor = rate_hz / 44_100
    while (at := at + int(rng.exponential(rate_hz / per_s)) + int(0.004 * rate_hz)) < len(
        clean
    ) - rate_hz // 5:
        length = max(1, int(rate_factor * np.exp(rng.uniform(0.0, np.log(110.0)))))
        shape = _shape(length, rng)
        bend = max(1e-9, float(np.abs(np.diff(np.pad(shape, 2), 2)).max()))
        level = float(np.sqrt(np.mean(np.square(rough[at - 1000 : at + 1000])))) + 1e-6
        height = 10.0 ** (rng.uniform(12.0, 36.0) / 20.0) * level / bend
        walls = ((0,), (1,), (0, 1), (0, 1))[rng.integers(4)]
        signs = (1.0, rng.choice([-1.0, -1.0, 1.0]) * rng.uniform(0.6, 1.0))
        for channel in walls:
            damaged[at : at + length, channel] += signs[channel] * min(0.9, height) * shape
        hits.append(Hit(start=at, stop=at + length, channels=walls))
    if bits is not None:
        step = 2.0 ** (1 - bits)
        clean, damaged = np.round(clean / step) * step, np.round(damaged / step) * step
    return damaged, clean, hits


def _shape(length: int, rng: np.random.Generator) -> Floats:
    t = np.arange(length)
    match rng.integers(4):
        case 0:
            shape = rng.standard_normal(length) * np.hanning(length + 2)[1:-1]
        case 1:
            shape = np.exp(-4.0 * t / length) * np.cos(
                2.0 * np.pi * t * rng.uniform(0.02, 0.3) + rng.uniform(0, 6.28)
            )
        case 2:
            shape = np.exp(-0.5 * np.square((t - 0.4 * length) / (0.2 * length + 0.3)))
        case _:
            shape = (
                np.gradient(np.exp(-0.5 * np.square((t - 0.45 * length) / (0.2 * length + 0.3))))
                if length > 1
                else np.ones(1)
            )
    return shape / np.abs(shape).max()


def falls_db(damaged: Floats, clean: Floats, mended: Floats, hits: list[Hit]) -> Floats:
    """Error fall of each hit, tail of 1 ms included."""
    falls = []
    for hit in hits:
        span = np.ix_(range(hit.start, hit.stop), hit.channels)
        before = float(np.sum(np.square(damaged[span] - clean[span])))
        after = float(np.sum(np.square(mended[span] - clean[span])))
        if before > 0.0:
            falls.append(10.0 * np.log10(before / max(after, 1e-300)))
    return np.clip(np.array(falls), -60.0, 60.0)


def worst_window(
    side: Pressed, mended: Floats, *, given: Floats | None = None, heard_only: bool = False
) -> tuple[float, int]:
    """The ten seconds, of all that begin on a second, that came out worst: error after over error before in dB, and where.

    Errors under -115 dBFS (mean over the window) do not count; with ``heard_only`` none does that the music masks.
    ``given`` is what was given to be mended where it is not the side itself, such as what an encoder left of it.
    """
    truth, rate = side.truth, side.truth.rate_hz
    first, last = truth.needle_down_frame // rate + 1, truth.needle_up_frame // rate
    errors = ((side.audio if given is None else given) - side.twin, mended - side.twin)
    if heard_only:
        before, after = (heard_energy(error, side.twin, rate)[first:last] for error in errors)
    else:
        before, after = (
            np.array([np.sum(np.square(error[n * rate : (n + 1) * rate])) for n in range(first, last)])
            for error in errors
        )
    wide = np.ones(min(10, len(before)))
    least = 2 * len(wide) * rate * 10.0**-11.5
    sums = [np.convolve(x, wide, "valid") + least for x in (after, before)]
    rise_db = 10.0 * np.log10(sums[0] / sums[1])
    return float(rise_db.max()), first + int(np.argmax(rise_db))


def heard_energy(error: Floats, music: Floats, rate_hz: int) -> Floats:
    """Energy of an error in each whole second, of what stands over the music's masked threshold (``masking``) alone.

    Asked in windows of 12 ms, twice as many as fit, each critical band for itself.
    """
    wide = round(WINDOW_S * rate_hz)
    energy = np.zeros(len(error) // rate_hz + 1)
    for channel in range(error.shape[1]):
        for at in range(0, len(error) - wide, wide // 2):
            part = np.ascontiguousarray(error[at : at + wide, channel])
            if not part.any():
                continue
            levels = band_levels(part, rate_hz)
            threshold = masked_threshold(band_levels(music[at : at + wide, channel], rate_hz))
            heard = 10.0 ** (0.1 * (levels[levels > threshold] - FULL_SCALE_DB))
            energy[at // rate_hz] += (
                0.25 * wide * float(heard.sum())
            )  # a sine of full scale has half its square
    return energy[: len(error) // rate_hz]


TAIL_S, ROUND_S = 0.12, 0.15
TAIL_BAND_HZ = (20.0, 200.0)
HIDDEN_DB = -6.0
"""A tail this far below the music's own bass is taken to be inaudible. Two sounds in one critical band (up to 200 Hz it is some
100 Hz wide) mask each other from about 4 to 6 dB on: Zwicker & Fastl, Psychoacoustics, 1990, from memory."""


def tail_levels(side: Pressed, mended: Floats) -> tuple[Floats, Floats]:
    """Of every thump: its tail over the music's bass round it, and the fall of its error, both from 20 to 200 Hz and in dB.

    The tail counts for 0.12 s from its head; the music from 0.15 s before that to 0.05 s after, at its mean level.
    """
    from scipy.signal import butter, sosfiltfilt

    rate = side.truth.rate_hz
    band = butter(4, TAIL_BAND_HZ, "band", fs=rate, output="sos")
    tail, rest, music = (
        np.sum(np.square(sosfiltfilt(band, x, axis=0)), axis=1)
        for x in (side.audio - side.twin, mended - side.twin, side.twin)
    )
    over_db, falls = [], []
    long, near, after = (int(s * rate) for s in (TAIL_S, ROUND_S, 0.05))
    for event in side.truth.events[side.truth.events["kind"] == THUMP]:
        start = int(event["start_frame"])
        if start < near or start + long + after > len(tail):
            continue
        bass = float(music[start - near : start + long + after].mean()) * long + 1e-12
        loud, left = (float(x[start : start + long].sum()) + 1e-15 for x in (tail, rest))
        over_db.append(10.0 * np.log10(loud / bass))
        falls.append(10.0 * np.log10(loud / left))
    return np.array(over_db), np.array(falls)


def press_sharp(name: str, preset: str, speed_error: float) -> Pressed:
    """A sound of ``sharp_sounds`` on a side that turns too slowly."""
    settings = PRESETS[preset](
        speed_error=speed_error, needle_down_lead_s=0.5, lead_in_s=2.0, needle_up_tail_s=0.5, run_out_turns=1
    )
    piece = Piece(audio=sharp_sound(name, 44_100, 32.0, 1), title=name)
    return press_side([piece], rate_hz=44_100, settings=settings, seed=31)


def gently_raised(audio: Floats, rate_hz: int, new_rate_hz: int) -> Floats | None:
    """At a higher rate, by the default filter of ffmpeg, which takes 4 kHz to fall; None without the tool."""
    tool = shutil.which("ffmpeg")
    if tool is None:
        return None
    raw = ["-ac", str(audio.shape[1]), "-f", "f64le"]
    command = [tool, "-v", "error", "-ar", str(rate_hz), *raw, "-i", "-", "-ar", str(new_rate_hz), *raw, "-"]
    got = subprocess.run(command, input=audio.astype("<f8").tobytes(), capture_output=True, check=True)
    return np.frombuffer(got.stdout, dtype="<f8").reshape(-1, audio.shape[1])


def through_encoder(audio: Floats, rate_hz: int, kbit_s: int) -> Floats | None:
    """What is left by an MP3 at so many kbit/s, frame for frame; None without ffmpeg."""
    tool = shutil.which("ffmpeg")
    if tool is None:
        return None
    raw = ["-ar", str(rate_hz), "-ac", str(audio.shape[1]), "-f", "f64le"]
    with tempfile.TemporaryDirectory() as folder:
        file = f"{folder}/side.mp3"
        command = [tool, "-v", "error", *raw, "-i", "-", "-codec:a", "libmp3lame", "-b:a", f"{kbit_s}k", file]
        subprocess.run(command, input=audio.astype("<f8").tobytes(), check=True)
        got = subprocess.run([tool, "-v", "error", "-i", file, *raw, "-"], capture_output=True, check=True)
    decoded = np.frombuffer(got.stdout, dtype="<f8").reshape(-1, audio.shape[1])
    fitted = np.zeros_like(audio)
    fitted[: len(decoded)] = decoded[: len(audio)]
    return fitted
