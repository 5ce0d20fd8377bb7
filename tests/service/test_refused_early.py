"""What no listening could put right is refused before the listening."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.service.transfers import listening
from tests.small_record import small_record


@pytest.mark.parametrize(
    ("words", "line", "said"),
    [
        (("--copies", "lossless,wax"), "", "wax"),
        (("--track-names", "{colour}"), "", "colour"),
        (("--form", "lossless=20"), "", "must be 16 or 24"),
        (("--isrc", "A1=XX"), "", "ISRC 'XX'"),
        (("--isrc", "=AA6Q72000047"), "", "a track's mark and its code"),
        ((), "Barcode: 2012345678901\n", "other digits call for"),
    ],
)
def test_refused_before_the_survey(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    line: str,
    said: str,
) -> None:
    def listened(*_: object, **__: object) -> None:
        raise AssertionError("the take was listened to first")

    monkeypatch.setattr(listening, "survey_take", listened)
    files, sleeve = small_record().write(tmp_path)
    text = sleeve.read_text("utf-8")
    first, _, rest = text.partition("\n")
    sleeve.write_text(f"{first}\n{line}{rest}", "utf-8")
    code = main(
        ["transfer", *map(str, files), "--sleeve", str(sleeve), "--out", str(tmp_path / "out"), *words]
    )
    assert code == 2
    assert said in capsys.readouterr().err


def test_copies_of_other_recordings_are_refused_before_the_survey(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    files, sleeve = small_record().write(tmp_path)
    words = ["transfer", *map(str, files), "--sleeve", str(sleeve), "--out", str(tmp_path / "out")]
    words += ["--copies", "lossless"]
    main(words)
    made = sorted((tmp_path / "out").rglob("*.flac"))
    assert made
    audio, rate_hz = soundfile.read(files[1], always_2d=True)
    soundfile.write(files[1], 0.5 * audio, rate_hz, subtype="PCM_24")
    capsys.readouterr()
    monkeypatch.setattr(listening, "survey_take", lambda *_, **__: pytest.fail("was listened to first"))
    assert main(words) == 2
    assert "from other takes" in capsys.readouterr().err
    assert sorted((tmp_path / "out").rglob("*.flac")) == made
