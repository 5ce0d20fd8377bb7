"""The shelf: what is on it, bringing recordings in, making its index again."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from sidekeep.copies.kept.gone import forget_kinds_gone
from sidekeep.copies.kept.manifest import MANIFEST_NAME
from sidekeep.copies.tracks.naming import NamingRules, clash_key, folder_name
from sidekeep.errors import CopyError, RecordBusy, ShelfError, SleeveError
from sidekeep.files.guard import OutputGuard
from sidekeep.model.record import Record
from sidekeep.service.choices.sleeves import Sleeve, load_sleeve, read_sleeve_text, sleeve_findings
from sidekeep.service.shelf.presence import refuse_gone, seen_with_records
from sidekeep.shelf.index.catalogue import Catalogue, Entry, record_folders
from sidekeep.shelf.index.index import make_again, open_index
from sidekeep.shelf.inventory import Inventory, write_inventory
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work, records_lock
from sidekeep.shelf.sleeve.reading import read_sleeve
from sidekeep.shelf.sleeve.writing import write_sleeve
from sidekeep.wording.findings import finding_text


def open_catalogue(shelf: Path, *, create: bool = False) -> Catalogue:
    """The index of a shelf; a folder that is none is refused unless it may be made, and one that has lost its records too."""
    refuse_gone(shelf)
    if create:
        OutputGuard().check(shelf)
        make_shelf(shelf)
    if not shelf.is_dir():
        if shelf.exists():
            raise ShelfError("shelf-is-file", shelf=shelf)
        raise ShelfError("no-shelf", shelf=shelf)
    return open_index(shelf)


def make_shelf(shelf: Path) -> None:
    """The shelf's folder. Raises ShelfError."""
    try:
        shelf.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise ShelfError("shelf-is-file", shelf=shelf) from None
    except OSError as error:
        raise ShelfError("shelf-not-made", shelf=shelf, reason=error.strerror or error) from error


def list_records(shelf: Path, words: str = "", *, state: str = "") -> list[Entry]:
    """Records on the shelf, all or those that match."""
    with open_catalogue(shelf) as catalogue:
        entries = [_as_it_is(shelf, entry) for entry in catalogue.entries(words)]
        if entries:
            seen_with_records(shelf)
        if any(entry.state == "gone" for entry in entries) and _follow_renamed(shelf, catalogue):
            entries = [_as_it_is(shelf, entry) for entry in catalogue.entries(words)]
    return [entry for entry in entries if not state or entry.state == state]


def _follow_renamed(shelf: Path, catalogue: Catalogue) -> bool:
    """Put records right whose folders a person renamed, or moved within the shelf: their ids tell. Whether there were any."""
    folders = {entry.folder: entry for entry in catalogue.entries()}
    missed = {
        entry.record_id for entry in folders.values() if not (shelf / entry.folder / "record.toml").is_file()
    }
    found = False
    for folder in record_folders(shelf):
        if folder.path.relative_to(shelf).as_posix() in folders:
            continue
        with contextlib.suppress(ShelfError, OSError):
            if folder.record_id in missed:
                catalogue.put(folder)
                found = True
    return found


def _as_it_is(shelf: Path, entry: Entry) -> Entry:
    """The entry with its state put right where a look at the folder contradicts the index."""
    folder = RecordFolder(shelf / entry.folder)
    if not (folder.path / "record.toml").is_file():
        return replace(entry, state="gone")
    if entry.state == "verified" and not (folder.last_check() or {}).get("ok"):
        entry = replace(entry, state="copied")
    is_copied = entry.state in ("copied", "verified")
    has_copies = any((folder.path / "copies").glob("*/manifest-sha256.txt"))
    has_takes = any((folder.path / "takes").glob("*/take.json"))
    if (is_copied and not has_copies) or (entry.state != "planned" and not has_takes):
        with contextlib.suppress(ShelfError):
            return replace(entry, state=folder.state())
    return entry


def rebuild(shelf: Path) -> int:
    """Make the index again from the folders, and with it the list of what must be there; the number of records."""
    if not shelf.is_dir():
        raise ShelfError("shelf-is-file" if shelf.exists() else "no-shelf", shelf=shelf)
    folders = make_again(shelf)
    for folder in folders:
        with contextlib.suppress(ShelfError):
            _accept(folder)
    return len(folders)


def _accept(folder: RecordFolder) -> None:
    """What is there now is what there should be."""
    with contextlib.suppress(RecordBusy, CopyError), at_work(folder.path, "making the index again"):
        for place in (path.parent for path in (folder.path / "copies").glob(f"*/{MANIFEST_NAME}")):
            forget_kinds_gone(place)
    write_inventory(
        folder.path,
        Inventory(
            takes={take.folder: {file.name: file.sha256 for file in take.files} for take in folder.takes()},
            copies=tuple(path.parent.name for path in (folder.path / "copies").glob("*/manifest-sha256.txt")),
        ),
    )


def plan_record(shelf: Path, sleeve_path: Path) -> RecordFolder:
    """Put a record on the shelf that is still to be taken."""
    sleeve = load_sleeve(sleeve_path)
    assert sleeve is not None
    return _plan(shelf, sleeve.record, text_to_keep(sleeve), sleeve_path.name)


def text_to_keep(sleeve: Sleeve) -> str:
    """The plain form of a sleeve that was read without a doubt; else its own text, so that no line is lost."""
    return sleeve.text if sleeve.problems else write_sleeve(sleeve.record)


def sleeve_problems(folder: RecordFolder) -> list[str]:
    """What is odd about the lines of a record's sleeve text, one sentence each."""
    try:
        found = sleeve_findings(read_sleeve_text(folder.sleeve_text()))
    except FileNotFoundError:
        return []
    return [finding_text(finding, 1) for finding in found]


def plan_sleeve(shelf: Path, text: str) -> RecordFolder:
    """The same from a text that was typed or pasted; it is kept as it is."""
    return _plan(shelf, read_sleeve(text)[0], text, "the text")


def _plan(shelf: Path, record: Record, text: str, name: str) -> RecordFolder:
    if not record.title and not record.artist:
        raise SleeveError("file-without-name", name=name)
    return add_record(shelf, record, text)


def add_record(shelf: Path, record: Record, sleeve: str | None = None) -> RecordFolder:
    """A new record on the shelf, under a name of its own, and in the index at once; ``sleeve`` None is kept as a plain text."""
    with open_catalogue(shelf, create=True) as catalogue, records_lock(shelf):
        text = write_sleeve(record) if sleeve is None else sleeve
        folder = RecordFolder.create(free_folder(shelf, record), sleeve=text)
        catalogue.put(folder)
    return folder


def planned_before(shelf: Path, sleeve_path: Path) -> RecordFolder | None:
    """The record a sleeve text was planned from earlier, when there is a shelf, and just one of that name on it."""
    sleeve = load_sleeve(sleeve_path)
    assert sleeve is not None
    return _only_one_of(shelf, sleeve.record)


def unnamed_before(shelf: Path, record: Record) -> RecordFolder | None:
    """The same for recordings without a sleeve, whose record is called after the first of them and lists no sides."""
    found = _only_one_of(shelf, record)
    return found if found is not None and not found.record().sides else None


def _only_one_of(shelf: Path, record: Record) -> RecordFolder | None:
    if not shelf.is_dir():
        return None

    def known_by(what: Record | Entry) -> tuple[str, str, int | None]:
        return clash_key(what.artist), clash_key(what.title), what.year

    found = [
        entry
        for entry in list_records(shelf)
        if entry.state != "gone" and known_by(entry) == known_by(record)
    ]
    return RecordFolder(shelf / found[0].folder) if len(found) == 1 else None


def find_record(shelf: Path, name: str) -> RecordFolder:
    """The record a person means: a folder, or words that match exactly one."""
    path = Path(name)
    for candidate in (path, shelf / name):
        with contextlib.suppress(OSError, ValueError):
            if name.strip() and (candidate / "record.toml").exists():
                return RecordFolder(candidate)
    entries = list_records(shelf, name)
    if len(entries) == 1:
        return RecordFolder(shelf / entries[0].folder)
    if not entries:
        raise ShelfError("record-unknown", name=name)
    shown = "; ".join(entry.folder for entry in entries[:4])
    raise ShelfError("record-unclear", count=len(entries), name=name, records=shown)


T = TypeVar("T")


def change_record(shelf: Path, folder: RecordFolder, change: Callable[[RecordFolder], T]) -> T:
    """One change of a record's choices, and the index of the shelf told of it. Raises what ``change`` raises."""
    made = change(folder)
    index_record(shelf, folder)
    return made


def index_record(shelf: Path, folder: RecordFolder) -> None:
    """Tell the shelf's index that a record changed; one that lies elsewhere is in no index."""
    if folder.path.resolve().is_relative_to(shelf.resolve()):
        with open_catalogue(shelf, create=True) as catalogue:
            catalogue.put(folder)


def free_folder(shelf: Path, record: Record) -> Path:
    """A folder name nothing else has, on no disk the shelf may move to: a second copy of a record gets a number."""
    taken = {clash_key(path.name) for path in shelf.iterdir()} if shelf.is_dir() else set()
    name = folder_name(
        NamingRules(),
        {
            "artist": record.artist,
            "title": record.title,
            "year": str(record.year or ""),
            "label": record.label,
            "catalogue_number": record.catalogue_number,
        },
    )
    found, number = name, 2
    while clash_key(found) in taken:
        found, number = f"{name} [{number}]", number + 1
    return shelf / found
