"""What the level meters noticed, as kinds with facts.

Swapped channels are not among the findings: nothing in a recording tells left from right (dsp.level.channels).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.channels import BandLimit
from sidekeep.dsp.level.clipping import RAIL, LevelRuns, clipped_frames
from sidekeep.dsp.level.flat_tops import FlatTops
from sidekeep.dsp.level.mirrors import Mirrors
from sidekeep.dsp.level.sample_levels import LevelSums
from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Channel, Fact, Finding, Severity
from sidekeep.units import clock_text, frames_to_seconds, gain_to_db, power_to_db

_SILENT_DB = -100.0
"""Under the noise of 16 bits (-98 dBFS); any chain that is switched on is louder."""
_DEAD_BELOW_DB = -40.0
"""A channel this far under the other carries nothing but what leaks across (cartridges separate the channels
by 20 to 35 dB; common practice, no source)."""
_LONGEST_DROPOUT_S = 2.0
"""What is still for longer was meant, as between two recordings, and not lost (chosen here)."""
_TOO_SHORT_S = 1.0
"""Less is no side, nor a song; its mean is no offset, but the music's own bass (chosen here)."""
_LOUD_DB, _OVER_A_STEP_DB = -60.0, 20.0
"""Sound that cannot have faded into silence, and how far it lies over a step of the words (chosen here)."""
_CONVERTER_BITS = 24
"""More than this no converter gives: a file of 32 bits that uses them lacks nothing (common practice, no source)."""
_LEAST_OFFSET = 0.003
"""Of full scale, -50 dB: less costs no headroom worth naming (chosen here)."""


@dataclass(frozen=True, kw_only=True)
class LevelEvidence:
    """What the meters counted. ``whole`` and ``music`` are sums over the take and over its music; ``powers``
    mean squares per window and channel."""

    rate_hz: int
    channels: int
    length_frames: int
    odd_frames: int
    odd_span: tuple[int, int]
    whole: LevelSums
    music: LevelSums
    true_peak: float
    runs: LevelRuns
    flat_tops: list[FlatTops]
    still_spans: list[tuple[int, int]]
    bits_in_use: int
    bass_correlation: float
    band_limit: BandLimit | None
    mirrors: Mirrors | None
    powers: NDArray[np.float64]
    window_frames: int


def find_faults(measured: LevelEvidence, format: AudioFormat) -> list[Finding]:
    """All findings of the level meters on one take."""
    if measured.length_frames == 0:
        return [_of_take(measured, kind="empty", severity="act")]
    found = list(_odd_numbers(measured))
    if power_to_db(float(measured.whole.power.max())) < _SILENT_DB:
        return [*found, _silent(measured)]
    found += _channels(measured)
    found += _dropouts(measured, format)
    found += _clipping(measured)
    found += _flat_tops(measured)
    found += _too_short(measured) or _offset(measured, format)
    found += _peak_level(measured, format)
    found += _source(measured, format)
    return found


def _of_take(
    measured: LevelEvidence,
    *,
    kind: str,
    severity: Severity,
    channel: Channel = "both",
    facts: Mapping[str, Fact] | None = None,
) -> Finding:
    """A finding about the take as a whole."""
    return Finding(
        kind=kind,
        start_frame=0,
        stop_frame=measured.length_frames,
        channel=channel,
        severity=severity,
        facts=facts or {},
    )


def _name(channel: int, channels: int) -> Channel:
    if channels < 2 or channel > 1:
        return "both"
    return "R" if channel else "L"


def _odd_numbers(measured: LevelEvidence) -> Iterator[Finding]:
    if measured.odd_frames:
        start, stop = measured.odd_span
        yield Finding(
            kind="not-a-number",
            start_frame=start,
            stop_frame=stop,
            severity="act",
            facts={"frames": measured.odd_frames},
        )


def _silent(measured: LevelEvidence) -> Finding:
    level_db = power_to_db(float(measured.whole.power.max()))
    return _of_take(
        measured,
        kind="silent",
        severity="act",
        facts={"rms_dbfs": level_db},
    )


def _channels(measured: LevelEvidence) -> Iterator[Finding]:
    music = measured.music
    if measured.channels == 1:
        yield _of_take(
            measured,
            kind="mono-file",
            severity="note",
        )
        return
    levels_db = [power_to_db(float(power)) for power in music.power[:2]]
    quiet = int(levels_db[1] < levels_db[0])
    apart_db = abs(levels_db[0] - levels_db[1])
    if levels_db[quiet] < _SILENT_DB or apart_db > -_DEAD_BELOW_DB:
        channel = _name(quiet, measured.channels)
        yield _of_take(
            measured,
            kind="channel-dead",
            channel=channel,
            severity="act",
            facts={"left_dbfs": levels_db[0], "right_dbfs": levels_db[1]},
        )
        return
    if measured.whole.equal_share > 0.9999:
        yield _of_take(
            measured,
            kind="dual-mono",
            severity="note",
            facts={"equal_share": measured.whole.equal_share},
        )
        return
    if measured.bass_correlation < -0.5 and music.correlation < 0.3:
        yield _of_take(
            measured,
            kind="out-of-phase",
            severity="act",
            facts={"bass_correlation": measured.bass_correlation, "correlation": music.correlation},
        )
    elif music.side_to_mid_db < -20.0:
        yield _of_take(
            measured,
            kind="mono-record",
            severity="note",
            facts={"side_to_mid_db": music.side_to_mid_db},
        )
    if abs(music.balance_db) >= 1.5:
        louder: Channel = "L" if music.balance_db > 0 else "R"
        yield _of_take(
            measured,
            kind="balance",
            channel=louder,
            severity="look" if abs(music.balance_db) >= 3.0 else "note",
            facts={"balance_db": music.balance_db},
        )


def _step(format: AudioFormat) -> float:
    """One step of the file's words, of full scale; none where they are floating-point."""
    return 0.0 if format.is_float else float(2.0 ** (1 - format.bits))


def _dropouts(measured: LevelEvidence, format: AudioFormat) -> Iterator[Finding]:
    """Digital silence in the midst of sound: the computer lost audio, not the record. Where the words are so coarse that quiet
    sound is less than a step, they stand still by themselves."""
    loud_db = max(_LOUD_DB, gain_to_db(_step(format)) + _OVER_A_STEP_DB)
    lost = [
        (start, stop)
        for start, stop in measured.still_spans
        if start > 0
        and stop < measured.length_frames
        and stop - start <= _LONGEST_DROPOUT_S * measured.rate_hz
        and _is_loud_around(measured, start, stop, loud_db)
    ]
    if lost:
        length_s = sum(stop - start for start, stop in lost) / measured.rate_hz
        yield Finding(
            kind="dropout",
            start_frame=lost[0][0],
            stop_frame=lost[-1][1],
            severity="act",
            facts={
                "places": len(lost),
                "length_s": length_s,
                "where": _clocks([start for start, _ in lost], measured.rate_hz),
            },
        )


def _is_loud_around(measured: LevelEvidence, start: int, stop: int, loud_db: float) -> bool:
    before = measured.powers[max(0, start // measured.window_frames - 1)]
    after = measured.powers[min(len(measured.powers) - 1, stop // measured.window_frames + 1)]
    return power_to_db(float(min(before.max(), after.max()))) > loud_db


def _clocks(frames: list[int], rate_hz: int) -> tuple[str, ...]:
    """Places as a clock shows them, each once."""
    return tuple(dict.fromkeys(clock_text(frames_to_seconds(frame, rate_hz), 1) for frame in frames))


def _clipping(measured: LevelEvidence) -> Iterator[Finding]:
    for channel in range(measured.channels):
        runs = measured.runs.chosen(measured.runs.channel == channel)
        if len(runs) == 0:
            continue
        name = _name(channel, measured.channels)
        frames = clipped_frames(runs)
        longest = int((runs.stop_frame - runs.start_frame).max())
        worst = np.sort(runs.start_frame[np.argsort(runs.start_frame - runs.stop_frame, kind="stable")][:5])
        is_slight = len(runs) <= 3 and longest <= 0.001 * measured.rate_hz
        yield Finding(
            kind="clipped",
            start_frame=int(runs.start_frame.min()),
            stop_frame=int(runs.stop_frame.max()),
            channel=name,
            severity="look" if is_slight else "act",
            facts={
                "runs": len(runs),
                "frames": frames,
                "longest_frames": longest,
                "worst": _clocks([int(frame) for frame in worst], measured.rate_hz),
            },
        )


def _flat_tops(measured: LevelEvidence) -> Iterator[Finding]:
    for channel in range(measured.channels):
        judged = [tops for tops in measured.flat_tops if tops.channel == channel]
        judged = [tops for tops in judged if abs(tops.level) < RAIL or len(measured.runs) == 0]
        if not judged:
            continue
        name = _name(channel, measured.channels)
        level_db = gain_to_db(max(abs(tops.level) for tops in judged))
        places = sum(len(tops.tops) for tops in judged)
        yield Finding(
            kind="clipped-before",
            start_frame=min(int(tops.tops.start_frame.min()) for tops in judged),
            stop_frame=max(int(tops.tops.stop_frame.max()) for tops in judged),
            channel=name,
            severity="look" if all(tops.is_sloped for tops in judged) else "act",
            facts={"level_dbfs": level_db, "places": places},
        )


def _too_short(measured: LevelEvidence) -> list[Finding]:
    length_s = measured.length_frames / measured.rate_hz
    if length_s >= _TOO_SHORT_S:
        return []
    return [_of_take(measured, kind="too-short", severity="look", facts={"length_s": length_s})]


def _offset(measured: LevelEvidence, format: AudioFormat) -> Iterator[Finding]:
    least = max(_LEAST_OFFSET, _step(format))
    worst = int(np.abs(measured.whole.dc).argmax())
    offset = float(measured.whole.dc[worst])
    if abs(offset) > least:
        is_in_all = bool((np.abs(measured.whole.dc) > least).all())
        yield _of_take(
            measured,
            kind="offset",
            channel="both" if is_in_all else _name(worst, measured.channels),
            severity="look",
            facts={"dc": offset, "offset_dbfs": gain_to_db(abs(offset))},
        )


def _peak_level(measured: LevelEvidence, format: AudioFormat) -> Iterator[Finding]:
    peak_dbtp = gain_to_db(measured.true_peak)
    if peak_dbtp < -24.0:
        is_coarse = format.bits <= 16 and not format.is_float
        yield _of_take(
            measured,
            kind="level-low",
            severity="look" if is_coarse else "note",
            facts={"true_peak_dbtp": peak_dbtp, "is_coarse": is_coarse},
        )
    elif measured.whole.peak.max() > 1.0:
        yield _of_take(
            measured,
            kind="over-full-scale",
            severity="note",
            facts={"true_peak_dbtp": peak_dbtp},
        )
    elif peak_dbtp > -1.0 and len(measured.runs) == 0:
        yield _of_take(
            measured,
            kind="level-hot",
            severity="note",
            facts={"true_peak_dbtp": peak_dbtp},
        )


def _source(measured: LevelEvidence, format: AudioFormat) -> Iterator[Finding]:
    bits = measured.bits_in_use
    if not format.is_float and format.bits > 16 and 0 < bits <= format.bits - 4:
        yield _of_take(
            measured,
            kind="fewer-bits",
            severity="note" if bits >= _CONVERTER_BITS else "look",
            facts={"bits_in_use": bits, "bits": format.bits},
        )
    edge = measured.band_limit
    if edge is not None:
        yield _of_take(
            measured,
            kind="band-limit",
            severity="note",
            facts={"edge_hz": edge.edge_hz, "fall_db": edge.fall_db},
        )
    mirrors = measured.mirrors
    if mirrors is not None:
        yield _of_take(
            measured,
            kind="mirrored-sound",
            severity="note",
            facts={
                "once_hz": mirrors.once_hz,
                "rate_hz": measured.rate_hz,
                "under_db": round(-mirrors.image_db, 1),
            },
        )
