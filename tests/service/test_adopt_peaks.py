"""A recording that is adopted has its picture at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sidekeep.files.reading.reader import open_take
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.pyramids import PEAKS
from tests.small_record import small_record


def test_adopted_takes_have_their_peaks(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    files, sleeve = small_record().write(tmp_path / "in", "pieces")
    adopted = adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve, side_letters=["A", "A", "B"])
    assert len(adopted.takes) == 2
    for take, pressed in zip(adopted.takes, (small_record().a, small_record().b), strict=True):
        folder = adopted.folder.path / take.folder
        peaks = PEAKS.kept(folder, open_take([folder / file.name for file in take.files]))
        assert peaks is not None
        assert abs(float(peaks.levels[0][..., 1].max()) - pressed.audio.max()) < 1e-4
        assert np.isfinite(peaks.levels[0]).all()
