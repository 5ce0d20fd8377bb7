"""A terminal that is closed while a side is recorded: the take is closed and on the shelf, and nothing is left running."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.shelf.record_folder import RecordFolder
from tests.cli.test_ends import Terminal
from tests.devices.conftest import Deck, deck  # noqa: F401  (a fixture)

RATE_HZ = 48_000
pytestmark = [pytest.mark.device, pytest.mark.slow]


def test_a_closed_window_keeps_the_take_and_leaves_nothing_running(
    deck: Deck,  # noqa: F811
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    record = RecordFolder.create(
        tmp_path / "shelf" / "a record", sleeve="Marrow Lane - The Orchard Hours (1974)\nSide A\nA1 Dew\n"
    )
    noise = np.random.default_rng(1).standard_normal((60 * RATE_HZ, 2)) * 0.05
    soundfile.write(tmp_path / "side.wav", noise, RATE_HZ, subtype="PCM_24")
    words = [
        "take",
        "a record",
        "A",
        "--shelf",
        str(tmp_path / "shelf"),
        "--input",
        "deck.monitor",
        "--no-survey",
        "--by-key",
    ]
    program = "import sys; from sidekeep.cli.main import main; sys.exit(main(sys.argv[1:]))"
    terminal = Terminal("-c", program, *words)
    player = None
    try:
        terminal.wait_for("armed for side A", 120.0)
        player = deck.play(tmp_path / "side.wav")
        os.write(terminal.screen, b"s")
        terminal.wait_for(r"on the disk: 0:(0[4-9]|[1-5]\d)", 120.0)
        terminal.close()
        terminal.leave(120.0)
    finally:
        if player is not None:
            player.kill()
            player.wait()
    (take,) = record.takes()
    assert take.length_s > 3.0
    assert take.files[0].sha256
    path = record.path / take.folder / "take.wav"
    assert path.stat().st_mode & 0o222 == 0
    assert [each.name for each in path.parent.iterdir() if each.name.startswith(".room")] == []
    assert running_below(terminal.pid, str(tmp_path)) == []


def running_below(process_id: int, words: str) -> list[str]:
    """Processes that belong to the program or name its folder, half a minute after its end at the latest."""
    for _ in range(300):
        listed = subprocess.run(
            ["ps", "-eo", "pid,ppid,sess,args"], capture_output=True, text=True, check=True
        ).stdout.splitlines()
        found = [
            line
            for line in listed
            if str(process_id) in line.split()[1:3]
            or (words in line and str(os.getpid()) not in line.split()[:2])
        ]
        found = [line for line in found if sys.executable in line or "sidekeep" in line]
        if not found:
            return []
        time.sleep(0.1)
    return found
