"""The survey: ONE pass over a take fills every measure at once.

Every block goes to the meters and to the mender; what the mender gives back goes to the meters of the
mended level, and every repair by itself to a patch file. So the level after mending is known exactly before
anything is rendered, and rendering is only *take + patches + gain* (``flow.passes.render``).

``SurveyRun`` is the pass as a running object, for a take that is read from a file and for one that still grows. It
cuts what arrives into blocks of its own, so result and patches are the same, byte for byte, however the frames came.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.turn.period import estimate_turn_from_sway
from sidekeep.errors import ParameterError
from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.measuring.measures import LevelMeter, PeakLoudnessMeter
from sidekeep.flow.measuring.noise import NoiseMeter
from sidekeep.flow.mend import Mender
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.passes.survey_sums import click_statistics, speed_findings, turn_of
from sidekeep.flow.patches import PatchWriter, number_pieces
from sidekeep.flow.ports import Audio, AudioSource, Progress, no_progress
from sidekeep.flow.tracks.cut import find_cuts
from sidekeep.flow.tracks.side_features import SideFeatures
from sidekeep.flow.tracks.turns_again import needle_findings, turns_again_in_music
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Finding
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.recipe import MendSettings
from sidekeep.model.record import Side
from sidekeep.model.repair import Repair

SURVEY_VERSION = 13
"""Raise it when a survey finds, measures or keeps something else: kept surveys are made again then."""
BLOCK_FRAMES = 131072
"""Some three seconds at 44.1 and 48 kHz; no sample depends on it."""
METERED_LATE = 8
"""Blocks the meters may lie behind the mender: neither waits for the other's slow moments."""
_SEVERITY_ORDER = {"act": 0, "look": 1, "note": 2}


@dataclass(frozen=True, kw_only=True)
class Survey:
    """Everything known about one take. ``mended`` and ``recorded`` hold peaks and powers after and before mending."""

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
    recorded: KeptLevels


@dataclass(frozen=True)
class _Mended:
    """What the mender had to tell when all was heard."""

    repairs: tuple[Repair, ...]
    findings: tuple[Finding, ...]
    owners: tuple[int, ...]


class SurveyRun:
    """A survey under way: ``process`` what arrives, then ``finish``; or ``abandon``.

    ``form`` need not know the length yet. With ``patches`` the mended samples are kept there. Not for several threads.
    """

    def __init__(self, form: AudioFormat, *, mend: MendSettings, patches: PatchWriter | None = None) -> None:
        self.form = form
        self.meters = Meters(form)
        self.mender = Mender(mend, rate_hz=form.rate_hz, channels=form.channels, lossy=form.is_lossy)
        self.length_frames = 0
        self._mended_meter = PeakLoudnessMeter(rate_hz=form.rate_hz, channels=form.channels)
        self._patches = patches
        self._held: list[Audio] = []
        self._held_frames = 0
        self._stepped_frames = 0
        self._measuring = ThreadPoolExecutor(1, thread_name_prefix="meters")
        self._metering: deque[Future[None]] = deque()
        self._mended: _Mended | None = None

    def process(self, block: Audio) -> None:
        """The next frames, (n, channels), n of any size. The block is kept for a while: it must not be written to."""
        self.length_frames += len(block)
        while self._held_frames + len(block) >= BLOCK_FRAMES:
            missing = BLOCK_FRAMES - self._held_frames
            self._hold(block[:missing])
            self._step()
            block = block[missing:]
        self._hold(block)

    def settle(self) -> None:
        """Wait until the meters have heard what the mender was given: they may be looked at then."""
        while self._metering:
            self._metering.popleft().result()

    def mended_peak_so_far(self, start_frame: int) -> float:
        """Linear true peak after mending from a frame on, of what is mended by now; 0 before there is any."""
        first = start_frame // self._mended_meter.window_frames
        return float(self._mended_meter.window_peaks[first:].max(initial=0.0))

    def finish(
        self,
        form: AudioFormat,
        *,
        file: str,
        sides: Sequence[Side] | None,
        others: Sequence[Side] = (),
        progress: Progress = no_progress,
    ) -> Survey:
        """Everything known about the take. ``form`` is that of the whole take, ``sides`` as for ``survey_take``. May be asked
        again for other sides of the sleeve."""
        if form.length_frames != self.length_frames:
            raise ParameterError(
                "survey-length", given_frames=form.length_frames, heard_frames=self.length_frames
            )
        if self._mended is None:
            self._mended = self._hear_out()
        progress(0.98, "finding the tracks")
        survey = _conclude(form, file, sides, others, self.meters, self._mended, self._mended_meter)
        progress(1.0, "surveyed")
        return survey

    @property
    def owners(self) -> Sequence[int]:
        """Which repair every number of the patches belongs to, once the run is finished."""
        return self._mended.owners if self._mended is not None else ()

    def _hear_out(self) -> _Mended:
        if self._held_frames:
            self._step()
        self.settle()
        self._measuring.shutdown()
        self._keep(self.mender.flush())
        mended = _Mended(tuple(self.mender.repairs), tuple(self.mender.findings), tuple(self.mender.owners))
        if self._patches is not None:
            self._patches.set_owners(mended.owners)
        # Finding the tracks of an hour needs room of its own: the mender's buffers go first.
        del self.mender
        return mended

    def abandon(self) -> None:
        """Stop; nothing is concluded. What is just measured is not waited for: it may have to be compiled first."""
        self._measuring.shutdown(wait=False, cancel_futures=True)

    def _hold(self, block: Audio) -> None:
        if len(block):
            self._held.append(block)
            self._held_frames += len(block)

    def _step(self) -> None:
        block = self._held[0] if len(self._held) == 1 else np.concatenate(self._held)
        self._held, self._held_frames = [], 0
        clean = numbers_only(block)
        self._metering.append(self._measuring.submit(self.meters.process, block, clean))
        if clean is not block and self._patches is not None:
            self._patches.add(number_pieces(self._stepped_frames, block))
        self._stepped_frames += len(block)
        self._keep(self.mender.process(clean))
        if len(self._metering) > METERED_LATE:
            self._metering.popleft().result()

    def _keep(self, mended: Audio) -> None:
        self._mended_meter.process(mended)
        pieces = self.mender.take_pieces()
        if self._patches is not None:
            self._patches.add(pieces)


def survey_take(
    source: AudioSource,
    *,
    file: str,
    sides: Sequence[Side] | None,
    mend: MendSettings,
    others: Sequence[Side] = (),
    patches: PatchWriter | None = None,
    progress: Progress = no_progress,
) -> Survey:
    """Read the take once and know everything about it.

    ``sides`` are the sleeve's sides expected on this take, in order; None when nothing is known. ``others`` are all sides
    of the record: the take may turn out to be another one.
    With ``patches`` the mended samples are kept there.
    """
    form = source.format
    run = SurveyRun(form, mend=mend, patches=patches)
    try:
        with ThreadPoolExecutor(1, thread_name_prefix="read") as reading:
            for block in _read_ahead(source, reading):
                run.process(block)
                progress(0.97 * run.length_frames / max(1, form.length_frames), "listening")
        return run.finish(form, file=file, sides=sides, others=others, progress=progress)
    except BaseException:
        run.abandon()
        raise


class Meters:
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


def _read_ahead(source: AudioSource, pool: ThreadPoolExecutor) -> Iterator[Audio]:
    """The blocks of a take; the next one is decoded while this one is worked on."""
    blocks = source.blocks(BLOCK_FRAMES)

    def following() -> Audio | None:
        return next(blocks, None)

    waiting = pool.submit(following)
    while (block := waiting.result()) is not None:
        waiting = pool.submit(following)
        yield block


def _conclude(
    form: AudioFormat,
    file: str,
    sides: Sequence[Side] | None,
    others: Sequence[Side],
    meters: Meters,
    mended: _Mended,
    mended_meter: PeakLoudnessMeter,
) -> Survey:
    with ThreadPoolExecutor(1, thread_name_prefix="conclude") as pool:
        sway = pool.submit(estimate_turn_from_sway, meters.noise.sway_series(), meters.noise.sway_rate_hz)
        whole = meters.features.finish()
        again = turns_again_in_music(whole, meters.features.watch)
        features = whole.without([(each.start_frame, each.stop_frame) for each in again])
        cuts, cut_findings = find_cuts(features, sides=sides, others=others)
        measured = pool.submit(meters.noise.finish, features.groove_spans(cuts), features.idle_spans(cuts))
        music = [(side.music_start_frame, side.music_stop_frame) for side in cuts.sides]
        down = [(side.needle_down_frame, side.needle_up_frame) for side in cuts.sides]
        clicks = click_statistics([one for one in mended.repairs if not one.in_doubt], down, form)
        turn = turn_of(mended.repairs, form, cuts, sway.result())
        noise = measured.result()
    findings = [
        *cut_findings,
        *needle_findings(again, cuts, turn),
        *meters.level.findings(form, music or None),
        *meters.noise.findings,
        *mended.findings,
        *speed_findings(turn, form.length_frames),
    ]
    # the first says why the sound ends where it does, the second why there is no noise
    for said, moot in (("decoded-copy", "band-limit"), ("silent", "noise-guessed")):
        if any(finding.kind == said for finding in findings):
            findings = [finding for finding in findings if finding.kind != moot]
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
        repairs=mended.repairs,
        envelope=whole.envelope,
        mended=KeptLevels.of(mended_meter),
        recorded=KeptLevels.of(meters.level),
    )
