"""What a FLAC file says of its own sound, held against the samples as they are read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.files.reading.own_sum import own_sum_findings
from sidekeep.files.reading.reader import open_take
from sidekeep.files.reading.witness import Witness


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("wrong", [False, True])
def test_a_flac_file_whose_sound_is_not_what_it_says_itself(
    tmp_path: Path, rng: np.random.Generator, bits: int, wrong: bool
) -> None:
    """The MD5 of the samples is in bytes 26 to 42 (RFC 9639, section 8.2); libsndfile wrote it."""
    path, after = tmp_path / "a.flac", tmp_path / "b.flac"
    for each in (path, after):
        soundfile.write(each, rng.uniform(-0.9, 0.9, (9_000, 2)), 44_100, subtype=f"PCM_{bits}")
    content = bytearray(after.read_bytes())
    content[30] ^= wrong
    after.write_bytes(content)
    source = open_take([path, after])
    with Witness(source) as witness:
        for block in source.blocks(1_000):
            assert len(block) == 1_000
        assert source.read(0, 500).shape == (500, 2)  # looking again changes nothing
        told = [(finding.kind, finding.start_frame) for finding in witness.findings()]
    assert told == ([("own-sum-differs", 9_000)] if wrong else [])
    assert [(finding.kind, finding.start_frame) for finding in own_sum_findings(source)] == told
    with Witness(source) as witness:
        source.read(0, 5_000)
        assert not witness.findings()  # of half a file nothing can be said
