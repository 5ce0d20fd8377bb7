"""One recording brought in as two sides: told when it comes, not first when copies are made."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sidekeep.errors import SidekeepError
from sidekeep.files.reading.reader import open_take
from sidekeep.files.reading.source import FileSource
from sidekeep.flow.ports import BLOCK_FRAMES
from sidekeep.model.finding import Finding
from sidekeep.shelf.record_folder import RecordFolder


def same_sound_as_other_sides(
    folder: RecordFolder, letters: str, path: Path, source: FileSource
) -> list[Finding]:
    """``same-sound`` where a take of other sides of the record holds the very samples of a recording, whatever its file is called
    or packed in. Two are read up to where they first differ."""
    for take in folder.takes():
        if set(take.side) & set(letters) or take.length_frames != source.format.length_frames:
            continue
        try:
            other = open_take([folder.path / take.folder / file.name for file in take.files])
            is_same = _same_samples(source, other)
        except (OSError, SidekeepError):
            continue  # a take that cannot be read is told by whoever needs it
        if is_same:
            facts = {"file": path.name, "other": take.original_name or take.folder_name}
            stop = source.format.length_frames
            return [Finding(kind="same-sound", start_frame=0, stop_frame=stop, severity="act", facts=facts)]
    return []


def _same_samples(one: FileSource, other: FileSource) -> bool:
    if (one.format.rate_hz, one.format.channels) != (other.format.rate_hz, other.format.channels):
        return False
    blocks = zip(one.blocks(BLOCK_FRAMES), other.blocks(BLOCK_FRAMES), strict=True)
    return all(np.array_equal(mine, theirs) for mine, theirs in blocks)
