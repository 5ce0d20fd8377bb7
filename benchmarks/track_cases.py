"""Pressed sides with a sleeve for judging the finding of tracks: plain ones and the awkward kinds.

Conventions: every case is made from a seed, so the same number always gives the same side. Files with odd numbers are
for tuning (``tune``, ``look``), those with even numbers for judging (``judge``, ``sealed``). ``tune`` and ``judge`` take
the beginnings of files; ``look`` and ``sealed`` take beginnings and, as often, endings with their own decay, that no
other case holds. Nobody looks at single misses of ``sealed`` sides. Printed times are whole seconds; one in ten is wrong
by 5 to 20 s, one in thirty is missing (shares chosen here, no source).
"""

from __future__ import annotations

import dataclasses
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from benchmarks import real_music
from benchmarks.awkward_pieces import (
    RATE_HZ,
    false_stop,
    long_fades,
    sparse_start,
    speech,
    with_applause,
)
from sidekeep.flow.tracks.side_features import Features, SideFeatures
from sidekeep.model.record import Side, SleeveTrack
from sidekeep.press.disc.side import Piece, PressSettings, press_side
from sidekeep.press.disc.truth import TrackTruth, Truth

Floats = NDArray[np.float64]
Split = Literal["tune", "judge", "look", "sealed"]
ODD: tuple[Split, ...] = ("tune", "look")
BOTH_ENDS: tuple[Split, ...] = ("look", "sealed")
BLOCK = 65536
SILENCE_LEVELS_DBFS = (-35, -40, -45, -50, -55, -60)
KINDS = (
    "applause",
    "quiet movement",
    "spoken word",
    "hidden track",
    "false stop",
    "time wrong by 10 s",
    "sleeve one short",
    "sleeve one over",
    "no times",
    "needle already down",
)
MORE_KINDS = ("sparse start", "long fades", "sides joined")
"""Kinds of the ``look`` and ``sealed`` sides only."""
ENDING_AFTER_S = 140.0
"""An ending that begins before this may hold music of the file's beginning."""


@dataclass(kw_only=True)
class Case:
    """A take to be cut; ``sides`` is what the sleeve says."""

    name: str
    kind: str
    truth: Truth
    sides: tuple[Side, ...]
    features: Features
    silences_s: dict[int, list[tuple[float, float]]]


def files_for(split: Split, kind: str) -> list[real_music.MusicFile]:
    """The music of one half."""
    wanted = 1 if split in ODD else 0
    return [file for file in real_music.list_files(kind) if file.number % 2 == wanted]


def cases(split: Split, *, plain: int, special: int, first: int = 0) -> Iterator[Case]:
    """``plain`` ordinary sides from number ``first`` on, then ``special`` of each awkward kind."""
    real_music.fetch()
    for number in range(first, first + plain):
        yield plain_case(split, number)
    for number in range(first, first + special):
        for kind in kinds_of(split):
            yield special_case(split, kind, number)


def kinds_of(split: Split) -> tuple[str, ...]:
    """The awkward kinds of a half."""
    return KINDS + MORE_KINDS if split in BOTH_ENDS else KINDS


def plain_case(split: Split, number: int) -> Case:
    """Three to five pieces, any groove noise from -75 to -40 dBFS, gaps of 1 to 6 s, some segues."""
    rng = np.random.default_rng((number, 101, *_split_seed(split)))
    segues = number % 2 == 1
    pieces = _pieces(split, rng, int(rng.integers(3, 6)), segue_share=0.5 if segues else 0.0)
    settings = _settings(rng)
    return _press(f"plain {number}", "segues" if segues else "plain", pieces, settings, rng)


def special_case(split: Split, kind: str, number: int) -> Case:
    """One side of an awkward kind."""
    rng = np.random.default_rng((number, 102, *_split_seed(split), kinds_of(split).index(kind)))
    pieces = _pieces(split, rng, 4 if kind != "spoken word" else 2, segue_share=0.0)
    settings = _settings(rng)
    drop_printed = frozenset[int]()
    extra = False
    wrong: dict[int, float] = {}
    if kind == "applause":
        pieces = with_applause(pieces, rng)
        settings = settings.but(segue_overlap_s=0.5)
    elif kind == "quiet movement":
        pieces[1] = dataclasses.replace(pieces[1], audio=pieces[1].audio * 10 ** (-22 / 20))
        pieces[2] = dataclasses.replace(pieces[2], audio=pieces[2].audio * 10 ** (-14 / 20))
    elif kind == "spoken word":
        pieces = [*pieces, Piece(audio=speech(rng, 75.0), title="Spoken")]
        pieces.insert(1, Piece(audio=speech(rng, 60.0), title="Spoken first"))
    elif kind == "hidden track":
        pieces[-1] = dataclasses.replace(pieces[-1], gap_s=float(rng.uniform(20.0, 40.0)))
        drop_printed = frozenset({len(pieces) - 1})
    elif kind == "false stop":
        pieces = [false_stop(piece, rng) for piece in pieces]
    elif kind == "time wrong by 10 s":
        wrong = {int(rng.integers(0, len(pieces))): float(rng.choice([-10.0, 10.0]))}
    elif kind == "sleeve one short":
        drop_printed = frozenset({int(rng.integers(0, len(pieces)))})
    elif kind == "sleeve one over":
        extra = True
    elif kind == "needle already down":
        settings = settings.but(needle_down_lead_s=0.0, needle_up_tail_s=0.0)
    elif kind == "sparse start":
        pieces = [sparse_start(piece, rng) for piece in pieces]
    elif kind == "long fades":
        pieces = [long_fades(piece, rng) for piece in pieces]
    elif kind == "sides joined":
        return _joined(f"{kind} {number}", kind, pieces, rng)
    case = _press(f"{kind} {number}", kind, pieces, settings, rng, wrong=wrong, missing=kind == "no times")
    tracks = [track for index, track in enumerate(case.sides[0].tracks) if index not in drop_printed]
    if extra:
        at = int(rng.integers(1, len(tracks)))
        tracks.insert(at, SleeveTrack(number=0, title="Not there", duration_s=float(rng.integers(100, 300))))
    numbered = tuple(dataclasses.replace(track, number=n) for n, track in enumerate(tracks, start=1))
    case.sides = (Side(name="A", tracks=numbered),)
    return case


def _split_seed(split: Split) -> tuple[int, ...]:
    return (split == "tune",) if split not in BOTH_ENDS else (split == "look", 7)


def _pieces(split: Split, rng: np.random.Generator, count: int, *, segue_share: float) -> list[Piece]:
    pieces: list[Piece] = []
    for index in range(count):
        files = files_for(split, str(rng.choice(["orchestral", "electronic"])))
        file = files[int(rng.integers(len(files)))]
        seconds = float(rng.uniform(50.0, 130.0))
        if split in BOTH_ENDS and file.length_s > ENDING_AFTER_S + 40.0 and rng.random() < 0.5:
            audio = _ending(file, min(seconds, file.length_s - ENDING_AFTER_S))
        else:
            audio = real_music.load_audio(file, RATE_HZ, seconds)
        segue = index > 0 and rng.random() < segue_share
        if segue:
            audio = _from_first_sound(audio)
        pieces.append(
            Piece(
                audio=audio * 10 ** (rng.uniform(-5.0, 0.0) / 20.0),
                title=f"Piece {index + 1}",
                boundary="segue" if segue else "gap",
            )
        )
    return pieces


def _ending(file: real_music.MusicFile, seconds: float) -> Floats:
    """The end of a file as its makers let it die away; it begins in the middle of the music with 20 ms of fade."""
    with soundfile.SoundFile(file.path) as opened:
        opened.seek(max(0, opened.frames - int(seconds * file.rate_hz)))
        audio = opened.read(dtype="float64", always_2d=True)
    if file.rate_hz != RATE_HZ:
        audio = soxr.resample(audio, file.rate_hz, RATE_HZ, quality="VHQ")
    loud = np.flatnonzero(np.abs(audio).max(axis=1) > 10.0 ** (real_music.EDGE_DBFS / 20.0))
    audio = audio[loud[0] : loud[-1] + 1].copy()
    fade = int(0.02 * RATE_HZ)
    audio[:fade] *= np.linspace(0.0, 1.0, fade)[:, np.newaxis]
    return np.ascontiguousarray(audio)


def _from_first_sound(audio: Floats) -> Floats:
    """A piece that runs out of the one before starts where its music goes on: a sound and then silence, or near-silence,
    would be a gap in the groove. Power over -30 dB of the mean in four of five windows of the next 3 s."""
    window, ahead = RATE_HZ // 10, 30
    power = np.mean(np.square(audio[: len(audio) // window * window]).reshape(-1, 2 * window), axis=1)
    loud = power > 1e-3 * float(np.mean(power))
    share = np.convolve(loud, np.ones(ahead), mode="full")[ahead - 1 :] / ahead
    first = int(np.argmax(loud & (share >= 0.8)))
    return audio[first * window :]


def _settings(rng: np.random.Generator) -> PressSettings:
    hiss_dbfs = float(rng.uniform(-75.0, -40.0))
    wear = (hiss_dbfs + 75.0) / 35.0
    return PressSettings(
        hiss_dbfs=hiss_dbfs,
        rumble_dbfs=float(rng.uniform(-66.0, -46.0)),
        hum_dbfs=float(rng.uniform(-85.0, -62.0)),
        hum_hz=float(rng.choice([50.0, 60.0])),
        chain_dbfs=min(-80.0, hiss_dbfs - float(rng.uniform(8.0, 25.0))),
        dust_per_min=float(rng.uniform(2.0, 30.0 + 150.0 * wear)),
        scratches=int(rng.integers(0, 8)),
        pops_per_min=float(rng.uniform(0.0, 12.0)),
        thumps=int(rng.integers(0, 15)),
        crackle_per_s=float(rng.uniform(0.0, 60.0 + 200.0 * wear)),
        crackle_share=float(rng.uniform(0.0, 0.6)),
        speed_error=float(rng.uniform(-0.012, 0.012)),
        peak_dbfs=float(rng.uniform(-18.0, -3.0)),
        needle_down_lead_s=float(rng.uniform(1.0, 6.0)),
        lead_in_s=float(rng.uniform(1.0, 7.0)),
        gap_s=(1.0, 5.0),
        segue_overlap_s=float(rng.uniform(0.2, 3.0)),
        run_out_turns=int(rng.integers(2, 12)),
        needle_up_tail_s=float(rng.uniform(0.7, 5.0)),
        eccentricity_mm=float(rng.uniform(0.0, 0.4)),
        channel_gain_db=float(rng.uniform(-2.0, 2.0)),
    )


def _press(
    name: str,
    kind: str,
    pieces: list[Piece],
    settings: PressSettings,
    rng: np.random.Generator,
    *,
    wrong: dict[int, float] | None = None,
    missing: bool = False,
) -> Case:
    seed = int(rng.integers(1 << 30))
    pressed = press_side(pieces, rate_hz=RATE_HZ, settings=settings, seed=seed, keep_music=True)
    assert pressed.music is not None
    side = Side(name="A", tracks=_printed(pieces, rng, wrong=wrong, missing=missing))
    return _measured(
        name, kind, pressed.audio, _segues_heard(pressed.truth, pressed.music, settings), (side,)
    )


def _segues_heard(truth: Truth, music: Floats, settings: PressSettings) -> Truth:
    """Where a piece that runs out of the one before is heard at last, when it begins under the groove noise: after the
    overlap nothing else sounds. The press itself takes a segue to be heard from its first moment."""
    tracks = []
    window = RATE_HZ // 20
    for track in truth.tracks:
        alone = track.start_frame + round(settings.segue_overlap_s * RATE_HZ)
        part = music[alone : track.stop_frame]
        part = part[: len(part) // window * window]
        if track.boundary == "segue" and len(part):
            power = np.mean(np.square(part).reshape(-1, 2 * window), axis=1)
            first = int(np.argmax(power > 10 ** (settings.hiss_dbfs / 10)))
            if first * window > RATE_HZ // 2:
                track = dataclasses.replace(track, audible_start_frame=alone + first * window)
        tracks.append(track)
    return dataclasses.replace(truth, tracks=tuple(tracks))


def _printed(
    pieces: list[Piece], rng: np.random.Generator, *, wrong: dict[int, float] | None, missing: bool
) -> tuple[SleeveTrack, ...]:
    tracks = []
    for index, piece in enumerate(pieces):
        printed: float | None = float(round(len(piece.audio) / RATE_HZ))
        if wrong is not None and index in wrong:
            printed = printed + wrong[index] if printed is not None else None
        elif wrong is None and rng.random() < 0.1 and printed is not None:
            printed += float(round(rng.choice([-1.0, 1.0]) * rng.uniform(5.0, 20.0)))
        elif rng.random() < 1 / 30:
            printed = None
        tracks.append(
            SleeveTrack(number=index + 1, title=piece.title, duration_s=None if missing else printed)
        )
    return tuple(tracks)


def _measured(name: str, kind: str, audio: Floats, truth: Truth, sides: tuple[Side, ...]) -> Case:
    meter = SideFeatures(rate_hz=RATE_HZ, channels=2)
    for start in range(0, len(audio), BLOCK):
        meter.process(audio[start : start + BLOCK])
    return Case(
        name=name,
        kind=kind,
        truth=truth,
        sides=sides,
        features=meter.finish(),
        silences_s=silences(audio),
    )


def _joined(name: str, kind: str, pieces: list[Piece], rng: np.random.Generator) -> Case:
    """Two sides in one file, each with its own noise, cut together between run-out and lead-in: no needle is seen."""
    half = len(pieces) // 2
    audios, tracks, sides, length = [], list[TrackTruth](), [], 0
    for letter, group in (("A", pieces[:half]), ("B", pieces[half:])):
        pressed = press_side(group, rate_hz=RATE_HZ, settings=_settings(rng), seed=int(rng.integers(1 << 30)))
        truth = pressed.truth
        low, high = truth.needle_down_frame + RATE_HZ // 2, truth.needle_up_frame - RATE_HZ // 4
        sides.append(Side(name=letter, tracks=_printed(group, rng, wrong=None, missing=False)))
        for track in truth.tracks:
            moved = {
                field: getattr(track, field) + length - low
                for field in ("start_frame", "stop_frame", "audible_start_frame", "audible_stop_frame")
            }
            tracks.append(dataclasses.replace(track, **moved))
        audios.append(pressed.audio[low:high])
        length += high - low
    truth = dataclasses.replace(
        truth,
        length_frames=length,
        needle_down_frame=0,
        needle_up_frame=length,
        music_start_frame=tracks[0].start_frame,
        music_stop_frame=tracks[-1].stop_frame,
        tracks=tuple(tracks),
        events=truth.events[:0],
    )
    return _measured(name, kind, np.concatenate(audios), truth, tuple(sides))


def silences(audio: Floats) -> dict[int, list[tuple[float, float]]]:
    """The reference: stretches of a second and more that ffmpeg's ``silencedetect`` reports at fixed levels, in
    seconds; empty without ffmpeg."""
    if shutil.which("ffmpeg") is None:
        return {}
    found = {}
    samples = audio.astype("<f4").tobytes()
    for level in SILENCE_LEVELS_DBFS:
        command = ["ffmpeg", "-hide_banner", "-f", "f32le", "-ar", str(RATE_HZ), "-ac", "2", "-i", "-"]
        command += ["-af", f"silencedetect=noise={level}dB:d=1", "-f", "null", "-"]
        said = subprocess.run(command, input=samples, capture_output=True, check=True).stderr.decode()
        starts = [float(value) for value in re.findall(r"silence_start: (-?[\d.]+)", said)]
        stops = [float(value) for value in re.findall(r"silence_end: (-?[\d.]+)", said)]
        found[level] = list(zip(starts, stops, strict=False))
    return found
