"""What a file tells of itself, and a side of which no music is found: on the page as in the report, and no dead end.

Of a FLAC file the sum that does not hold is in its STREAMINFO block (RFC 9639, section 8.2); of a WAV file the size of its data.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from sidekeep.service.shelf.adopting import adopt
from tests.shared import made_once
from tests.small_record import RATE_HZ, SLEEVE, small_record
from tests.web.conftest import RunningServer, record_of
from tests.web.test_comparing import wait

MD5_BYTE = 26
"""The first of the sum: after the marker (4), the head of the block (4) and 18 bytes of sizes and rate."""


def odd_takes(folder: Path) -> None:
    """A shelf: side A with a sum that does not hold, side B cut short, side C with nothing but noise."""
    folder.mkdir(parents=True, exist_ok=True)
    pressed = small_record()
    first, second, third = folder / "side-A.flac", folder / "side-B.wav", folder / "side-C.wav"
    soundfile.write(first, pressed.a.audio, RATE_HZ, subtype="PCM_16")
    content = bytearray(first.read_bytes())
    content[MD5_BYTE] ^= 0xFF
    first.write_bytes(content)
    soundfile.write(second, pressed.b.audio, RATE_HZ, subtype="PCM_24")
    second.write_bytes(second.read_bytes()[:-300_000])
    noise = np.random.default_rng(0).normal(0.0, 10 ** (-66 / 20), (RATE_HZ * 20, 2))
    soundfile.write(third, noise, RATE_HZ, subtype="PCM_24")
    (folder / "sleeve.txt").write_text(f"{SLEEVE}Side C\nC1 Fifth Wheel 0:15\n")
    adopt([first, second, third], shelf=folder / "shelf", sleeve_path=folder / "sleeve.txt")


@pytest.fixture
def odd(tmp_path: Path) -> Iterator[RunningServer]:
    shelf = made_once("odd-takes", odd_takes, tmp_path) / "shelf"
    shutil.copytree(shelf, tmp_path / "own")
    server = RunningServer(tmp_path / "own")
    yield server
    server.close()


def view(server: RunningServer, letter: str) -> Any:
    (take,) = [side["chosen_take"] for side in record_of(server)["sides"] if side["side"] == letter]
    return server.get(f"/api/takes/{take}/view")


def doubts(server: RunningServer) -> dict[str, list[str]]:
    return {
        side["side"]: [each["why"]["code"] for each in side["unsure"]] for side in record_of(server)["sides"]
    }


def survey(server: RunningServer) -> str:
    record = str(record_of(server)["id"])
    wait(server, server.ask("POST", f"/api/records/{record}/survey").json())
    return record


def test_what_a_file_tells_of_itself_is_looked_at_and_a_side_without_music_is_not_sure(
    odd: RunningServer,
) -> None:
    # Before anything is surveyed.
    assert [line["code"] for line in view(odd, "B")["findings"]] == ["truncated-file"]
    survey(odd)
    told = doubts(odd)
    assert "own-sum-differs" in told["A"]
    assert "truncated-file" in told["B"]
    assert "side-missing" in told["C"]
    assert "truncated-file" in [line["code"] for line in view(odd, "B")["findings"]]
    (summary,) = odd.get("/api/records")["records"]
    assert {side["side"]: side["unsure_count"] for side in summary["sides"]} == {
        letter: len(codes) for letter, codes in told.items()
    }


def test_a_side_without_music_is_cut_by_hand_and_that_is_undone(odd: RunningServer) -> None:
    (record,) = odd.get("/api/records")["records"]
    path = f"/api/records/{record['id']}"
    edit = {"edit": {"kind": "split", "side": "C", "frame": 3 * RATE_HZ}}
    assert odd.ask("POST", f"{path}/edits", edit).status == 404  # what is not surveyed is not cut
    survey(odd)
    assert odd.ask("POST", f"{path}/edits", edit).status == 200
    (side,) = [each for each in odd.get(path)["sides"] if each["side"] == "C"]
    (track,) = side["cuts"]["tracks"]
    assert (track["start_frame"], track["stop_frame"]) == (3 * RATE_HZ, 20 * RATE_HZ)
    assert odd.ask("POST", f"{path}/undo", {}).status == 200
    (side,) = [each for each in odd.get(path)["sides"] if each["side"] == "C"]
    assert side["cuts"] is None
