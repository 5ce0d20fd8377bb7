"""The master: the untouched takes with all that is known about them, in a bag.

A take that is a WAV or RF64 with a ``bext`` chunk is copied byte for byte; other PCM recordings become
Broadcast Wave (RF64 past 4 GiB) with the same samples; what is neither (a lossy file that was adopted, float
samples) is kept as the file it is. ``recordings-sha256.txt`` tells of which recording each take in the bag was
made. What is known of a take stands in full in an iXML document beside it, and as a chunk in a file that was made here.
Documents (sleeve, cuts, recipe, report) and pictures as they were scanned go with them.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from dataclasses import replace as changed
from pathlib import Path

from sidekeep.copies.kept.bag import make_bag, read_bag_info, read_bag_manifest
from sidekeep.copies.kept.intact import RECORDINGS_NAME, not_what_it_was, reading_whole
from sidekeep.copies.kept.manifest import manifest_text, read_list
from sidekeep.copies.tracks.naming import safe_name, unique_name
from sidekeep.errors import CopyError, ParameterError
from sidekeep.files.atomic import copy_error, flush_file, flush_folder, forget_parts, part_path
from sidekeep.files.checksum import bytes_sha256, copy_sha256, file_sha256
from sidekeep.files.reading.reader import open_source
from sidekeep.files.samples import to_whole
from sidekeep.files.tags.riff_info import add_chunk
from sidekeep.files.wave.bext import Bext
from sidekeep.files.wave.chunks import survey_chunks
from sidekeep.files.writing.sinks import open_sink
from sidekeep.flow.ports import BLOCK_FRAMES

_EXACT_CONTAINERS = ("wav", "rf64", "bw64", "w64", "wavex", "aiff", "flac", "alac", "caf")
_ROOM_TIMES = 4
"""A take is prepared only where so many of its size are free: its copy, and a longer side that is being recorded."""
MASTER_VERSION = 2
"""Raised when the same takes and documents would make another bag."""


@dataclass(frozen=True, kw_only=True)
class MasterTake:
    """One recording: where it is, what it is called in the bag (``side A``), what ``bext`` and ``ixml`` are to say, and the
    checksum it is known to have."""

    path: Path
    name: str
    sha256: str
    bext: Bext = field(default_factory=Bext)
    ixml: bytes = b""


@dataclass(frozen=True, kw_only=True)
class MasterPlan:
    """Takes, documents (name in the bag to content), ``files`` to copy (name in the bag, with folders, to place) and the
    lines of ``bag-info.txt`` (Source-Organization, External-Description, Bagging-Date, ... as RFC 8493 section 2.2.2
    names them; no clock is read)."""

    takes: tuple[MasterTake, ...]
    documents: Mapping[str, bytes] = field(default_factory=dict)
    files: Mapping[str, Path] = field(default_factory=dict)
    info: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.takes:
            raise ParameterError("master-without-take")


@dataclass(frozen=True, kw_only=True)
class MasterState:
    """What the folder has against what the plan wants. ``sums`` are those of a bag that is right already."""

    key: str
    sums: Mapping[str, str] | None


def look_at_master(plan: MasterPlan, folder: Path, *, replace: bool) -> MasterState:
    """Whether the bag is there already. Raises ``CopyError`` when another one is in the way."""
    from sidekeep.copies.keys import key_of

    # The day a bag is packed, and the date of a file, do not make it another one.
    undated = [changed(take.bext, origination_date="", origination_time="") for take in plan.takes]
    takes = [(take.name, take.sha256, repr(bext)) for take, bext in zip(plan.takes, undated, strict=True)]
    info = {name: value for name, value in plan.info.items() if name != "Bagging-Date"}
    documents = {name: bytes_sha256(content) for name, content in plan.documents.items()}
    key = key_of(MASTER_VERSION, takes, documents, {n: file_sha256(p) for n, p in plan.files.items()}, info)
    if not folder.exists():
        return MasterState(key=key, sums=None)
    if read_bag_info(folder).get("Internal-Sender-Identifier") == key:
        sums = _known_sums(folder)
        if all((folder / path).is_file() for path in sums):
            return MasterState(key=key, sums=sums)
    if not replace:
        raise CopyError("master-exists", folder=folder)
    return MasterState(key=key, sums=None)


def prepare_takes(plan: MasterPlan, folder: Path) -> int:
    """Copy the takes that go into the bag as they are before the rest of the record is known; ``build_master`` with its
    ``making`` in ``folder`` moves them into the bag. One that would leave too little room to record another side waits. The
    number that is ready: each is whole, under its checksum, or not there."""
    ready = 0
    try:
        folder.mkdir(parents=True, exist_ok=True)
        forget_parts(folder)
        for take in plan.takes:
            place = _prepared(folder, take)
            if not place.is_file():
                size = take.path.stat().st_size
                if not _goes_as_it_is(take.path) or shutil.disk_usage(folder).free < _ROOM_TIMES * size:
                    continue
                part = part_path(place)
                try:
                    _copied(take.path, part, take.sha256)
                    flush_file(part)
                    os.replace(part, place)
                finally:
                    part.unlink(missing_ok=True)
            ready += 1
    except OSError as problem:
        raise copy_error(problem, folder) from problem
    return ready


def build_master(plan: MasterPlan, key: str, making: Path) -> dict[str, str]:
    """Make the bag in an empty place (``making`` is removed first). Gives checksums by path in the bag."""
    try:
        shutil.rmtree(making, ignore_errors=True)
        takes = making / "data" / "takes"
        takes.mkdir(parents=True)
        taken: set[str] = set()
        known: dict[str, str] = {}
        recordings: dict[str, str] = {}
        for take in plan.takes:
            name, is_same_file = _place_take(take, takes, taken, making.parent)
            recordings[f"takes/{name}"] = take.sha256
            if take.ixml:
                (making / "data" / unique_name(_plain(take.name), ".xml", taken)).write_bytes(take.ixml)
            if is_same_file:
                known[f"data/takes/{name}"] = take.sha256
        (making / "data" / RECORDINGS_NAME).write_text(manifest_text(recordings), "utf-8", newline="\n")
        for name, content in plan.documents.items():
            target = making / "data" / safe_name(_plain(Path(name).stem), Path(name).suffix)
            target.write_bytes(content)
        for name, place in plan.files.items():
            target = making / "data" / name
            target.parent.mkdir(exist_ok=True)
            known[f"data/{name}"] = _copied(place, target, file_sha256(place))
        sums = make_bag(making, {**plan.info, "Internal-Sender-Identifier": key}, known=known)
        for path in sums:
            flush_file(making / path)
    except OSError as problem:
        raise copy_error(problem, making) from problem
    return sums


def name_master(making: Path, folder: Path, made: Mapping[str, str]) -> Path | None:
    """Give the finished bag its place. The bag that was there goes when it was made here (``made``: checksums by path
    in the bag), is as it was made, and every take in it is in the new one; else it is kept, and where is told."""
    aside: Path | None = None
    try:
        if folder.exists():
            old = making.with_name(making.name + ".old")
            if _may_go(folder, making, made):
                shutil.rmtree(old, ignore_errors=True)
            else:
                old = aside = _free_name(folder)
            os.rename(folder, old)
        os.rename(making, folder)
        flush_folder(folder.parent)
        if folder.exists() and aside is None:
            shutil.rmtree(making.with_name(making.name + ".old"), ignore_errors=True)
    except OSError as problem:
        raise copy_error(problem, folder) from problem
    return aside


def _may_go(folder: Path, making: Path, made: Mapping[str, str]) -> bool:
    there = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    if set(there) != set(made) or any(file_sha256(path) != made[name] for name, path in there.items()):
        return False
    return _recordings(folder) <= _recordings(making)


def _recordings(bag: Path) -> set[str]:
    """Checksums of the recordings that the takes of a bag were made of."""
    takes = {digest for name, digest in _payload_sums(bag).items() if name.startswith("data/takes/")}
    return (
        set(read_bag_manifest(read_list(bag / "data" / RECORDINGS_NAME), RECORDINGS_NAME).values()) or takes
    )


def _payload_sums(bag: Path) -> dict[str, str]:
    return read_bag_manifest(read_list(bag / "manifest-sha256.txt"), str(bag))


def _free_name(folder: Path) -> Path:
    number = 1
    while (aside := folder.with_name(f"{folder.name} kept {number}")).exists():
        number += 1
    return aside


def _prepared(folder: Path, take: MasterTake) -> Path:
    return folder / f"{take.sha256}.take"


def _goes_as_it_is(path: Path) -> bool:
    """Whether the very file goes into the bag: it has its ``bext`` chunk, or no such chunk can be made."""
    form = open_source(path).format
    exact = form.container in _EXACT_CONTAINERS and not form.is_float and form.bits in (16, 24, 32)
    return not exact or _has_bext(path)


def _place_take(take: MasterTake, folder: Path, taken: set[str], prepared: Path) -> tuple[str, bool]:
    """Put one take into the bag, from the folder of ``prepared`` ones where it is there and whole. Gives its name in the bag, and
    whether it is the same file and was read back as such."""
    if _goes_as_it_is(take.path):
        target = folder / unique_name(_plain(take.name), take.path.suffix.lower(), taken)
        ready = _prepared(prepared, take)
        if ready.is_file():
            os.replace(ready, target)
            if file_sha256(target) == take.sha256:
                return target.name, True
            target.unlink()
        _copied(take.path, target, take.sha256)
        return target.name, True
    source = open_source(take.path)
    form = source.format
    target = folder / unique_name(_plain(take.name), ".wav", taken)
    with (
        open_sink(
            target,
            "bwf",
            rate_hz=form.rate_hz,
            channels=form.channels,
            bits=form.bits,
            bext=take.bext,
            finish=(lambda part: add_chunk(part, b"iXML", take.ixml)) if take.ixml else None,
        ) as sink,
        reading_whole(source, [take.path], [take.sha256]),
    ):
        for block in source.blocks(BLOCK_FRAMES):
            sink.write_int(to_whole(block, form.bits)[0])
    return target.name, False


def _copied(source: Path, target: Path, sha256: str) -> str:
    """Copy a file that must be what it was, and read it back. Gives its checksum."""
    if copy_sha256(source, target) != sha256:
        raise not_what_it_was(source, sha256)
    if file_sha256(target) != sha256:
        raise CopyError("master-reads-back-differently", path=target)
    return sha256


def _plain(name: str) -> str:
    """Without percent signs: RFC 8493 wants them encoded in manifests, and not every reader decodes them."""
    return name.replace("%", " percent")


def _has_bext(path: Path) -> bool:
    with open(path, "rb") as handle:
        layout = survey_chunks(handle)
    return layout is not None and layout.verdict == "sound" and "bext" in layout.chunks


def _known_sums(folder: Path) -> dict[str, str]:
    sums: dict[str, str] = {}
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        try:
            text = read_list(folder / name)
        except CopyError:
            return {name: ""}
        sums.update(read_bag_manifest(text, name))
    sums["tagmanifest-sha256.txt"] = file_sha256(folder / "tagmanifest-sha256.txt")
    return sums
