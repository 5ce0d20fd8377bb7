"""``python -m tests.kernels [mend] [transfer] [combine]``: compile what most tests need, once; else two workers compile the same.

``mend`` takes most of the time; none of its kernels is needed by the others as they are run here, so that two processes share them.
"""

from __future__ import annotations

import contextlib
import io
import sys
import tempfile
from collections.abc import Collection
from pathlib import Path

import numpy as np
import soundfile

from sidekeep.cli.main import main
from tests.small_record import RATE_HZ, small_record


def compile_kernels(verbs: Collection[str]) -> None:
    """Mending a side of the small record, the whole job without it, and two playings of one side laid on each other."""
    with tempfile.TemporaryDirectory() as name, contextlib.redirect_stdout(io.StringIO()):
        folder = Path(name)
        (a, b), sleeve = small_record().write(folder)
        once_more = small_record().a.audio
        once_more = once_more + np.random.default_rng(1).normal(0.0, 2e-4, once_more.shape)
        soundfile.write(folder / "once-more.wav", once_more, RATE_HZ, subtype="PCM_24")
        jobs = (
            ["mend", a, folder / "mended.wav"],
            ["transfer", a, b, "--sleeve", sleeve, "--mend", "none", "--out", folder / "copies"],
            ["combine", a, folder / "once-more.wav", "--out", folder / "better.wav"],
        )
        for words in jobs:
            if (not verbs or words[0] in verbs) and main([str(word) for word in words]) > 1:
                raise SystemExit(f"{words[0]} did not go through; what it needs is compiled by the tests")


if __name__ == "__main__":
    compile_kernels(sys.argv[1:])
