"""The record press: a side made from any stereo music, with everything that is on it known exactly.

Order of the physics. (1) The pieces are laid along the spiral: lead-in, gaps, segues, run-out. (2) Damage has
its place on the disc by turn and angle, so scratches return once per turn of the platter. (3) Speed error,
eccentricity, warp and flutter change how the music passes: music is resampled; damage, written as formulas,
is evaluated at the moment it is met, which is resampling it without the loss. (4) The playback response
(RIAA, cartridge) shapes the *damage only*: the music is taken to have been cut and replayed with matching
curves and keeps its spectrum. (5) Groove noise and rumble while the needle is down; channel gain and
crosstalk for all of it; then hum and chain noise, clipping and rounding.

The twin is the same take without the impulses. Both are rounded with the same dither, so they differ inside
event spans only. Audio is (frames, 2) float64, full scale +-1.0.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.press.disc.damage import Damage, make_damage
from sidekeep.press.disc.groove import Groove
from sidekeep.press.disc.playing import (
    Passage,
    Played,
    audible_span,
    finish_take,
    mixing_matrix,
    play_music,
    set_level,
    wear_treble,
)
from sidekeep.press.disc.settings import PRESETS, PressSettings, bad_78, clean_lp, used_lp, worn_lp
from sidekeep.press.disc.truth import EVENT_DTYPE, TrackTruth, Truth
from sidekeep.units import seconds_to_frames

__all__ = [
    "PRESETS",
    "Piece",
    "PressSettings",
    "Pressed",
    "bad_78",
    "clean_lp",
    "press_side",
    "used_lp",
    "worn_lp",
]

Floats = NDArray[np.float64]
WARP_KNOT_S = 0.02


@dataclass(frozen=True)
class Piece:
    """A track to be cut.

    ``audio`` (frames, 2) at the press's rate; ``boundary`` is how it starts after the piece before (the first
    has none before it); ``gap_s`` of groove before it, None for the settings' own.
    """

    audio: Floats
    title: str
    artist: str = ""
    boundary: Literal["gap", "segue"] = "gap"
    gap_s: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Pressed:
    """A take with its truth. ``music`` is the music alone on the take's time base, if it was asked for."""

    audio: Floats
    truth: Truth
    music: Floats | None
    twin_index: NDArray[np.int64]
    twin_values: Floats

    @cached_property
    def twin(self) -> Floats:
        """The take without its impulses; made on first use."""
        twin = self.audio.copy()
        twin.reshape(-1)[self.twin_index] = self.twin_values
        return twin

    def save(self, folder: Path | str, *, bits: int = 24, name: str = "take") -> Path:
        """Write take, twin and truth; the path of the take. ``bits`` 16, 24, or 32 (float)."""
        import soundfile

        kinds = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}
        if bits not in kinds:
            raise ParameterError("press-side-bits", bits=bits)
        folder = Path(folder)
        self.truth.save(folder, f"{name}-truth")
        for path, audio in ((folder / f"{name}.wav", self.audio), (folder / f"{name}-twin.wav", self.twin)):
            soundfile.write(path, audio, self.truth.rate_hz, subtype=kinds[bits])
        return folder / f"{name}.wav"

    @classmethod
    def load(cls, folder: Path | str, *, name: str = "take") -> Pressed:
        """What ``save`` wrote."""
        import soundfile

        folder = Path(folder)
        audio, _ = soundfile.read(folder / f"{name}.wav", dtype="float64", always_2d=True)
        twin, _ = soundfile.read(folder / f"{name}-twin.wav", dtype="float64", always_2d=True)
        index = np.flatnonzero(audio != twin)
        return cls(
            audio=audio,
            truth=Truth.load(folder, f"{name}-truth"),
            music=None,
            twin_index=index,
            twin_values=twin.reshape(-1)[index],
        )


def press_side(
    pieces: Sequence[Piece],
    *,
    rate_hz: int,
    settings: PressSettings | None = None,
    seed: int = 1,
    play: int = 0,
    keep_music: bool = False,
) -> Pressed:
    """Cut the pieces, damage the disc, play it. Same arguments, same samples.

    ``seed`` makes the disc and ``play`` the playing: another ``play`` of one disc has the same damage but its
    own noise, hum, flutter, needle thumps and loose dust. ``keep_music`` also returns the music alone.
    Raises ParameterError for no pieces, or audio that is not (frames, 2).
    """
    settings = settings or PressSettings()
    disc, playing = (seed, 1), (seed, 2, play)
    passages = _lay_out(pieces, rate_hz, settings, np.random.default_rng((*disc, 10)))
    groove = Groove(
        settings=settings,
        rate_hz=rate_hz,
        programme_frames=max(passage.start + len(passage.audio) for passage in passages),
        lead_in_frames=passages[0].start,
        disc=disc,
        playing=playing,
    )
    down = seconds_to_frames(settings.needle_down_lead_s, rate_hz)
    up = down + seconds_to_frames(groove.length_s, rate_hz)
    take = np.zeros((up + seconds_to_frames(settings.needle_up_tail_s, rate_hz), 2))
    spans = [(down + start, down + stop) for start, stop in play_music(take[down:up], passages, groove)]
    wear_treble(take, down, up, settings, rate_hz)
    set_level(take, settings)
    heard = [audible_span(take, *span, settings, rate_hz) for span in spans]
    music = take.copy() if keep_music else None
    damage = make_damage(groove, disc, playing, mixing_matrix(settings))
    played = finish_take(take, groove, damage, down, up, playing)
    tracks = _tracks(pieces, spans, heard)
    knots = max(1, round(WARP_KNOT_S * rate_hz / groove.knot_frames))
    truth = Truth(
        rate_hz=rate_hz,
        length_frames=len(take),
        needle_down_frame=down,
        needle_up_frame=up,
        music_start_frame=tracks[0].start_frame,
        music_stop_frame=max(track.stop_frame for track in tracks),
        turn_period_s=groove.period_s,
        locked_groove_period_s=groove.period_s,
        tracks=tracks,
        events=_event_table(damage, played, down),
        warp_frames=down + groove.knot_frames * np.arange(0.0, len(groove.position), knots),
        warp_positions=groove.position[::knots].copy(),
        seed=seed,
        settings=json.loads(json.dumps(dataclasses.asdict(settings))),
    )
    return Pressed(
        audio=take, truth=truth, music=music, twin_index=played.twin_index, twin_values=played.twin_values
    )


def _lay_out(
    pieces: Sequence[Piece], rate_hz: int, settings: PressSettings, rng: np.random.Generator
) -> list[Passage]:
    """Programme positions: lead-in, then each piece after its gap or overlapping the one before."""
    if not pieces:
        raise ParameterError("side-without-piece")
    for piece in pieces:
        if piece.audio.ndim != 2 or piece.audio.shape[1] != 2 or not len(piece.audio):
            raise ParameterError("piece-shape", title=piece.title, shape=piece.audio.shape)
    overlaps = [0] * (len(pieces) + 1)
    starts, position = [], seconds_to_frames(settings.lead_in_s, rate_hz)
    for number, piece in enumerate(pieces):
        if number and piece.boundary == "segue":
            wanted = seconds_to_frames(settings.segue_overlap_s, rate_hz)
            overlaps[number] = min(wanted, len(piece.audio) // 3, len(pieces[number - 1].audio) // 3)
        elif number:
            gap = settings.gap_s if piece.gap_s is None else piece.gap_s
            gap_s = gap if isinstance(gap, int | float) else float(rng.uniform(*gap))
            position += seconds_to_frames(gap_s, rate_hz)
        starts.append(position - overlaps[number])
        position = starts[-1] + len(piece.audio)
    return [
        Passage(audio=piece.audio, start=start, fade_in=overlaps[number], fade_out=overlaps[number + 1])
        for number, (piece, start) in enumerate(zip(pieces, starts, strict=True))
    ]


def _tracks(
    pieces: Sequence[Piece], spans: list[tuple[int, int]], heard: list[tuple[int, int]]
) -> tuple[TrackTruth, ...]:
    """Spans as a person would cut them: at a segue one track ends where the next begins."""
    segue = [bool(number) and piece.boundary == "segue" for number, piece in enumerate(pieces)] + [False]
    tracks = []
    for number, piece in enumerate(pieces):
        start, stop = spans[number]
        audible_start, audible_stop = heard[number]
        if segue[number]:
            audible_start = start
        if segue[number + 1]:
            stop = audible_stop = spans[number + 1][0]
        tracks.append(
            TrackTruth(
                number=number + 1,
                title=piece.title,
                artist=piece.artist,
                start_frame=start,
                stop_frame=stop,
                audible_start_frame=audible_start,
                audible_stop_frame=audible_stop,
                boundary="segue" if segue[number] else "gap" if number else "edge",
            )
        )
    return tuple(tracks)


def _event_table(damage: Damage, played: Played, down_frame: int) -> NDArray[Any]:
    events = np.zeros(len(damage.start), EVENT_DTYPE)
    events["start_frame"] = damage.start + down_frame
    events["stop_frame"] = damage.start + damage.length + down_frame
    events["channel"] = damage.wall
    events["kind"] = damage.kind
    events["height"] = played.heights
    events["size_db"] = 20.0 * np.log10(np.maximum(played.sizes, 1e-10))
    events["group"] = damage.group
    events["turn"] = np.floor(damage.turn)
    events["angle"] = damage.turn % 1.0
    return events
