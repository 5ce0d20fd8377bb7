"""What the evidence is fitted on: labelled candidates of pressed sides, other damage, traps and clean music.

None of it is used to judge. A candidate is damage where the disturbance is over three times the local scale, none where it is
under 0.3 times, and left out between. Candidates are those the mender asks about: at its most eager test level, and looked at
twice, the second time with the damage of the first look mended. Music: the files ``judged`` leaves free, and the kinds of
``real_music.FITTED``, as they are and at other speeds and balances; short samples on a grid (``sequenced_sounds``) and sounds
with edges (``edgy_sounds``), pressed and clean. A part of every kind of material is held out from fitting (``held_out``), by
piece: by it is decided what is kept.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray

from benchmarks.edgy_sounds import SOURCES, edgy_sound
from benchmarks.mend_cases import JUDGED, clean_music, other_damage
from benchmarks.real_music import FITTED, PRESSED, fetch, list_files, load_pieces
from benchmarks.sequenced_sounds import sequenced_sound
from sidekeep.dsp.impulses.candidates import CELL
from sidekeep.dsp.impulses.channel import Channel
from sidekeep.dsp.impulses.damage_spans import DamageSpans
from sidekeep.dsp.impulses.evidence.collect import ALL, EVIDENCE
from sidekeep.dsp.impulses.mending import LONGEST_S, mend_early
from sidekeep.flow.mend import MANNERS
from sidekeep.press.disc.side import PRESETS, Piece, Pressed, press_side
from sidekeep.press.music.nullset import BORROWED, SOUNDS, null_sound

Floats = NDArray[np.float64]
RATE_HZ = 44_100
OPEN_AT = min(manner.open_at for manner in MANNERS.values())
SURELY, HARDLY = 3.0, 0.3
"""Scales from which a disturbance is damage, and below which a candidate is none."""
HELD_OUT = 6
"""Every sixth file of each kind, or seed, is held out."""
HARD = ("electronic-clicks", "applause", "harpsichord", "castanets", "solo-voice")
"""Sounds of the null set that are easily taken for damage: more of them."""
EDGY_PRESSED, EDGY_CLEAN, EDGY_S = 140, 28, 8.0
"""Sounds with edges, pressed and as they are, and how long."""
SEQUENCED_PRESSED, SEQUENCED_CLEAN, SEQUENCED_S = 32, 40, 16.0
"""Samples on a grid, pressed and as they are, and how long: four bars or more, so that the grid is heard."""
MADE = ("null", "edgy", "sequenced")
"""Kinds made by synthesis, of which one piece can give a crowd of candidates that are all alike."""
SEED = 20


@dataclass(frozen=True, kw_only=True)
class Job:
    """One piece of material: ``what`` is pressed, other, clean or of ``MADE``; ``manner`` the preset or the noise."""

    what: str
    kind: str
    number: int
    manner: str = ""
    seed: int = 0
    rate_hz: int = RATE_HZ

    @property
    def held_out(self) -> bool:
        """By file, so that no piece of music is on both sides."""
        by = f"{self.kind} {self.number or self.seed}"
        return zlib.crc32(by.encode()) % HELD_OUT == 0


@dataclass(frozen=True, kw_only=True)
class Sample:
    """Candidates of one job: evidence (candidates, ``EVIDENCE``), 1 for damage, weight; ``mono``: of a take of one channel."""

    evidence: Floats
    damage: Floats
    weight: Floats
    mono: NDArray[np.bool_]
    held_out: bool
    what: str


def judged(kind: str, number: int) -> bool:
    """Files the bench looks at."""
    taken = {(case.kind, case.first) for case in JUDGED} | {("orchestral", 15), ("electronic", 9)}
    return (kind, number) in taken or number % 3 == 1


def jobs() -> list[Job]:
    """All the material."""
    listed: list[Job] = []
    fetch((*PRESSED, *FITTED))
    for kind in PRESSED:
        free = [n for n in range(1, min(30, len(list_files(kind))) + 1) if not judged(kind, n)]
        for index, number in enumerate(free):
            preset = ("used_lp", "worn_lp", "used_lp", "clean_lp", "bad_78")[index % 5]
            other = ("worn_lp", "used_lp")[index % 2]
            rate_hz = 96_000 if index % 3 == 2 else RATE_HZ
            noise = ("bare", "quiet", "loud")[index % 3]
            listed += [
                Job(what="pressed", kind=kind, number=number, manner=preset, seed=SEED + number),
                Job(
                    what="pressed", kind=kind, number=number, manner=other, seed=70 + number, rate_hz=rate_hz
                ),
                Job(what="other", kind=kind, number=number, manner=noise, seed=SEED + number),
                Job(what="clean", kind=kind, number=number),
                Job(what="clean", kind=kind, number=number, manner="later", seed=300 + number),
            ]
    for kind in FITTED:
        for number in range(1, min(30, len(list_files(kind))) + 1):
            listed += [
                Job(what="clean", kind=kind, number=number, seed=100 + number),
                Job(what="clean", kind=kind, number=number, manner="later"),
            ]
            third = number % 9 // 3
            if number % 3 == 0:
                preset = ("used_lp", "worn_lp", "clean_lp")[third]
                listed.append(Job(what="pressed", kind=kind, number=number, manner=preset, seed=number))
            elif number % 3 == 1:
                noise = ("bare", "quiet", "loud")[third]
                listed.append(Job(what="other", kind=kind, number=number, manner=noise, seed=200 + number))
    for name in (name for name in SOUNDS if name not in BORROWED):
        seeds = range(11, 19) if name in HARD else range(11, 13)
        listed += [Job(what="null", kind=name, number=0, seed=seed) for seed in seeds]
    for seed in range(EDGY_PRESSED):
        preset = ("used_lp", "used_lp", "worn_lp", "clean_lp")[seed // len(SOURCES) % 4]
        listed.append(Job(what="edgy", kind="edgy", number=0, manner=preset, seed=1000 + seed))
    listed += [
        Job(what="edgy", kind="edgy", number=0, manner="clean", seed=2000 + seed)
        for seed in range(EDGY_CLEAN)
    ]
    for seed in range(SEQUENCED_PRESSED):
        preset = ("used_lp", "clean_lp", "used_lp", "worn_lp")[seed % 4]
        listed.append(Job(what="sequenced", kind="sequenced", number=0, manner=preset, seed=3000 + seed))
    listed += [
        Job(what="sequenced", kind="sequenced", number=0, manner="clean", seed=4000 + seed)
        for seed in range(SEQUENCED_CLEAN)
    ]
    return listed


def collect(job: Job) -> Sample:
    """The candidates of one job, each look and, of every third job, each again on the sum of the channels."""
    audio, clean, start, stop = _material(job)
    rate_factor = max(1, round(job.rate_hz / 48_000))
    parts = _candidates(audio, clean, rate_factor, start, stop)
    mono = [False] * len(parts)
    if zlib.crc32(repr(job).encode()) % 3 == 0:
        summed = [0.5 * (x[:, :1] + x[:, 1:]) for x in (audio, clean)]
        again = _candidates(summed[0], summed[1], rate_factor, start, stop)
        parts, mono = parts + again, mono + [True] * len(again)
    evidence = np.concatenate([part[0] for part in parts])
    size = np.concatenate([part[1] for part in parts])
    summed_rows = np.repeat(mono, [len(part[0]) for part in parts])
    known = (size > SURELY) | (size < HARDLY)
    evidence, damage, summed_rows = (
        evidence[known],
        (size[known] > SURELY).astype(np.float64),
        summed_rows[known],
    )
    weight = np.where(
        damage == 1.0, np.clip(np.exp(evidence[:, EVIDENCE.index("test")]) / 6.0, 1.0, 6.0), 1.0
    )
    weight[damage == 1.0] *= min(3.0, 1200.0 / max(1.0, damage.sum()))
    crowd = max(1.0, (1.0 - damage).sum())
    weight[damage == 0.0] *= min(3.0, 4500.0 / crowd) if job.what in MADE else 3.0
    return Sample(
        evidence=evidence,
        damage=damage,
        weight=weight,
        mono=summed_rows,
        held_out=job.held_out,
        what=job.what,
    )


def _material(job: Job) -> tuple[Floats, Floats, int, int]:
    """Audio, the same without the damage, and the frames between which candidates count."""
    if job.what == "pressed":
        side = _press(load_pieces(job.kind, 1, 30.0, job.rate_hz, first=job.number), job)  # type: ignore[arg-type]
        return _of_side(side)
    if job.what in ("edgy", "sequenced"):
        audio = (
            edgy_sound(RATE_HZ, EDGY_S, job.seed)
            if job.what == "edgy"
            else sequenced_sound(RATE_HZ, SEQUENCED_S, job.seed)
        )
        if job.manner == "clean":
            return audio, audio, 0, len(audio)
        return _of_side(_press([Piece(audio=audio, title=job.what)], job))
    if job.what == "other":
        noise_dbfs = {"bare": None, "quiet": -66.0, "loud": -52.0}[job.manner]
        music = 0.5 * clean_music(job.kind, job.number, 25.0, RATE_HZ)
        audio, clean, _ = other_damage(
            varied(music, job.seed if job.kind in FITTED else 0),
            RATE_HZ,
            job.seed,
            per_s=4.0 if job.seed % 2 else 12.0,
            noise_dbfs=noise_dbfs,
            bits=16 if noise_dbfs is None else None,
        )
        return audio, clean, 0, len(audio)
    if job.what == "null":
        audio = null_sound(job.kind, RATE_HZ, 20.0, job.seed)
    else:
        music = clean_music(job.kind, job.number, 100.0 if job.manner == "later" else 40.0, RATE_HZ)
        if job.manner == "later" and len(music) > 80 * RATE_HZ:
            music = music[60 * RATE_HZ :]
        audio = varied(0.5 * music, job.seed)
    return audio, audio, 0, len(audio)


def _of_side(side: Pressed) -> tuple[Floats, Floats, int, int]:
    return side.audio, side.twin, side.truth.needle_down_frame + 25_000, side.truth.needle_up_frame - 15_000


def _press(pieces: list[Piece], job: Job) -> Pressed:
    """A short side with more dust and pops than its preset has: the rare kinds must be learnt too."""
    rng = np.random.default_rng(job.seed)
    settings = PRESETS[job.manner](
        needle_down_lead_s=0.5,
        lead_in_s=2.0,
        needle_up_tail_s=0.5,
        run_out_turns=1,
        **({"speed_error": rng.uniform(-0.03, 0.01)} if job.what in ("edgy", "sequenced") else {}),
    )
    settings = settings.but(
        dust_per_min=2.0 * settings.dust_per_min + 10.0, pops_per_min=settings.pops_per_min + 15.0
    )
    return press_side(pieces, rate_hz=job.rate_hz, settings=settings, seed=job.seed)


def varied(music: Floats, seed: int) -> Floats:
    """The same music at another speed, balance and tilt; seed 0 leaves it as it is."""
    if seed == 0:
        return music
    rng = np.random.default_rng(seed)
    music = soxr.resample(music, RATE_HZ, RATE_HZ * np.exp(rng.uniform(-0.3, 0.3)), quality="HQ")
    music = music + rng.uniform(-0.4, 0.6) * music[:, ::-1]
    music[1:] += rng.uniform(-0.3, 1.5) * np.diff(music, axis=0)
    return np.ascontiguousarray(0.5 * music / max(1e-6, float(np.abs(music).max())))


def _candidates(
    audio: Floats, clean: Floats, rate_factor: int, start: int, stop: int
) -> list[tuple[Floats, Floats]]:
    """(evidence, size of the disturbance in scales) of each channel at each of two looks, between two frames."""
    planes, wanted = (np.ascontiguousarray(x.T) for x in (audio, clean))
    work = planes.copy()
    channels = [Channel(plane, rate_factor) for plane in work]
    longest = int(LONGEST_S * RATE_HZ * rate_factor)
    found, taken = [], DamageSpans.none()
    for look in range(2):
        accepted = DamageSpans.none()
        for channel in channels:
            channel.look(OPEN_AT)
        for index, channel in enumerate(channels):
            other = work[1 - index] if len(channels) == 2 else np.empty(0)
            evidence = channel.collect(other, ALL)
            size = np.array(
                [
                    np.abs(
                        channel.working[max(0, a - 2) : b + 2] - wanted[index, max(0, a - 2) : b + 2]
                    ).max()
                    / channel.scale[p // CELL]
                    for a, b, p in channel.spans
                ]
            )
            inside = (channel.spans[:, 2] > start) & (channel.spans[:, 2] < stop)
            found.append((evidence[inside], size[inside]))
            hurt = (size > SURELY) & (channel.spans[:, 1] - channel.spans[:, 0] <= longest)
            spans = DamageSpans(channel.spans[hurt], channel.tests[hurt])
            accepted = accepted.joined(spans, longest)
        if look or not len(accepted):
            break
        taken = mend_early(channels, planes, work, accepted, taken, longest)
    return found
