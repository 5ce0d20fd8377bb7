"""The manifest is what checksum tools read; a damaged history is told, not guessed."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from sidekeep.copies.kept.history import read_history
from sidekeep.copies.kept.manifest import add_to_manifest, manifest_text, parse_manifest, read_manifest
from sidekeep.errors import CopyError
from tests.copies.feeder import Feeder

FOLDER = "The Wicker Boats - Tallow Wharf Almanac (1971)"


@pytest.mark.outside
def test_sha256sum_agrees(tmp_path: Path, program: Callable[[str], str]) -> None:
    Feeder(tmp_path).copies("wav,cd")
    folder = tmp_path / FOLDER
    (folder / "report.html").write_text("<p>fine</p>", "utf-8")
    add_to_manifest(folder, ["report.html"])
    command = [program("sha256sum"), "--strict", "-c", "manifest-sha256.txt"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "report.html: OK" in done.stdout
    # A later run keeps the line of a file it did not write.
    Feeder(tmp_path).copies("lossless")
    assert "report.html" in read_manifest(folder)


def test_round_trip_and_damage() -> None:
    sums = {"a/b c.flac": "0" * 64, "ü.txt": "ab" * 32}
    assert parse_manifest(manifest_text(sums)) == sums
    with pytest.raises(CopyError, match="line 2 is not a checksum"):
        parse_manifest(manifest_text(sums).replace("ab" * 32, "ab"))
    for path in ("../x", "/etc/x"):
        with pytest.raises(CopyError, match="outside its folder"):
            parse_manifest(f"{'0' * 64}  {path}\n")


@pytest.mark.parametrize("text", ["{", "[]", '{"files": [{"path": 1}], "levels": {}}', "\xff"])
def test_a_damaged_history_is_told(tmp_path: Path, text: str) -> None:
    (tmp_path / "history.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(CopyError, match=r"history\.json"):
        read_history(tmp_path)
