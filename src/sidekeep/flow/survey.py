"""The survey: ONE pass over a take fills every measure at once.

Every block goes to the meters and to the mender; what the mender gives back goes to the meters of the
mended level and, as differences, to a patch file. So the level after mending is known exactly before
anything is rendered, and rendering is only *take + patches + gain* (``flow.render``).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.turn.period import TurnEstimate, agree_on_turn, estimate_turn, estimate_turn_from_sway
from sidekeep.flow.cut import find_cuts
from sidekeep.flow.kept_levels import KeptLevels
from sidekeep.flow.measures import LevelMeter, PeakLoudnessMeter
from sidekeep.flow.mend import Mender
from sidekeep.flow.noise import NoiseMeter
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.patches import PatchWriter
from sidekeep.flow.ports import Audio, AudioSource, Progress, no_progress
from sidekeep.flow.side_features import SideFeatures
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Finding
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.recipe import MendSettings
from sidekeep.model.record import Side
from sidekeep.model.repair import Repair

BLOCK_FRAMES = 131072
METERED_LATE = 8
"""Blocks the meters may lie behind the mender: neither waits for the other's slow moments."""
_WALLS = {"L": 1, "R": 2, "both": 3}
_SEVERITY_ORDER = {"act": 0, "look": 1, "note": 2}


@dataclass(frozen=True, kw_only=True)
class Survey:
    """Everything known about one take. ``mended`` holds peaks and powers of the mended take."""

    file: str
    format: AudioFormat
    cuts: Cuts
    level: Level
    noise: Noise
    clicks: Clicks
    turn: Turn
    findings: tuple[Finding, ...]
    repairs: tuple[Repair, ...]
    envelope: NDArray[np.float64]
    mended: KeptLevels


def survey_take(
    source: AudioSource,
    *,
    file: str,
    sides: Sequence[Side] | None,
    mend: MendSettings,
    patches: PatchWriter | None = None,
    progress: Progress = no_progress,
) -> Survey:
    """Read the take once and know everything about it.

    ``sides`` are the sleeve's sides expected on this take, in order; None when nothing is known.
    With ``patches`` the mended samples are kept there.
    """
    form = source.format
    meters = _Meters(form)
    mender = Mender(mend, rate_hz=form.rate_hz, channels=form.channels)
    mended_meter = PeakLoudnessMeter(rate_hz=form.rate_hz, channels=form.channels)
    delay = _Delay()

    def keep(mended: Audio) -> None:
        mended_meter.process(mended)
        for start, original, part in delay.match(mended):
            if patches is not None:
                patches.add(start, original, part)

    metering: deque[Future[None]] = deque()
    with (
        ThreadPoolExecutor(1, thread_name_prefix="read") as reading,
        ThreadPoolExecutor(1, thread_name_prefix="meters") as measuring,
    ):
        for done, block in _read_ahead(source, reading):
            clean = numbers_only(block)
            metering.append(measuring.submit(meters.process, block, clean))
            delay.hold(block)
            keep(mender.process(clean))
            if len(metering) > METERED_LATE:
                metering.popleft().result()
            progress(0.97 * done / max(1, form.length_frames), "listening")
        for job in metering:
            job.result()
    keep(mender.flush())
    progress(0.98, "finding the tracks")
    repairs, mender_findings = tuple(mender.repairs), tuple(mender.findings)
    # Finding the tracks of an hour needs room of its own: the mender's buffers go first.
    del mender
    survey = _conclude(source, file, sides, meters, repairs, mender_findings, mended_meter)
    progress(1.0, "surveyed")
    return survey


class _Meters:
    """All that looks at the take as it was recorded."""

    def __init__(self, form: AudioFormat) -> None:
        self.features = SideFeatures(rate_hz=form.rate_hz, channels=form.channels)
        self.level = LevelMeter(rate_hz=form.rate_hz, channels=form.channels)
        self.noise = NoiseMeter(rate_hz=form.rate_hz, channels=form.channels)

    def process(self, block: Audio, clean: Audio) -> None:
        """The block as it was read, and with numbers only."""
        self.level.process(block, is_clean=clean is block)
        self.features.process(clean)
        self.noise.process(clean)


class _Delay:
    """Original blocks held until the mender, which looks ahead, gives their mended form back."""

    def __init__(self) -> None:
        self._held: deque[Audio] = deque()
        self._start_frame = 0

    def hold(self, block: Audio) -> None:
        self._held.append(block)

    def match(self, mended: Audio) -> Iterator[tuple[int, Audio, Audio]]:
        """(start frame, original, mended) pieces of equal length."""
        at = 0
        while at < len(mended):
            original = self._held.popleft()
            count = min(len(original), len(mended) - at)
            yield self._start_frame, original[:count], mended[at : at + count]
            if count < len(original):
                self._held.appendleft(original[count:])
            at += count
            self._start_frame += count


def _read_ahead(source: AudioSource, pool: ThreadPoolExecutor) -> Iterator[tuple[int, Audio]]:
    """Blocks with the frames read so far; the next one is decoded while this one is worked on."""
    blocks = source.blocks(BLOCK_FRAMES)
    step: Callable[[], Audio | None] = lambda: next(blocks, None)  # noqa: E731
    done = 0
    waiting = pool.submit(step)
    while (block := waiting.result()) is not None:
        waiting = pool.submit(step)
        done += len(block)
        yield done, block


def _conclude(
    source: AudioSource,
    file: str,
    sides: Sequence[Side] | None,
    meters: _Meters,
    repairs: tuple[Repair, ...],
    mender_findings: Sequence[Finding],
    mended: PeakLoudnessMeter,
) -> Survey:
    form = source.format
    with ThreadPoolExecutor(1, thread_name_prefix="conclude") as pool:
        sway = pool.submit(estimate_turn_from_sway, meters.noise.sway_series(), meters.noise.sway_rate_hz)
        features = meters.features.finish()
        cuts, cut_findings = find_cuts(features, sides=sides)
        measured = pool.submit(meters.noise.finish, features.groove_spans(cuts), features.idle_spans(cuts))
        music = [(side.music_start_frame, side.music_stop_frame) for side in cuts.sides]
        down = [(side.needle_down_frame, side.needle_up_frame) for side in cuts.sides]
        clicks = click_statistics(repairs, down, form)
        turn = turn_of(repairs, form, cuts, sway.result())
        noise = measured.result()
    findings = [
        *cut_findings,
        *meters.level.findings(form, music or None),
        *meters.noise.findings,
        *mender_findings,
    ]
    findings.sort(key=lambda finding: (_SEVERITY_ORDER[finding.severity], finding.start_frame))
    return Survey(
        file=file,
        format=form,
        cuts=cuts,
        level=meters.level.finish(),
        noise=noise,
        clicks=clicks,
        turn=turn,
        findings=tuple(findings),
        repairs=repairs,
        envelope=features.envelope,
        mended=KeptLevels.of(mended),
    )


def click_statistics(repairs: Sequence[Repair], down: Sequence[tuple[int, int]], form: AudioFormat) -> Clicks:
    """Counts over the spans with the needle down (the whole take when none was found)."""
    spans = list(down) or [(0, form.length_frames)]
    inside = [
        repair for repair in repairs if any(start <= repair.start_frame < stop for start, stop in spans)
    ]
    frames = sum(stop - start for start, stop in spans)
    samples = sum(
        (repair.stop_frame - repair.start_frame) * (form.channels if repair.channel == "both" else 1)
        for repair in inside
    )
    return Clicks(
        count=len(inside),
        per_min=60.0 * len(inside) * form.rate_hz / max(1, frames),
        share_of_samples=samples / max(1, frames * form.channels),
    )


def turn_of(repairs: Sequence[Repair], form: AudioFormat, cuts: Cuts, sway: TurnEstimate) -> Turn:
    """The turn period: from the damage that comes back once per turn and from the sway of the bass."""
    times = np.array([repair.start_frame / form.rate_hz for repair in repairs])
    sizes = np.array([max(repair.size_db, 0.0) for repair in repairs])
    channels = np.array([_WALLS[repair.channel] for repair in repairs])
    clicks = estimate_turn(
        times, sizes, duration_s=form.length_s, channels=channels, locked_groove_s=_after_music(cuts)
    )
    found = agree_on_turn(clicks, sway)
    return Turn(rpm=found.rpm, period_s=found.period_s, sd_ppm=found.sd_ppm, source=found.source)


def _after_music(cuts: Cuts) -> tuple[float, float] | None:
    """From a turn after the music to the lift of the needle: there the locked groove ticks."""
    if len(cuts.sides) != 1:
        return None
    side = cuts.sides[0]
    start_s, stop_s = side.music_stop_frame / cuts.rate_hz + 1.8, side.needle_up_frame / cuts.rate_hz
    return (start_s, stop_s) if stop_s > start_s else None
