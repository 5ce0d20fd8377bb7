"""Listening again gives the same: with other threads, other blocks, and another kind of arithmetic in the library for sums."""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.passes.survey import SurveyRun
from sidekeep.flow.patches import PatchWriter
from sidekeep.model.audio import AudioFormat
from sidekeep.model.recipe import MendSettings

RATE_HZ = 44_100
SECONDS = 5


def played() -> NDArray[np.float64]:
    """Falling tones over groove noise, with some forty short impulses; the same on every machine: 24-bit steps."""
    rng = np.random.default_rng(11)
    time_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    audio = 1e-3 * rng.standard_normal((len(time_s), 2))
    for hz in (110.0, 220.5, 331.0, 664.0, 1320.0):
        audio += (0.1 * np.exp(-2.0 * (time_s % 0.5)) * np.sin(2 * np.pi * hz * time_s))[:, None]
    for at in rng.integers(RATE_HZ, len(audio) - 100, 40):
        audio[at : at + 3, rng.integers(2)] += rng.uniform(0.2, 0.5) * np.array([1.0, -0.7, 0.3])
    return np.round(audio * 2**23) / 2**23


def heard(block_frames: int) -> dict[str, Any]:
    """What a survey of it gives: the patches' checksum, the repairs, and the levels."""
    audio = played()
    file = io.BytesIO()
    patches = PatchWriter(file)
    form = AudioFormat(rate_hz=RATE_HZ, channels=2, bits=24, length_frames=len(audio))
    run = SurveyRun(form, mend=MendSettings(), patches=patches)
    for at in range(0, len(audio), block_frames):
        run.process(audio[at : at + block_frames])
    survey = run.finish(form, file="side", sides=None)
    patches.close({})
    return {
        "patches": hashlib.sha256(file.getvalue()).hexdigest(),
        "repairs": [[repair.id, repair.stop_frame, repair.kind] for repair in survey.repairs],
        "peaks": survey.mended.peaks.tolist(),
        "powers": survey.mended.powers.tolist(),
    }


def test_another_process_with_other_threads_and_other_arithmetic_mends_the_same_samples() -> None:
    """Sums of the library are made in another order there (a processor of 2004, two threads). The samples that are mended
    and which they are do not depend on it; levels agree to far more than a recipe can say."""
    here = heard(131_072)
    environment = {
        **os.environ,
        "OPENBLAS_CORETYPE": "Prescott",
        "OPENBLAS_NUM_THREADS": "2",
        "NUMBA_NUM_THREADS": "1",
    }
    line = "import json; from tests.flow.test_same_samples import heard; print(json.dumps(heard(50_001)))"
    done = subprocess.run(
        [sys.executable, "-c", line], env=environment, capture_output=True, text=True, check=True, timeout=280
    )
    there = json.loads(done.stdout)
    assert len(here["repairs"]) > 20
    assert there["repairs"] == here["repairs"]
    assert there["patches"] == here["patches"]
    np.testing.assert_allclose(there["peaks"], here["peaks"], rtol=1e-9)
    np.testing.assert_allclose(there["powers"], here["powers"], rtol=1e-9)
