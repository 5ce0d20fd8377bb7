"""How a process that listens on its standard input is ended."""

from __future__ import annotations

import contextlib
import subprocess


def end_process(process: subprocess.Popen[bytes], wait_s: float) -> None:
    """Say that nothing more comes, by closing its standard input; it is killed when it has not ended ``wait_s`` later."""
    assert process.stdin is not None
    with contextlib.suppress(OSError):
        process.stdin.close()
    try:
        process.wait(timeout=wait_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
