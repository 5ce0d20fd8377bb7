"""A sound server of our own with a virtual deck: what is played into the sink is what the recorder hears."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.model.news import News
from tests.outside import not_here

NEEDED = ("pulseaudio", "pactl", "paplay")


STRETCH_S = 0.06
"""A virtual sink has no crystal: its clock is a timer of the server. Where the machine holds that up, the sink plays on later,
and to every listener this is a loss by the clock, although each sample is there."""


def told_by_a_stretched_clock(news: News) -> bool:
    """A small loss that only the clock tells of: forgiven where samples are proven exact, and nowhere else."""
    lost_s = news.facts.get("lost_s")
    return (
        news.code == "loss"
        and news.facts.get("sure") == "clock"
        and isinstance(lost_s, float)
        and lost_s < STRETCH_S
    )


class Deck:
    """The server, and a player that lowers a needle onto a file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.runtime = folder / "run" / "pulse"
        self.runtime.mkdir(parents=True)
        (folder / "home").mkdir()
        (folder / "run").chmod(0o700)
        self.environment = {
            "XDG_RUNTIME_DIR": str(self.runtime),
            "PULSE_RUNTIME_PATH": str(self.runtime),
            "PULSE_SERVER": f"unix:{self.runtime}/native",
        }
        self.start()

    def start(self) -> None:
        for name in ("pid", "native"):
            (self.runtime / name).unlink(missing_ok=True)
        subprocess.run(
            [
                "pulseaudio", "-n", "--daemonize=yes", "--exit-idle-time=-1", "--use-pid-file=yes",
                f"--log-target=file:{self.folder}/log", "--realtime=no", "--high-priority=yes",
                f"--load=module-native-protocol-unix auth-anonymous=1 socket={self.runtime}/native",
                "--load=module-null-sink sink_name=deck format=s24le rate=48000 channels=2",
                "--load=module-null-sink sink_name=microphone format=s16le rate=44100 channels=1",
            ],
            env={**os.environ, **self.environment, "HOME": str(self.folder / "home")},
            check=True,
            capture_output=True,
        )  # fmt: skip

    @property
    def process_id(self) -> int:
        return int((self.runtime / "pid").read_text())

    def play(self, path: Path) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            ["paplay", "--device=deck", str(path)], env={**os.environ, **self.environment}
        )

    def add_sink(self, name: str, channels: int, names: str) -> None:
        """Another deck, with so many channels called ``names`` (with commas)."""
        subprocess.run(
            ["pactl", "load-module", "module-null-sink", f"sink_name={name}", "format=s24le", "rate=48000",
             f"channels={channels}", f"channel_map={names}"],
            env={**os.environ, **self.environment},
            check=True,
            capture_output=True,
        )  # fmt: skip

    def play_raw(self, sink: str, steps: NDArray[np.int64], names: str) -> subprocess.Popen[bytes]:
        """Play 24-bit steps, (frames, channels), after a second of silence, which a virtual sink may swallow."""
        path = self.folder / f"{sink}.raw"
        lead = np.zeros((48_000, steps.shape[1]), np.int64)
        path.write_bytes(np.concatenate([lead, steps << 8]).astype("<i4").tobytes())
        return subprocess.Popen(
            ["paplay", f"--device={sink}", "--raw", "--format=s32le", "--rate=48000",
             f"--channels={steps.shape[1]}", f"--channel-map={names}", str(path)],
            env={**os.environ, **self.environment},
        )  # fmt: skip

    def kill(self) -> None:
        try:
            process_id = self.process_id
            os.kill(process_id, signal.SIGKILL)
        except (OSError, ValueError):
            return
        for _ in range(100):
            try:
                os.kill(process_id, 0)
            except OSError:
                return
            time.sleep(0.02)


@pytest.fixture(scope="module")
def deck() -> Iterator[Deck]:
    """A running deck for the tests of one file: a server changes the rate of an input that was used at another one. The process
    environment points at it meanwhile."""
    missing = [name for name in NEEDED if shutil.which(name) is None]
    if missing:
        not_here(f"{', '.join(missing)} not installed")
    folder = Path(tempfile.mkdtemp(prefix="deck-"))
    deck = Deck(folder)
    with patch.dict(os.environ, deck.environment):
        yield deck
        deck.kill()
    shutil.rmtree(folder, ignore_errors=True)
