"""Recordings put on a shelf once: doing it again finds the record and brings in only what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sidekeep.errors import ParameterError
from sidekeep.files.atomic import write_bytes
from sidekeep.files.bounded import read_bounded
from sidekeep.files.checksum import file_sha256
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.pictures import LARGEST_UPLOAD
from sidekeep.service.shelf.records import plan_record, planned_before
from sidekeep.shelf.art import art_files
from sidekeep.shelf.record_folder import RecordFolder


def put_on_shelf(
    files: Sequence[Path],
    letters: Sequence[str],
    *,
    shelf: Path,
    sleeve_path: Path,
    picture_path: Path | None = None,
    progress: Progress = no_progress,
) -> RecordFolder:
    """The record of a sleeve text with these recordings as its takes, one for each of the ``letters``; made where the shelf
    does not have it. A take with the same sound is left as it is, and so is all that was done to the record since."""
    if len(files) != len(letters):
        raise ParameterError("recordings-for-sides", files=len(files), sides=len(letters))
    folder = planned_before(shelf, sleeve_path)
    folder = folder or plan_record(shelf, sleeve_path)
    there = {(take.side, file.sha256) for take in folder.takes() for file in take.files}
    missing = [
        (path, letter)
        for path, letter in zip(files, letters, strict=True)
        if (letter, file_sha256(path)) not in there
    ]
    if missing:
        adopt(
            [path for path, _ in missing],
            shelf=shelf,
            record_name=str(folder.path),
            side_letters=[letter for _, letter in missing],
            progress=progress,
        )
    if picture_path is not None and "front" not in art_files(folder.path):
        art = folder.path / "art"
        art.mkdir(exist_ok=True)
        picture = read_bounded(picture_path, "picture", most_bytes=LARGEST_UPLOAD)
        write_bytes(art / f"front{picture_path.suffix}", picture)
    return folder
