"""Streams of a command that are closed or full: what a script or a timer may start it with."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile


@pytest.mark.skipif(os.name == "nt", reason="streams are not closed like this there")
@pytest.mark.parametrize("closed", [(0,), (1,), (2,), (0, 1, 2)])
def test_a_command_whose_streams_are_closed_does_its_work(tmp_path: Path, closed: tuple[int, ...]) -> None:
    """And prints into no file that it opens: the first would get the number of the stream that is missing."""
    sound = tmp_path / "one.wav"
    soundfile.write(sound, np.random.default_rng(1).normal(0.0, 0.05, (4410, 2)), 44_100)

    def close() -> None:
        for number in closed:
            os.close(number)

    ended = subprocess.run(
        [sys.executable, "-m", "sidekeep", "adopt", str(sound), "--shelf", str(tmp_path / "shelf")],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        preexec_fn=close,
        timeout=120,
    )
    assert ended.returncode == 0
    (take,) = (tmp_path / "shelf").glob("*/takes/A-1/take.wav")
    assert take.read_bytes() == sound.read_bytes()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device here that is always full")
def test_an_output_that_is_full_is_told_apart_from_a_disk_that_is(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "sidekeep", "copies", "--copies", "list"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
        )
    assert ended.returncode != 0
    assert "output" in ended.stderr


@pytest.mark.skipif(os.name == "nt", reason="names are UTF-16 there")
def test_names_are_read_as_utf_8_in_any_locale(tmp_path: Path) -> None:
    """Python takes names of files to be in the encoding of the locale where nothing else is said (PEP 538 and PEP 540 switched
    off here stand for a locale such as ISO 8859-1, which this machine need not have)."""
    sleeve = tmp_path / "étui.txt"
    sleeve.write_text("Marrow Lane - Café Hours (1974)\nSide A\nA1 Dew 3:45\n", "utf-8")
    surroundings = {**os.environ, "LC_ALL": "POSIX", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    surroundings.pop("PYTHONIOENCODING", None)
    shelf = ["--shelf", str(tmp_path / "régal")]
    for words in (["plan", str(sleeve)], ["list"]):
        ended = subprocess.run(
            [sys.executable, "-m", "sidekeep", "shelf", *words, *shelf],
            capture_output=True,
            env=surroundings,
            timeout=120,
        )
        assert (ended.returncode, ended.stderr) == (0, b"")
        assert b"Caf\\xe9 Hours" in ended.stdout  # what the terminal cannot show is printed escaped
    assert (tmp_path / "régal" / "Marrow Lane - Café Hours (1974)" / "sleeve.txt").is_file()
