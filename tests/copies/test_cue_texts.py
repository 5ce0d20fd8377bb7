"""The texts of a cue sheet: as they are printed, or in the letters that an old program reads."""

from __future__ import annotations

import pytest

from sidekeep.copies.sheets.cue import CueTrack, Encoding, cue_sheet


@pytest.mark.parametrize(
    ("encoding", "title", "genre"),
    [("utf-8", "Łódź, Grüße", "Pieśni"), ("iso-8859-1", "Lódz, Grüße", "Piesni")],
)
def test_only_what_latin_1_does_not_have_is_written_otherwise(
    encoding: Encoding, title: str, genre: str
) -> None:
    track = CueTrack(number=1, title="Łódź, Grüße", start_frame=0, stop_frame=44_100)
    sheet = cue_sheet(
        [("side.wav", "WAVE", [track])],
        title="Hafen",
        performer="The Wicker Boats",
        rate_hz=44_100,
        genre="Pieśni",
        encoding=encoding,
    ).decode(encoding)
    assert f'TITLE "{title}"' in sheet
    assert f'REM GENRE "{genre}"' in sheet
