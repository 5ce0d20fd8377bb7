"""A take is read whole: is it still what was taken? Asked wherever that happens, answered in one line.

What a take should be is known from its ``take.json``, or from the pass before. A mismatch stops the work before
anything gets a name, names the take, and tells what is left: a bag that still holds it, or a backup.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sidekeep.errors import AudioFileError, ChecksumError, CopyError
from sidekeep.files.checksum import file_sha256
from sidekeep.files.guard import TAKE_FACTS
from sidekeep.files.reading.source import FileSource
from sidekeep.files.reading.witness import Witness
from sidekeep.model.finding import Finding

RECORDINGS_NAME = "recordings-sha256.txt"
"""In a master: the checksum of the recording that each take in it was made from."""


@dataclass
class Reading:
    """``sha256`` of every file, and what is to be told of their sound; filled in when the reading is over."""

    sha256: tuple[str, ...] = field(default=())
    findings: tuple[Finding, ...] = field(default=())


def known_sums(paths: Sequence[Path]) -> tuple[str | None, ...]:
    """What ``take.json`` beside a file says its checksum is; None for a file that is no take of the shelf."""
    return tuple(_sum_in_facts(path) for path in paths)


def _sum_in_facts(path: Path) -> str | None:
    beside = path.parent / TAKE_FACTS
    if not os.path.lexists(beside):
        return None
    from sidekeep.files.bounded import kept_json

    try:
        facts: Any = kept_json(beside)
        return next(str(each["sha256"]) for each in facts["files"] if each["name"] == path.name)
    except (KeyError, TypeError, StopIteration):
        return None


@contextlib.contextmanager
def reading_whole(
    source: FileSource,
    paths: Sequence[Path],
    wanted: Sequence[str | None] | None = None,
    *,
    only_known: bool = False,
) -> Iterator[Reading]:
    """Around any work that reads all of a take. ``wanted`` are the checksums it must have (default: those in its
    ``take.json``). With ``only_known`` none are taken where there is nothing to compare them with. Raises
    ``ChecksumError`` at the end when it has others, or changed on the way."""
    if wanted is None:
        wanted = known_sums(paths)
    reading = Reading()
    try:
        with Witness(source, takes_sums=not only_known or any(wanted)) as witness:
            yield reading
            changed = witness.changed()
            if changed is not None:
                raise still_moving(paths[changed])
            reading.sha256 = witness.finish()
            reading.findings = witness.findings()
    except OSError as error:
        if error.filename is None or Path(error.filename) not in paths:
            raise
        raise AudioFileError("recording-unread", path=error.filename, reason=error.strerror) from error
    for path, should, found in zip(paths, wanted, reading.sha256 or wanted, strict=True):
        if should is not None and found != should:
            raise not_what_it_was(path, should)


def still_moving(path: Path) -> ChecksumError:
    """The file was replaced, or something still writes to it."""
    return ChecksumError("recording-changed", path=path)


def not_what_it_was(path: Path, sha256: str) -> ChecksumError:
    """The file differs from its checksum; tells where the right one may still be."""
    found = find_in_bags(path, sha256)
    if found is None:
        return ChecksumError("recording-differs", path=path)
    bag, is_same_file = found
    code = "recording-differs-kept" if is_same_file else "recording-differs-sound-kept"
    return ChecksumError(code, path=path, bag=bag)


def find_in_bags(path: Path, sha256: str) -> tuple[Path, bool] | None:
    """A file in a bag of the same record that still holds the take, and whether it is the very file (the other way
    is the same samples as Broadcast Wave). Read in full before it is offered."""
    from sidekeep.copies.kept.bag import read_bag_manifest
    from sidekeep.copies.kept.manifest import parse_manifest, read_list

    record = next((each for each in path.parents if (each / "record.toml").is_file()), path.parent)
    for declared in sorted(record.glob("copies/*/master*/bagit.txt")):
        bag = declared.parent
        try:
            sums = read_bag_manifest(read_list(bag / "manifest-sha256.txt"), str(bag))
            made = parse_manifest(read_list(bag / "data" / RECORDINGS_NAME), str(bag))
            for name, known in sums.items():
                if (
                    sha256 in (known, made.get(name.removeprefix("data/")))
                    and file_sha256(bag / name) == known
                ):
                    return bag / name, known == sha256
        except (OSError, CopyError):
            continue
    return None
