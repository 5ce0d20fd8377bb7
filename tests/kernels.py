"""``python -m tests.kernels``: compile what most tests need, once, while the code is being checked; else two workers compile the same."""

from __future__ import annotations

import contextlib
import io
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from sidekeep.cli.main import main
from tests.small_record import RATE_HZ, small_record


def compile_kernels() -> None:
    """The whole job on the small record, and two playings of one of its sides laid on each other."""
    with tempfile.TemporaryDirectory() as name, contextlib.redirect_stdout(io.StringIO()):
        folder = Path(name)
        (a, b), sleeve = small_record().write(folder)
        once_more = small_record().a.audio
        once_more = once_more + np.random.default_rng(1).normal(0.0, 2e-4, once_more.shape)
        soundfile.write(folder / "once-more.wav", once_more, RATE_HZ, subtype="PCM_24")
        for words in (
            ["mend", a, folder / "mended.wav"],
            ["transfer", a, b, "--sleeve", sleeve, "--out", folder / "copies"],
            ["combine", a, folder / "once-more.wav", "--out", folder / "better.wav"],
        ):
            if main([str(word) for word in words]) > 1:
                raise SystemExit(f"{words[0]} did not go through; what it needs is compiled by the tests")


if __name__ == "__main__":
    compile_kernels()
