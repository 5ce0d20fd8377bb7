"""``python -m tests.kernels``: write the table of kernels that are compiled beforehand, anew, from all that the whole job called.

Run it twice: what is compiled on the way appears in it with all that it calls.
"""

from __future__ import annotations

import contextlib
import io
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

import sidekeep.dsp
from sidekeep.cli.main import main
from sidekeep.dsp.compiling import TABLE, name_type
from tests.small_record import RATE_HZ, small_record

DEAREST = ("estimate_spans", "collect_evidence", "fit_extents", "take_back", "hop_impulse", "find_bursts")
"""17 to 2 seconds each (two cores, 2026-11-27); all others together 10."""


def run_jobs() -> None:
    """The whole job on the small record, two playings of one of its sides laid on each other, and the demo."""
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
            ["demo", "--out", folder / "demo"],
        ):
            if main([str(word) for word in words]) > 1:
                raise SystemExit(f"{words[0]} did not go through; the table would lack what it needs")


def called_kernels() -> list[str]:
    """Lines of the table for the kernels that Python itself called in this process, the dearest to compile first.

    What kernels call is among them where it was compiled just now, and not where it came out of the cache: so this wants a second run.
    """
    lines = set()
    for module in [module for name, module in sys.modules.items() if name.startswith("sidekeep.")]:
        for name, kernel in vars(module).items():
            if getattr(kernel, "py_func", None) is None or kernel.py_func.__module__ != module.__name__:
                continue
            for signature in kernel.dispatcher.signatures:
                with contextlib.suppress(ValueError):  # a type without a word: compiled where it is called
                    lines.add(f"{module.__name__}:{name}\t" + "; ".join(map(name_type, signature)))
    return sorted(lines, key=lambda line: (_place_among_dearest(line), line))


def _place_among_dearest(line: str) -> int:
    name = line.partition("\t")[0].partition(":")[2]
    return DEAREST.index(name) if name in DEAREST else len(DEAREST)


if __name__ == "__main__":
    run_jobs()
    table = Path(sidekeep.dsp.__file__).with_name(TABLE)
    table.write_text("".join(f"{line}\n" for line in called_kernels()), encoding="utf-8")
