"""The running survey: whatever pieces a take arrives in, the same survey and the same patches, byte for byte."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.flow.passes.survey import BLOCK_FRAMES, Survey, SurveyRun, survey_take
from sidekeep.flow.patches import PatchWriter
from sidekeep.model.audio import AudioFormat
from sidekeep.model.recipe import MendSettings
from sidekeep.model.record import Side, SleeveTrack
from sidekeep.press.disc.side import Piece, press_side
from tests.small_record import SETTINGS, play, small_record

SIDES = (
    Side(
        name="A", tracks=(SleeveTrack(number=1, title="x", duration_s=8.0), SleeveTrack(number=2, title="y"))
    ),
)
TAKES = ("two tracks at 44.1 kHz", "mono at 96 kHz", "odd numbers at 48 kHz")


@cache
def take(name: str) -> tuple[NDArray[np.float64], int]:
    """Audio and rate."""
    if name == TAKES[0]:
        return small_record().a.audio, 44_100
    if name == TAKES[1]:
        pieces = [Piece(audio=play(123.0, 6.0, 96_000), title="")]
        return press_side(pieces, rate_hz=96_000, settings=SETTINGS, seed=3).audio[:, :1].copy(), 96_000
    audio = press_side(
        [Piece(audio=play(98.0, 5.0, 48_000), title="")], rate_hz=48_000, settings=SETTINGS, seed=4
    ).audio
    audio[200_000:200_003, 1] = np.nan
    audio[-5] = np.inf
    return audio, 48_000


class Arrays:
    """A take in memory."""

    def __init__(self, audio: NDArray[np.float64], form: AudioFormat) -> None:
        self.audio, self.format = audio, form

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[NDArray[np.float64]]:
        for start in range(start_frame, len(self.audio), block_frames):
            yield self.audio[start : start + block_frames]

    def read(self, start_frame: int, stop_frame: int) -> NDArray[np.float64]:
        return self.audio[start_frame:stop_frame]


def form_of(audio: NDArray[np.float64], rate_hz: int) -> AudioFormat:
    return AudioFormat(rate_hz=rate_hz, channels=audio.shape[1], bits=24, length_frames=len(audio))


@cache
def whole(name: str) -> tuple[Survey, bytes]:
    """As a closed file is surveyed."""
    audio, rate_hz = take(name)
    patches = io.BytesIO()
    source = Arrays(audio, form_of(audio, rate_hz))
    writer = PatchWriter(patches)
    survey = survey_take(source, file="take", sides=SIDES, mend=MendSettings(), patches=writer)
    writer.close()
    return survey, patches.getvalue()


def arrivals(random: np.random.Generator, count: int) -> list[int]:
    """Edges of the pieces a take comes in: crumbs, bursts, whole blocks, nothing at all."""
    edges = [0]
    while edges[-1] < count:
        kind = random.integers(5)
        size = (
            0,
            int(random.integers(1, 300)),
            4800,
            BLOCK_FRAMES,
            int(random.integers(1, 5 * BLOCK_FRAMES)),
        )[kind]
        edges.append(min(count, edges[-1] + size))
    return edges


def assert_same(mine: Survey, theirs: Survey) -> None:
    for field in fields(Survey):
        one, other = getattr(mine, field.name), getattr(theirs, field.name)
        if field.name == "envelope":
            assert one.tobytes() == other.tobytes()
        elif field.name in ("mended", "recorded"):
            assert one.powers.tobytes() == other.powers.tobytes()
            assert one.peaks.tobytes() == other.peaks.tobytes()
        else:
            assert one == other, field.name


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", TAKES)
def test_any_arrival_gives_the_same_bytes(name: str, seed: int) -> None:
    audio, rate_hz = take(name)
    form, patches = form_of(audio, rate_hz), io.BytesIO()
    writer = PatchWriter(patches)
    run = SurveyRun(replace(form, length_frames=0), mend=MendSettings(), patches=writer)
    edges = arrivals(np.random.default_rng(seed), len(audio))
    for number, (start, stop) in enumerate(zip(edges, edges[1:], strict=False)):
        run.process(audio[start:stop])
        if number % 7 == 0:
            run.settle()  # as somebody who looks at it on the way does
    survey = run.finish(form, file="take", sides=SIDES)
    writer.close()
    assert_same(survey, whole(name)[0])
    assert patches.getvalue() == whole(name)[1]
    assert len(whole(name)[1]) > 100


def test_of_a_take_that_was_decoded_from_an_mp3_one_finding_tells_where_it_ends() -> None:
    """The edge its encoder left is no news then."""
    file = io.BytesIO()
    audio, rate_hz = take(TAKES[0])
    soundfile.write(file, audio[: 8 * rate_hz], rate_hz, format="MP3", subtype="MPEG_LAYER_III")
    file.seek(0)
    decoded = soundfile.read(file, dtype="int16", always_2d=True)[0] / 32_768.0
    kinds = {}
    for container in ("mp3", "wav"):
        form = replace(form_of(decoded, rate_hz), container=container)
        survey = survey_take(Arrays(decoded, form), file="x", sides=None, mend=MendSettings(enabled=False))
        kinds[container] = {finding.kind for finding in survey.findings} & {"decoded-copy", "band-limit"}
    assert kinds == {"mp3": {"band-limit"}, "wav": {"decoded-copy"}}


def test_what_is_abandoned_waits_for_no_meter(monkeypatch: pytest.MonkeyPatch) -> None:
    """A meter whose kernels are being compiled is at work for a minute."""
    audio, rate_hz = take(TAKES[0])
    run = SurveyRun(form_of(audio, rate_hz), mend=MendSettings(enabled=False), patches=None)
    may_end, ended = threading.Event(), threading.Event()

    def compiled(block: NDArray[np.float64], clean: NDArray[np.float64]) -> None:
        may_end.wait(5.0)
        ended.set()

    monkeypatch.setattr(run.meters, "process", compiled)
    run.process(audio[: 2 * BLOCK_FRAMES])
    run.abandon()
    assert not ended.is_set()
    may_end.set()


def test_a_length_that_was_not_heard_is_refused() -> None:
    audio, rate_hz = take(TAKES[1])
    run = SurveyRun(form_of(audio, rate_hz), mend=MendSettings())
    run.process(audio[:1000])
    with pytest.raises(ParameterError, match="1000 frames that were heard"):
        run.finish(form_of(audio, rate_hz), file="take", sides=None)
    run.abandon()


@pytest.mark.parametrize(
    ("container", "lossy"), [("mp3", True), ("opus", True), ("flac", False), ("wav", False)]
)
def test_a_survey_tells_the_mender_that_its_file_is_lossy(container: str, lossy: bool) -> None:
    run = SurveyRun(
        AudioFormat(rate_hz=44_100, channels=2, bits=16, container=container), mend=MendSettings()
    )
    assert run.mender.lossy is lossy
    run.abandon()
