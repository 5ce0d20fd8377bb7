"""What was told while recording is a finding of the take."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.model.news import News
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.take_findings import take_findings
from sidekeep.shelf.record_folder import RecordFolder


def test_a_loss_and_an_interruption_become_findings(tmp_path: Path) -> None:
    folder = RecordFolder.create(tmp_path / "record", sleeve="A - B\n\nSide A\n1. One\n")
    path = folder.new_take_folder("A") / "take.wav"
    with TakeWriter(path, rate_hz=48_000, channels=2, bits=24) as writer:
        writer.append(np.ones((4_800, 2), np.int32))
    notes = [
        News(
            code="loss",
            severity="act",
            at_frame=2_400,
            facts={"lost_s": 0.05, "lost_frames": 2_400, "within_s": 4.0},
        ),
        News(code="input-moved", severity="act", at_frame=4_000, facts={"other": "microphone"}),
        News(code="lowered-again", severity="act", at_frame=5_000, facts={"lifted_s": 3.2}),
        News(code="short", severity="look", facts={"length_s": 1.0}),
    ]
    take = close_recorded(folder, path, side="A", notes=notes)
    assert folder.takes() == [take]
    lost, cut, lifted = take_findings(path)
    assert (lost.kind, lost.start_frame, lost.severity, lost.facts) == (
        "lost-sound",
        2_400,
        "act",
        {"lost_s": 0.05, "within_s": 4.0},
    )
    assert (cut.kind, cut.start_frame) == ("cut-short", 4_000)
    assert (lifted.kind, lifted.start_frame, lifted.facts) == ("needle-lifted", 5_000, {"lifted_s": 3.2})
    assert take_findings(tmp_path / "elsewhere.wav") == []
