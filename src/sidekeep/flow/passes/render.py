"""The render: take + patches -> fades -> one gain -> whoever writes. The second and last pass over a take."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from sidekeep.dsp.output.fades import fade_gain
from sidekeep.flow.measuring.kept_levels import KeptLevels, joint_loudness
from sidekeep.flow.passes.edges import RenderSpan
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import BLOCK_FRAMES, Audio, AudioSource
from sidekeep.model.recipe import LevelSettings
from sidekeep.units import MINIMUM_DB, db_to_gain, gain_to_db


@dataclass(frozen=True, kw_only=True)
class RecordLevel:
    """What the whole record measures after mending, over the music of all its sides."""

    true_peak_dbtp: float
    integrated_lufs: float


@dataclass(frozen=True, kw_only=True)
class GainChoice:
    """One gain for the whole record and, in words, why."""

    gain_db: float
    text: str


def choose_gain(level: RecordLevel, settings: LevelSettings) -> GainChoice:
    """The gain that brings the record to its target and never past the peak limit."""
    if settings.target == "none":
        return GainChoice(gain_db=0.0, text="left as it was recorded")
    if level.true_peak_dbtp <= MINIMUM_DB + 1.0:
        return GainChoice(gain_db=0.0, text="left as it is: there is no sound to measure")
    to_peak_db = settings.peak_dbtp - level.true_peak_dbtp
    if settings.target == "peak":
        return GainChoice(
            gain_db=to_peak_db,
            text=f"{to_peak_db:+.2f} dB for the whole record: its highest true peak, "
            f"{level.true_peak_dbtp:.2f} dBTP after mending, comes to {settings.peak_dbtp:g} dBTP",
        )
    to_loudness_db = settings.loudness_lufs - level.integrated_lufs
    if to_loudness_db <= to_peak_db:
        return GainChoice(
            gain_db=to_loudness_db,
            text=f"{to_loudness_db:+.2f} dB for the whole record: its loudness, "
            f"{level.integrated_lufs:.2f} LUFS after mending, comes to {settings.loudness_lufs:g} LUFS",
        )
    short_db = to_loudness_db - to_peak_db
    return GainChoice(
        gain_db=to_peak_db,
        text=f"{to_peak_db:+.2f} dB for the whole record: {short_db:.2f} dB short of "
        f"{settings.loudness_lufs:g} LUFS, because its highest true peak may not pass "
        f"{settings.peak_dbtp:g} dBTP and nothing is compressed",
    )


def record_level(
    takes: list[tuple[KeptLevels, list[tuple[int, int]]]], *, least_peak_dbtp: float = MINIMUM_DB
) -> RecordLevel:
    """Level of the record over spans of frames of one or more mended takes. ``least_peak_dbtp``: a side that is not among
    them yet is known to hold such a true peak."""
    peaks = [levels.true_peak(spans) for levels, spans in takes if spans]
    return RecordLevel(
        true_peak_dbtp=max(gain_to_db(max(peaks, default=0.0)), least_peak_dbtp),
        integrated_lufs=joint_loudness(takes) if peaks else -math.inf,
    )


def render_span(
    source: AudioSource, patches: PatchReader | None, span: RenderSpan, gain_db: float
) -> Iterator[Audio]:
    """Blocks of one track as it will be heard, at the take's rate."""
    gain = db_to_gain(gain_db)
    frame = span.start_frame
    for block in source.blocks(BLOCK_FRAMES, span.start_frame, span.stop_frame):
        shaped = patches.apply(frame, block) if patches is not None else block
        shaped = shaped * gain
        if span.fade_in_frames and frame < span.start_frame + span.fade_in_frames:
            shaped *= fade_gain(frame - span.start_frame, len(block), span.fade_in_frames)[:, None]
        if span.fade_out_frames and frame + len(block) > span.stop_frame - span.fade_out_frames:
            # The fade out is the fade in seen from the end.
            from_end = span.stop_frame - (frame + len(block))
            shaped *= fade_gain(from_end, len(block), span.fade_out_frames)[::-1, None]
        yield shaped
        frame += len(block)
