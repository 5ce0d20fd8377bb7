"""What may be replaced by what. Copies give way only to their own successors.

A file may be replaced when this program made it, its checksum still matches, and every side whose sound is in it is
being made again. Everything else stays: it stands in the way and is named, or is kept beside the new files and
told. A record whose title was corrected keeps its folder, which is renamed.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from sidekeep.copies.kept.history import (
    HISTORY_NAME,
    MAKING_FOLDER,
    FileEntry,
    History,
    read_history,
    write_history,
)
from sidekeep.copies.kept.manifest import MANIFEST_NAME, add_to_manifest, read_manifest
from sidekeep.copies.kinds.table import KINDS
from sidekeep.copies.plan.planned import CopyPlan, PlannedFile
from sidekeep.copies.run.notes import moved_finding
from sidekeep.copies.sheets.playlist import PlaylistEntry, playlist_text
from sidekeep.copies.tracks.naming import clash_key
from sidekeep.errors import CopyError
from sidekeep.files.atomic import already_there, copy_error, flush_folder, write_bytes
from sidekeep.files.checksum import bytes_sha256, file_sha256
from sidekeep.files.guard import OutputGuard
from sidekeep.model.finding import Finding

MASTER_FOLDER = "master"
REPORT_NAME = "report.html"


def guard_outputs(plan: CopyPlan) -> None:
    """Refuse a plan whose files would be, link to or lie inside an input, a take or another bag."""
    folder = plan.folder
    names = [*(each.path for each in plan.files), *plan.texts, HISTORY_NAME, MANIFEST_NAME, REPORT_NAME]
    guard = OutputGuard(plan.inputs)
    guard.check(folder, *(folder / name for name in names), folder / MAKING_FOLDER / "journal.json")
    if plan.master is not None and (folder / MASTER_FOLDER).is_symlink():
        raise CopyError("master-is-link", path=folder / MASTER_FOLDER)


def settle_folder(plan: CopyPlan) -> list[Finding]:
    """Rename the folder that holds copies of the same takes under an earlier name, if there is just one."""
    if plan.folder.exists() or not plan.takes or not plan.folder.parent.is_dir():
        return []
    before = [
        path.parent
        for path in sorted(plan.folder.parent.glob(f"*/{HISTORY_NAME}"))
        if not path.parent.is_symlink() and _made_of(path.parent) & set(plan.takes)
    ]
    if len(before) != 1:
        return [moved_finding(plan.folder, before)] if before else []
    try:
        os.rename(before[0], plan.folder)
        flush_folder(plan.folder.parent)
    except OSError as problem:
        raise copy_error(problem, plan.folder) from problem
    return [moved_finding(plan.folder, before)]


def _made_of(folder: Path) -> set[str]:
    """Checksums of the takes that the copies of a folder were made of."""
    try:
        facts = read_history(folder).facts
        return {str(each) for each in facts.get("takes", [])}
    except (CopyError, TypeError):
        return set()


def entry_matches(entry: FileEntry, planned: PlannedFile) -> bool:
    """Whether a finished file is what the plan wants."""
    return entry.audio_key == planned.audio_key and entry.tag_key == planned.tag_key


def check_folder(plan: CopyPlan, history: History, pool: ThreadPoolExecutor) -> dict[str, FileEntry]:
    """Our own unchanged files of the plan's kinds, by path.

    Raises ``CopyError`` when, without replace, a file in the way is not ours, was changed, or was made from
    other settings; and, replace or not, when one also holds a side that is not made now.
    """
    kinds = set(plan.kinds) - {MASTER_FOLDER}
    entries = [entry for entry in history.files.values() if entry.kind in kinds]
    _refuse_other_sides(plan, entries)
    sums = list(pool.map(lambda entry: sum_of(plan.folder / entry.path), entries))
    ours = {
        entry.path: entry
        for entry, found in zip(entries, sums, strict=True)
        if found and found == entry.sha256
    }
    blocking = _strangers(plan, entries)
    audio_keys = {planned.audio_key for planned in plan.files}
    blocking += [
        path
        for path, entry in ours.items()
        if entry.audio_key and entry.audio_key not in audio_keys and is_made_again(entry, plan)
    ]
    not_ours = {*(planned.path for planned in plan.files), *plan.texts} - set(ours)
    blocking += [
        entry.path
        for entry, found in zip(entries, sums, strict=True)
        if entry.path in not_ours and found not in ("", entry.before_sha256)
    ]
    # A small file that already says the right thing is in nobody's way.
    blocking = [
        path
        for path in blocking
        if path not in plan.texts or sum_of(plan.folder / path) != bytes_sha256(plan.texts[path])
    ]
    if not is_own_report(plan.folder, history):
        blocking.append(REPORT_NAME)
    if blocking and not plan.replace:
        raise CopyError("copies-exist", folder=plan.folder, count=len(blocking), first=min(blocking))
    return ours


def refuse_other_takes(folder: Path, kinds: Sequence[str], takes: Mapping[str, Collection[str]]) -> None:
    """What ``check_folder`` would refuse once all takes are heard, which lasts minutes: copies of ``kinds`` that were made of
    other takes. ``takes`` are the checksums of the take that each side is made from now."""
    history = read_history(folder)
    known = set(map(str, history.facts.get("takes", [])))
    other = {side for side, sums in takes.items() if not known.issuperset(sums)}
    blocking = [
        entry.path
        for entry in history.files.values()
        if entry.kind in kinds
        and entry.audio_key
        and other.intersection(entry.sides)
        and takes.keys() >= set(entry.sides)
        and sum_of(folder / entry.path) == entry.sha256
    ]
    if known and blocking:
        raise CopyError("copies-exist", folder=folder, count=len(blocking), first=min(blocking))


def _strangers(plan: CopyPlan, entries: Sequence[FileEntry]) -> list[str]:
    """What lies where the plan writes, and is not in the history. A name that differs by case only is the same file on some
    disks: then it is ours, about to be renamed."""
    known = {clash_key(entry.path) for entry in entries}
    wanted = [*dict.fromkeys(planned.path for planned in plan.files), *plan.texts]
    return [path for path in wanted if clash_key(path) not in known and os.path.lexists(plan.folder / path)]


def is_own_report(folder: Path, history: History) -> bool:
    """Whether the report may be written: none is there, or the one that was written here and not touched since."""
    found = sum_of(folder / REPORT_NAME)
    entry = history.files.get(REPORT_NAME)
    ours = {entry.sha256, entry.before_sha256} if entry else {read_manifest(folder).get(REPORT_NAME, "")}
    return found == "" or found in ours


def write_report_file(folder: Path, content: bytes, *, replace: bool, made_by: str) -> Path:
    """Write the report beside the copies, into their history and manifest. One that is not as it was written here
    is replaced only when that was asked for. It stands in the history before it has its name, so that a run that dies in between
    knows it for its own."""
    history = read_history(folder)
    if not replace and not is_own_report(folder, history):
        raise already_there(folder / REPORT_NAME)
    before = sum_of(folder / REPORT_NAME)
    entry = FileEntry(path=REPORT_NAME, kind="report", sha256=bytes_sha256(content), size_bytes=len(content))
    if before != entry.sha256:
        history.files[REPORT_NAME] = dataclasses.replace(entry, before_sha256=before)
        write_history(folder, history, made_by)
        write_bytes(folder / REPORT_NAME, content, replace=True)
    history.files[REPORT_NAME] = entry
    write_history(folder, history, made_by)
    add_to_manifest(folder, [REPORT_NAME, HISTORY_NAME])
    return folder / REPORT_NAME


def is_made_again(entry: FileEntry, plan: CopyPlan) -> bool:
    """Whether every side whose sound is in a file is in the plan. Files from before sides were noted are taken
    for the whole record."""
    return set(entry.sides) <= {side.side for side in plan.sides}


def _refuse_other_sides(plan: CopyPlan, entries: list[FileEntry]) -> None:
    wanted = {planned.path for planned in plan.files}
    for entry in entries:
        is_in_way = entry.path in wanted or KINDS[entry.kind].scope in ("record", "cd")
        if is_in_way and not is_made_again(entry, plan):
            others = ", ".join(sorted(set(entry.sides) - {side.side for side in plan.sides}))
            raise CopyError("copy-of-other-sides", path=plan.folder / entry.path, sides=others)


def with_other_sides(plan: CopyPlan, history: History) -> CopyPlan:
    """The plan with playlists that also name the tracks of sides that stay as they are."""
    texts: dict[str, bytes] = dict(plan.texts)
    for kind in plan.kinds:
        stay = [
            entry
            for entry in history.files.values()
            if entry.kind == kind and entry.label and not is_made_again(entry, plan)
        ]
        lists = [path for path in texts if path.startswith(f"{kind}/") and path.endswith(".m3u8")]
        if KINDS[kind].scope != "track" or not stay or not lists:
            continue
        made = [each for each in plan.files if each.kind == kind]
        entries = {each.path: (each.length_frames / each.rate_hz, each.label) for each in made}
        entries |= {each.path: (each.length_frames / each.rate_hz, each.label) for each in stay}
        for name in lists:
            # The list at the top names all, one in the folder of a disc what is in that folder.
            folder = name.rpartition("/")[0] + "/"
            texts[name] = playlist_text(
                [
                    PlaylistEntry(path=path.removeprefix(folder), length_s=length_s, label=label)
                    for path, (length_s, label) in sorted(entries.items())
                    if path.startswith(folder)
                ]
            )
    return dataclasses.replace(plan, texts=texts)


def stale_files(plan: CopyPlan, before: Mapping[str, FileEntry]) -> set[str]:
    """Our own files of these kinds that the plan does not name any more, of sides that are being made again."""
    named = {each.path for each in plan.files} | set(plan.texts)
    stale: set[str] = set()
    for path, entry in before.items():
        if entry.kind not in plan.kinds or entry.kind == MASTER_FOLDER or path in named:
            continue
        sounds = (
            [entry]
            if entry.audio_key
            else [e for e in before.values() if e.kind == entry.kind and e.audio_key]
        )
        if all(is_made_again(each, plan) for each in sounds):
            stale.add(path)
    return stale


def may_remove(folder: Path, entry: FileEntry) -> bool:
    """Whether a file of ours may go: it lies inside the folder, is no link, and is as it was made."""
    path = folder / entry.path
    inside = path.resolve().is_relative_to(folder.resolve()) and not path.is_symlink()
    return inside and sum_of(path) == entry.sha256


def sum_of(path: Path) -> str:
    """Checksum of a file, empty when it is not there."""
    try:
        return file_sha256(path)
    except (FileNotFoundError, NotADirectoryError):
        return ""
    except OSError as problem:
        raise CopyError("copy-unread", path=path, reason=problem.strerror) from None
