"""One pass over a folder: every listed file read in full by several threads, bags and lists judged, strangers told of."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from sidekeep.copies.kept.bag import DECLARATION, read_bag_info, read_bag_manifest
from sidekeep.copies.kept.history import HISTORY_NAME, MAKING_FOLDER, read_history
from sidekeep.copies.kept.manifest import MANIFEST_NAME, read_list, read_manifest
from sidekeep.copies.kept.names_on_disk import as_they_lie, files_below
from sidekeep.copies.kept.pass_note import PassNote
from sidekeep.errors import Cancelled, CopyError
from sidekeep.files.bounded import read_text_bounded
from sidekeep.files.checksum import CHUNK_BYTES, file_digest
from sidekeep.files.reading.own_sum import carried_md5, flac_md5_matches
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.units import count

BATCH_FILES = 32
"""Small files go to a thread in batches, or handing over would cost more than reading."""
_ALGORITHMS = ("sha256", "sha512", "sha1", "md5")
_LEFT_BY_SYSTEMS = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""Files that systems leave in every folder somebody looks into, besides those from ``._`` on (common practice, no source):
told one by one they would hide what is strange. In the payload of a bag they are as strange as any (RFC 8493, section 3)."""


@dataclass(frozen=True, kw_only=True)
class VerifyResult:
    """Paths are relative to the folder given, with ``/``, sorted. ``changed`` differ from their checksum,
    ``missing`` are listed but not there, ``extra`` are there but not listed, ``unreadable`` could not be read
    and ``faults`` are sentences about lists and bags. ``unchecked`` are sentences about what nothing could be compared
    with. ``checked_files`` counts the files found right."""

    checked_files: int
    checked_bytes: int
    changed: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    extra: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    unchecked: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Everything that should be there is, and is unchanged. Extra files do no harm and do not count."""
        return not (self.changed or self.missing or self.unreadable or self.faults)

    @property
    def is_complete(self) -> bool:
        """Whether there was nothing that could not be checked."""
        return not self.unchecked


class CheckPass:
    """One pass over a folder: what was found so far, and the note of what is done."""

    def __init__(self, top: Path, threads: int, resume_path: Path | None, decode_flac: bool) -> None:
        self._top = top
        self._decode_flac = decode_flac
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="verify")
        self._stop = threading.Event()
        self._note = PassNote(resume_path)
        self._files = 0
        self._bytes = 0
        self._changed: set[str] = set()
        self._missing: set[str] = set()
        self._extra: set[str] = set()
        self._unreadable: set[str] = set()
        self._faults: list[str] = []
        self._unchecked: list[str] = []
        self._known: dict[str, str] = {}

    def root(self, root: Path, progress: Progress) -> None:
        """A folder with a manifest, a bag, or both one in the other."""
        self._known = {}
        if (root / "bagit.txt").is_file():
            self._bag(root, progress)
            return
        sums = _as_they_lie(root, self._expected(root))
        self.sums(root, sums, "sha256", progress)
        bags = [found.parent for found in sorted(root.rglob("bagit.txt"))]
        for place in sorted(root.glob("master*/")):
            if place not in bags:
                self._faults.append(f"{self._name(place)} is not a finished bag; make the master again")
        if (root / MAKING_FOLDER).is_dir():
            self._unchecked.append(
                f"{self._name(root / MAKING_FOLDER)}: what an interrupted run left; make the copies again"
            )
        for bag in bags:
            self._bag(bag, no_progress)
        for path in files_below(root):
            if path not in sums and path != MANIFEST_NAME and not path.startswith(f"{MAKING_FOLDER}/"):
                self._stranger(root / path)

    def _expected(self, root: Path) -> dict[str, str]:
        """Path to checksum, by the manifest and by the history: neither alone is believed."""
        place = self._name(root) or root.name
        listed: dict[str, str] = {}
        has_list = True
        try:
            listed = read_manifest(root)
        except CopyError as problem:
            has_list = False
            self._faults.append(f"{problem}; checked by {HISTORY_NAME} alone")
        try:
            made = {path: entry.sha256 for path, entry in read_history(root).files.items()}
        except CopyError as problem:
            made = {}
            self._faults.append(str(problem))
        if not has_list:
            return made
        if not (root / MANIFEST_NAME).is_file():
            self._faults.append(f"{place}: {MANIFEST_NAME} is gone; checked by {HISTORY_NAME} alone")
        elif not listed and not made:
            self._faults.append(f"{place}: {MANIFEST_NAME} lists nothing")
        elif unlisted := sorted(set(made) - set(listed)):
            self._faults.append(
                f"{place}: {MANIFEST_NAME} does not list {count(len(unlisted), 'file')} "
                f"written with these copies (first: {unlisted[0]})"
            )
        if at_odds := sorted(path for path in made if listed.get(path, made[path]) != made[path]):
            self._faults.append(
                f"{place}: {MANIFEST_NAME} and {HISTORY_NAME} disagree about {count(len(at_odds), 'checksum')} "
                f"(first: {at_odds[0]})"
            )
        return {**made, **listed}

    def sums(self, root: Path, sums: Mapping[str, str], algorithm: str, progress: Progress) -> None:
        """Every file of a list."""
        todo: list[tuple[str, str, int]] = []
        total_bytes = done_bytes = 0
        # Plain text instead of path objects: a million of those would take longer than the reading.
        inside, place = self._name(root), os.path.join(root, "")
        inside = f"{inside}/" if inside else ""
        for path, wanted in sums.items():
            name = inside + path
            try:
                state = os.stat(place + path)
            except OSError:
                self._missing.add(name)
                continue
            total_bytes += state.st_size
            if self._note.has(name, wanted, state):
                self._right(name, wanted, state.st_size, note=False)
                done_bytes += state.st_size
            elif self._known.get(name) == wanted:
                continue
            else:
                todo.append((path, wanted, state.st_size))
        jobs = [self._pool.submit(self._batch, place, inside, batch, algorithm) for batch in _batches(todo)]
        try:
            for job in jobs:
                for name, wanted, found, size_bytes, note in job.result():
                    done_bytes += size_bytes
                    if found == "":
                        self._unreadable.add(name)
                    elif found == wanted:
                        self._right(name, wanted, size_bytes, note=note)
                    else:
                        self._changed.add(name)
                progress(done_bytes / total_bytes if total_bytes else 1.0, "reading")
        except Cancelled:
            self._stop.set()
            for job in jobs:
                job.cancel()
            raise

    def result(self) -> VerifyResult:
        """All that was found."""
        return VerifyResult(
            checked_files=self._files,
            checked_bytes=self._bytes,
            changed=tuple(sorted(self._changed)),
            missing=tuple(sorted(self._missing)),
            extra=tuple(sorted(self._extra)),
            unreadable=tuple(sorted(self._unreadable)),
            faults=tuple(self._faults),
            unchecked=tuple(sorted(self._unchecked)),
        )

    def close(self) -> None:
        """Let threads and the note go; the note stays for the next run."""
        self._stop.set()
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._note.close()

    def complete(self) -> None:
        """The pass is over: the next one reads everything again."""
        self._note.remove()

    def _batch(
        self, place: str, inside: str, batch: list[tuple[str, str, int]], algorithm: str
    ) -> list[tuple[str, str, str, int, bool]]:
        found = []
        for path, wanted, size_bytes in batch:
            if self._stop.is_set():
                break
            try:
                digest = file_digest(place + path, algorithm)
                if digest == wanted and self._decode_flac and path.lower().endswith(".flac"):
                    if not carried_md5(Path(place + path)):
                        self._unchecked.append(f"{inside + path} carries no MD5 of its own sound")
                    digest = digest if flac_md5_matches(Path(place + path)) else "the sound differs"
            except OSError:
                digest = ""
            found.append((inside + path, wanted, digest, size_bytes, algorithm == "sha256"))
        return found

    def _bag(self, bag: Path, progress: Progress) -> None:
        """Complete and valid, as RFC 8493 section 3 has it."""
        name = self._name(bag) or bag.name
        try:
            declared = read_text_bounded(bag / "bagit.txt", "bag-declaration", error=CopyError)
        except CopyError:
            declared = ""
        if declared.replace("\r\n", "\n").strip() != DECLARATION.strip():
            self._faults.append(f"{name}: bagit.txt does not declare BagIt 1.0 in UTF-8")
        lists = {
            path.name: path
            for path in sorted(bag.glob("*manifest-*.txt"))
            if path.stem.rpartition("-")[2] in _ALGORITHMS
        }
        payload = {path for path in files_below(bag) if path.startswith("data/")}
        if not any(each.startswith("manifest-") for each in lists):
            self._faults.append(f"{name}: the bag has no payload manifest")
        for file_name, path in lists.items():
            try:
                sums = _as_they_lie(bag, read_bag_manifest(read_list(path), f"{name}/{file_name}"))
            except CopyError as problem:
                self._faults.append(str(problem))
                continue
            self.sums(bag, sums, path.stem.rpartition("-")[2], progress)
            if file_name.startswith("manifest-"):
                for path_in_bag in sorted(payload - set(sums)):
                    self._extra.add(self._name(bag / path_in_bag))
                    self._faults.append(f"{name}: {path_in_bag} is not in {file_name}")
        oxum = read_bag_info(bag).get("Payload-Oxum", "")
        if oxum:
            size_bytes = sum((bag / path).stat().st_size for path in payload)
            if oxum != f"{size_bytes}.{len(payload)}":
                self._faults.append(
                    f"{name}: Payload-Oxum says {oxum}, there are {size_bytes}.{len(payload)}"
                )

    def _stranger(self, path: Path) -> None:
        if path.name in _LEFT_BY_SYSTEMS or path.name.startswith("._"):
            return
        name = self._name(path)
        self._extra.add(name)
        if path.suffix.lower() == ".flac" and not flac_md5_matches(path):
            self._changed.add(name)

    def _right(self, name: str, wanted: str, size_bytes: int, *, note: bool) -> None:
        self._files += 1
        self._bytes += size_bytes
        self._known[name] = wanted
        if note:
            self._note.add(name, wanted, self._top / name)

    def _name(self, path: Path) -> str:
        name = path.relative_to(self._top).as_posix()
        return "" if name == "." else name


def _batches(todo: list[tuple[str, str, int]]) -> Iterator[list[tuple[str, str, int]]]:
    """Up to ``BATCH_FILES`` files or 8 MB in one go."""
    batch: list[tuple[str, str, int]] = []
    size_bytes = 0
    for item in todo:
        batch.append(item)
        size_bytes += item[2]
        if len(batch) == BATCH_FILES or size_bytes > 8 * CHUNK_BYTES:
            yield batch
            batch, size_bytes = [], 0
    if batch:
        yield batch


def _as_they_lie(root: Path, sums: Mapping[str, str]) -> dict[str, str]:
    """A list with its paths as they are on the disk."""
    other = as_they_lie(root, sums)
    return {other.get(path, path): wanted for path, wanted in sums.items()}
