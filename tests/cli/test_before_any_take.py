"""What a newcomer is told between planning a record and its first take: nothing that sounds as if there were sound already."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.cli.main import main

SLEEVE = "The Wicker Boats - Tallow Wharf Almanac (1971)\nSide A\nA1 Lamp Oil 3:45\n"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["verify", "--shelf", "SHELF"], 0, "Almanac (1971): nothing to check yet"),
        (
            ["shelf", "--shelf", "SHELF", "again", "--months", "1"],
            0,
            "no side was last taken more than 1 month ago",
        ),
        (["shelf", "--shelf", "SHELF", "again"], 0, "no side was last taken more than 12 months ago"),
        (["compare", "--shelf", "SHELF", "tallow/A-1", "A-2"], 2, "Almanac (1971) has no takes yet"),
        (["copies", "--shelf", "SHELF", "tallow"], 2, "Almanac (1971) has no takes yet"),
    ],
)
def test_a_planned_record_is_told_as_one(
    tmp_path: Path, words: list[str], code: int, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sleeve.txt").write_text(SLEEVE)
    shelf = str(tmp_path / "shelf")
    assert main(["shelf", "--shelf", shelf, "plan", str(tmp_path / "sleeve.txt")]) == 0
    assert main([shelf if word == "SHELF" else word for word in words]) == code
    out, err = capsys.readouterr()
    assert told in out + err
    assert "all right" not in out
