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
        main(["mend", str(a), str(folder / "mended.wav")])
        main(["transfer", str(a), str(b), "--sleeve", str(sleeve), "--out", str(folder / "copies")])
        main(["combine", str(a), str(folder / "mended.wav"), "--out", str(folder / "better.wav")])


if __name__ == "__main__":
    compile_kernels()
