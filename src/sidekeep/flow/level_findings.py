"""What the level meters noticed, in plain words: what it means and what to do.

Swapped channels are not among the findings: nothing in a recording tells left from right (dsp.level.channels).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.channels import BandLimit
from sidekeep.dsp.level.clipping import RAIL, FlatTops, LevelRuns, clipped_frames
from sidekeep.dsp.level.sample_levels import LevelSums
from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Channel, Finding, Severity
from sidekeep.units import clock_text, frames_to_seconds, gain_to_db, power_to_db

_SILENT_DB = -100.0
_DEAD_BELOW_DB = -40.0
"""A channel this far under the other carries nothing but what leaks across (cartridges part the channels
by 20 to 35 dB; common practice, no source)."""
_LONGEST_DROPOUT_S = 2.0


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
    bass_likeness: float
    band_limit: BandLimit | None
    powers: NDArray[np.float64]
    window_frames: int


def find_faults(measured: LevelEvidence, format: AudioFormat) -> list[Finding]:
    """All findings of the level meters on one take."""
    if measured.length_frames == 0:
        text = "The file is whole, but there is no sound in it at all: not one frame. Record again."
        return [_of_take(measured, kind="empty", severity="act", text=text)]
    found = list(_odd_numbers(measured))
    if power_to_db(float(measured.whole.power.max())) < _SILENT_DB:
        return [*found, _silent(measured)]
    found += _channels(measured)
    found += _dropouts(measured)
    found += _clipping(measured)
    found += _flat_tops(measured)
    found += _offset(measured)
    found += _peak_level(measured, format)
    found += _source(measured, format)
    return found


def _of_take(
    measured: LevelEvidence,
    *,
    kind: str,
    severity: Severity,
    text: str,
    channel: Channel = "both",
    evidence: Mapping[str, float] | None = None,
) -> Finding:
    """A finding about the take as a whole."""
    return Finding(
        kind=kind,
        start_frame=0,
        stop_frame=measured.length_frames,
        channel=channel,
        severity=severity,
        text=text,
        evidence=evidence or {},
    )


def _name(channel: int, channels: int) -> Channel:
    if channels < 2 or channel > 1:
        return "both"
    return "R" if channel else "L"


def _words(channel: Channel) -> str:
    return {"L": "the left channel", "R": "the right channel", "both": "the sound"}[channel]


def _times(times: str, count: int) -> str:
    return f"1 {times}" if count == 1 else f"{count} {times}s"


def _count_text(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _odd_numbers(measured: LevelEvidence) -> Iterator[Finding]:
    if measured.odd_frames:
        start, stop = measured.odd_span
        yield Finding(
            kind="not-a-number",
            start_frame=start,
            stop_frame=stop,
            severity="act",
            text=f"{_times('frame', measured.odd_frames)} in this file are not numbers (NaN or infinity); "
            "how that came about is not known. They are treated as silence. Make the file again "
            "from its source if you can.",
            evidence={"frames": float(measured.odd_frames)},
        )


def _silent(measured: LevelEvidence) -> Finding:
    level_db = power_to_db(float(measured.whole.power.max()))
    return _of_take(
        measured,
        kind="silent",
        severity="act",
        text="There is no sound in this take. Check that the right input was chosen, that the phono stage is "
        "switched on and that the needle was down; turn the volume down before you try.",
        evidence={"rms_dbfs": level_db},
    )


def _channels(measured: LevelEvidence) -> Iterator[Finding]:
    music = measured.music
    if measured.channels == 1:
        yield _of_take(
            measured,
            kind="mono-file",
            severity="note",
            text="The file has one channel. That is enough for a finished mono copy; a mono record taken in "
            "stereo mends better, because the two groove walls are damaged differently.",
        )
        return
    if measured.channels > 2:
        yield _of_take(
            measured,
            kind="many-channels",
            severity="look",
            text=f"The file has {measured.channels} channels; a record has two. The first two are taken for "
            "left and right: check that they are.",
        )
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
            text=f"Nothing is heard in {_words(channel)}. Usual causes: a plug half out, a broken lead at "
            "the cartridge or a mono input. Turn the volume down and swap the two plugs at the phono "
            "stage: if the silence moves to the other side the fault is before it. Then record again.",
            evidence={"left_dbfs": levels_db[0], "right_dbfs": levels_db[1]},
        )
        return
    if measured.whole.equal_share > 0.9999:
        yield _of_take(
            measured,
            kind="dual-mono",
            severity="note",
            text="Left and right are the same, sample for sample: one channel stored twice. Right for a "
            "finished mono copy. If the record is stereo, the input, phono stage or "
            "system was set to mono: change that and record again.",
            evidence={"equal_share": measured.whole.equal_share},
        )
        return
    if measured.bass_likeness < -0.5 and music.likeness < 0.3:
        yield _of_take(
            measured,
            kind="out-of-phase",
            severity="act",
            text="The bass of left and right pulls in opposite directions: one channel is wired the wrong "
            "way round, and played through one loudspeaker the bass cancels. Turn the volume down and check "
            "the two pairs of leads at the cartridge (white and blue left, red and green right). The take can "
            "be put right by turning one channel over.",
            evidence={"bass_likeness": measured.bass_likeness, "likeness": music.likeness},
        )
    elif music.side_to_mid_db < -20.0:
        yield _of_take(
            measured,
            kind="mono-record",
            severity="note",
            text="What the two channels do not share is "
            f"{-music.side_to_mid_db:.0f} dB below what they do: this sounds like a mono record.",
            evidence={"side_to_mid_db": music.side_to_mid_db},
        )
    if abs(music.balance_db) >= 1.5:
        louder: Channel = "L" if music.balance_db > 0 else "R"
        yield _of_take(
            measured,
            kind="balance",
            channel=louder,
            severity="look" if abs(music.balance_db) >= 3.0 else "note",
            text=f"{_words(louder).capitalize()} is {abs(music.balance_db):.1f} dB louder over the music. "
            "It may be the mix. If every record leans this way, look at the gain of the two channels, the "
            "anti-skating and the cartridge's tilt.",
            evidence={"balance_db": music.balance_db},
        )


def _dropouts(measured: LevelEvidence) -> Iterator[Finding]:
    """Digital silence in the midst of sound: the computer lost audio, not the record."""
    lost = [
        (start, stop)
        for start, stop in measured.still_spans
        if start > 0
        and stop < measured.length_frames
        and stop - start <= _LONGEST_DROPOUT_S * measured.rate_hz
        and _is_loud_around(measured, start, stop)
    ]
    if lost:
        length_s = sum(stop - start for start, stop in lost) / measured.rate_hz
        places = _places([start for start, _ in lost], measured.rate_hz)
        yield Finding(
            kind="dropout",
            start_frame=lost[0][0],
            stop_frame=lost[-1][1],
            severity="act",
            text=f"The sound stops dead in {_times('place', len(lost))} ({places}), {length_s:.2f} s in all: "
            "usually because the computer lost audio while recording. That cannot be mended well; record the side again with "
            "other programs closed.",
            evidence={"places": float(len(lost)), "length_s": length_s},
        )


def _is_loud_around(measured: LevelEvidence, start: int, stop: int) -> bool:
    before = measured.powers[max(0, start // measured.window_frames - 1)]
    after = measured.powers[min(len(measured.powers) - 1, stop // measured.window_frames + 1)]
    return power_to_db(float(min(before.max(), after.max()))) > -60.0


def _places(frames: list[int], rate_hz: int) -> str:
    shown = [clock_text(frames_to_seconds(frame, rate_hz)) for frame in frames[:5]]
    return ", ".join(shown) + (" ..." if len(frames) > 5 else "")


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
        advice = (
            "So few and so short, they may be clicks only: listen there."
            if is_slight
            else "Record the side again with less gain, so that the loudest part peaks near -6 dBFS; what "
            "was cut off can only be guessed."
        )
        yield Finding(
            kind="clipped",
            start_frame=int(runs.start_frame.min()),
            stop_frame=int(runs.stop_frame.max()),
            channel=name,
            severity="look" if is_slight else "act",
            text=f"The input clipped {_count_text(len(runs))} in {_words(name)}, worst at "
            f"{_places([int(frame) for frame in worst], measured.rate_hz)}. {advice}",
            evidence={"runs": float(len(runs)), "frames": float(frames), "longest_frames": float(longest)},
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
            text=f"The tops of {_words(name)} are cut off at {level_db:.1f} dBFS, below full scale "
            f"({_times('place', places)} found): something before the converter clipped. Turn down "
            "whatever comes before the recording level (a phono stage's gain, a mixer's input), and record "
            "again.",
            evidence={"level_dbfs": level_db, "places": float(places)},
        )


def _offset(measured: LevelEvidence) -> Iterator[Finding]:
    worst = int(np.abs(measured.whole.dc).argmax())
    offset = float(measured.whole.dc[worst])
    if abs(offset) > 0.003:
        name = _name(worst, measured.channels)
        yield _of_take(
            measured,
            kind="offset",
            channel=name,
            severity="look",
            text=f"{_words(name).capitalize()} rests {gain_to_db(abs(offset)):.0f} dBFS away from zero: an "
            "offset, usually of the sound card. It takes headroom and can click at the edges of tracks.",
            evidence={"dc": offset},
        )


def _peak_level(measured: LevelEvidence, format: AudioFormat) -> Iterator[Finding]:
    peak_dbtp = gain_to_db(measured.true_peak)
    if peak_dbtp < -24.0:
        is_coarse = format.bits <= 16 and not format.is_float
        yield _of_take(
            measured,
            kind="level-low",
            severity="look" if is_coarse else "note",
            text=f"The highest peak is {peak_dbtp:.1f} dBTP. "
            + (
                "With 16 bits that leaves the music coarse: record again with more gain, peaks near -6 dBFS."
                if is_coarse
                else "With this word length nothing is lost by it; more gain is not needed."
            ),
            evidence={"true_peak_dbtp": peak_dbtp},
        )
    elif measured.whole.peak.max() > 1.0:
        yield _of_take(
            measured,
            kind="over-full-scale",
            severity="note",
            text=f"The highest peak is {peak_dbtp:.1f} dBTP, above full scale, as files of floating-point "
            "numbers can be. Nothing is cut off: the record's gain brings it down.",
            evidence={"true_peak_dbtp": peak_dbtp},
        )
    elif peak_dbtp > -1.0 and len(measured.runs) == 0:
        yield _of_take(
            measured,
            kind="level-hot",
            severity="note",
            text=f"The highest peak is {peak_dbtp:.1f} dBTP: nothing was cut off, but there was no room to "
            "spare. Aim for -6 dBFS next time.",
            evidence={"true_peak_dbtp": peak_dbtp},
        )


def _source(measured: LevelEvidence, format: AudioFormat) -> Iterator[Finding]:
    bits = measured.bits_in_use
    if not format.is_float and format.bits > 16 and 0 < bits <= format.bits - 4:
        yield _of_take(
            measured,
            kind="fewer-bits",
            severity="look",
            text=f"The file has room for {format.bits} bits, but only {bits} are ever used: it comes from a "
            f"{bits}-bit recording or converter. If you meant to record with {format.bits} bits, check the "
            "input's settings.",
            evidence={"bits_in_use": float(bits)},
        )
    edge = measured.band_limit
    if edge is not None:
        yield _of_take(
            measured,
            kind="band-limit",
            severity="note",
            text=f"The sound ends like a wall at {edge.edge_hz / 1000:.1f} kHz ({edge.fall_db:.0f} dB within "
            "1 kHz). Grooves fade gently: this file was once at a lower sample rate or in a lossy format. "
            "Use the original if there is one.",
            evidence={"edge_hz": edge.edge_hz, "fall_db": edge.fall_db},
        )
