"""``python -m tests.kernels``: compile what most tests need, once, while the code is being checked; else two workers compile the same."""

from __future__ import annotations

import contextlib
import io
import tempfile
from pathlib import Path

from sidekeep.cli.main import main
from tests.small_record import small_record


def compile_kernels() -> None:
    """The whole job on the small record, and two of its takes laid on each other."""
    with tempfile.TemporaryDirectory() as name, contextlib.redirect_stdout(io.StringIO()):
        folder = Path(name)
        (a, b), sleeve = small_record().write(folder)
        for words in (
            ["mend", a, folder / "mended.wav"],
            ["transfer", a, b, "--sleeve", sleeve, "--out", folder / "copies"],
            ["combine", a, folder / "mended.wav", "--out", folder / "better.wav"],
        ):
            if main([str(word) for word in words]) > 1:
                raise SystemExit(f"{words[0]} did not go through; what it needs is compiled by the tests")


if __name__ == "__main__":
    compile_kernels()
