"""What ``tests.heard`` remembers is what is heard anew: survey, patches and checksum, for other sides of the sleeve too."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import soundfile

from sidekeep.files.reading.reader import open_take
from sidekeep.flow.passes.survey import Survey
from sidekeep.flow.patches import PatchWriter
from sidekeep.model.recipe import MendSettings
from sidekeep.service.choices.sleeves import TakeFiles, load_sleeve
from sidekeep.service.transfers.listening import listen_to
from tests import heard
from tests.flow.test_survey_run import assert_same
from tests.small_record import RATE_HZ, SLEEVE, small_record

Heard = tuple[Survey, tuple[str, ...], bytes]


def listened(folder: Path, files: list[Path], sleeve_path: Path, mend: MendSettings, side: int) -> Heard:
    sleeve = load_sleeve(sleeve_path)
    assert sleeve is not None
    take = TakeFiles(paths=(files[0],), sides=(sleeve.record.sides[side],))
    path = folder / "patches"
    with path.open("wb") as file:
        patches = PatchWriter(file)
        survey, sha256 = listen_to(take, open_take(take.paths), sleeve, mend, patches)
        patches.close()
    return survey, sha256, path.read_bytes()


def test_it_is_the_same_as_heard_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files, sleeve = [tmp_path / "part.wav"], tmp_path / "sleeve.txt"
    part = small_record().a.audio[2 * RATE_HZ : 9 * RATE_HZ]
    soundfile.write(files[0], part, RATE_HZ, subtype="PCM_24")
    sleeve.write_text(SLEEVE)
    made: list[object] = []
    run = heard.SurveyRun
    monkeypatch.setattr(heard, "SurveyRun", lambda *given, **more: made.append(given) or run(*given, **more))
    monkeypatch.setattr(heard, "_runs", type(heard._runs)())
    for side in (0, 1):
        anew = listened(tmp_path, files, sleeve, MendSettings(), side)
        with heard.heard_once():
            again = listened(tmp_path, files, sleeve, MendSettings(), side)
        assert anew[0].repairs
        assert_same(anew[0], again[0])
        assert anew[1:] == again[1:]
    assert len(made) == 1
    with heard.heard_once():
        other = listened(tmp_path, files, sleeve, replace(MendSettings(), enabled=False), 0)
    assert not other[0].repairs
    assert len(made) == 2
