"""``shelf.sqlite``: an index over the record folders, made again from them at any time."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sidekeep.errors import ShelfError
from sidekeep.shelf.index.connecting import BUSY_S, connectable, roll_back_by_journal
from sidekeep.shelf.index.finding import holds, parted
from sidekeep.shelf.index.index_faults import CATALOGUE, DamagedIndex, index_error
from sidekeep.shelf.index.migrations import migrate, refuse_newer
from sidekeep.shelf.record_folder import RecordFolder

Form = Literal["kept", "as it lies", "passing"]
_log = logging.getLogger(__name__)
_OLDEST_SQLITE = (3, 37, 0)  # STRICT tables


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One line of the shelf. ``folder`` is relative to the shelf."""

    record_id: str
    folder: str
    artist: str
    title: str
    year: int | None
    label: str
    catalogue_number: str
    genre: str
    track_count: int
    state: str
    added_utc: str


_COLUMNS = "id, folder, artist, title, year, label, catalogue_number, genre, track_count, state, added_utc"


class Catalogue:
    """The index of one shelf. Use as a context manager.

    ``form``: ``kept`` is the file, made when there is none; ``as it lies`` reads the file without writing a byte anywhere, and
    ``passing`` is an empty one in memory: both for a shelf that cannot be written to.
    """

    def __init__(self, shelf: Path, *, form: Form = "kept") -> None:
        if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
            raise ShelfError("sqlite-too-old", version=sqlite3.sqlite_version)
        self.shelf = shelf
        path = shelf / CATALOGUE
        was_there = form != "kept" or path.exists()
        # What could not be opened is let go of: it may have to be renamed.
        undo = contextlib.ExitStack()
        try:
            if form == "as it lies":
                # Nothing is written, not even a lock: for a disk that takes none.
                self._db = sqlite3.connect(
                    f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None
                )
                undo.callback(self._db.close)
                refuse_newer(self._db)
                undo.pop_all()
                return
            place = connectable(path) if form == "kept" else ":memory:"
            self._db = sqlite3.connect(place, uri=True, isolation_level=None, timeout=BUSY_S)
            undo.callback(self._db.close)
            roll_back_by_journal(self._db)
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA foreign_keys = ON")
            migrate(self._db)
            undo.pop_all()
        except sqlite3.Error as error:
            undo.close()
            if not was_there:
                _leave_no_empty(path)
            raise index_error(shelf, error) from error
        finally:
            undo.close()

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            raise index_error(self.shelf, error) from error

    def check(self) -> None:
        """Raise what is wrong with the index, if anything is."""
        try:
            (answer,) = self._db.execute("PRAGMA quick_check(1)").fetchone()
            self._db.execute(f"SELECT {_COLUMNS} FROM record LIMIT 1").fetchone()
        except sqlite3.Error as error:
            self._db.close()
            raise index_error(self.shelf, error) from error
        if answer != "ok":
            self._db.close()
            raise DamagedIndex("index-damaged", path=self.shelf / CATALOGUE, reason=answer)

    @property
    def is_empty(self) -> bool:
        """Whether no record is in it."""
        return self._db.execute("SELECT 1 FROM record LIMIT 1").fetchone() is None

    def put(self, folder: RecordFolder) -> None:
        """Index one record folder as it is now."""
        with self._transaction() as db:
            self._put(db, folder)

    def forget(self, record_id: str) -> None:
        """Take a record out of the index; its folder is not touched."""
        with self._transaction() as db:
            db.execute("DELETE FROM words WHERE record_id = ?", (record_id,))
            db.execute("DELETE FROM record WHERE id = ?", (record_id,))

    def _put(self, db: sqlite3.Connection, folder: RecordFolder) -> None:
        record, facts = folder.record(), folder.facts()
        record_id = folder.record_id
        db.execute("DELETE FROM words WHERE record_id = ?", (record_id,))
        db.execute("DELETE FROM record WHERE id = ? OR folder = ?", (record_id, self._relative(folder)))
        db.execute(
            f"INSERT INTO record ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                record_id,
                self._relative(folder),
                record.artist,
                record.title,
                record.year,
                record.label,
                record.catalogue_number,
                record.genre,
                record.track_count,
                folder.state(),
                str(facts.get("added", "")),
            ),
        )
        db.executemany(
            "INSERT INTO take VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    record_id,
                    take.folder,
                    take.side,
                    take.number,
                    take.length_s,
                    take.rate_hz,
                    take.bits,
                    " ".join(file.sha256 for file in take.files),
                    take.stylus,
                    take.how,
                    take.taken_utc,
                )
                for take in folder.takes()
            ],
        )
        tracks = [track for side in record.sides for track in side.tracks]
        other = [record.label, record.catalogue_number, record.country, record.genre, record.barcode]
        db.execute(
            "INSERT INTO words VALUES (?, ?, ?, ?, ?)",
            (
                record_id,
                record.artist,
                record.title,
                " / ".join(f"{track.title} {track.artist} {track.composer}" for track in tracks),
                " ".join([*other, str(record.year or ""), *record.notes, str(facts.get("notes", ""))]),
            ),
        )

    def _relative(self, folder: RecordFolder) -> str:
        path, shelf = folder.path, self.shelf
        if not path.is_relative_to(shelf):  # named from where the person stands, or by way of a link
            path, shelf = path.resolve(), shelf.resolve()
        return path.relative_to(shelf).as_posix()

    def entries(self, words: str = "", *, state: str = "") -> list[Entry]:
        """Records that hold all the words (beginnings count), by artist and title."""
        query = f"SELECT {_COLUMNS} FROM record"
        terms, others = parted(words)
        conditions, values = [], []
        if words.strip() and not terms and not others:
            return []
        if terms:
            conditions.append("id IN (SELECT record_id FROM words WHERE words MATCH ?)")
            values.append(" ".join(f'"{term}"*' for term in terms))
        if others:
            self._db.create_function("holds", 2, holds, deterministic=True)
        for term in others:
            text = "artist || ' ' || title || ' ' || tracks || ' ' || other"
            conditions.append(f"id IN (SELECT record_id FROM words WHERE holds({text}, ?))")
            values.append(term)
        if state:
            conditions.append("state = ?")
            values.append(state)
        if conditions:
            query += " WHERE " + " AND ".join(conditions)
        rows = self._db.execute(query + " ORDER BY artist COLLATE NOCASE, title COLLATE NOCASE, year", values)
        return [Entry(**dict(zip(Entry.__dataclass_fields__, row, strict=True))) for row in rows]

    def stylus_hours(self) -> dict[str, float]:
        """Hours of groove per stylus over all takes that name one."""
        rows = self._db.execute(
            "SELECT stylus, sum(length_s) / 3600.0 FROM take WHERE stylus <> '' "
            "GROUP BY stylus ORDER BY stylus"
        )
        return {str(stylus): float(hours) for stylus, hours in rows}

    def fill(self) -> None:
        """Index the shelf's folders where nothing is in the index: it is new, or was broken off before it was filled."""
        if self.is_empty:
            self._index_all(only_where_empty=True)

    def rebuild(self) -> list[RecordFolder]:
        """Forget everything and index the shelf's folders again, in one transaction; the folders. Of those with one id, a record
        and a copy of its folder, the one that was in the index before is, else the first."""
        return self._index_all()

    def _index_all(self, *, only_where_empty: bool = False) -> list[RecordFolder]:
        with self._transaction() as db:
            if only_where_empty and not self.is_empty:
                return []
            # Looked for within the transaction: a record that another has put meanwhile would be forgotten again.
            folders = record_folders(self.shelf)
            before = {self.shelf / folder for (folder,) in db.execute("SELECT folder FROM record")}
            taken: dict[str, RecordFolder] = {}
            for table in ("words", "take", "record"):
                db.execute(f"DELETE FROM {table}")
            for folder in sorted(folders, key=lambda each: each.path not in before):
                try:
                    first = taken.setdefault(folder.record_id, folder)
                    if first is not folder:
                        _log.warning(
                            "not in the list: %s has the id of %s; is it a copy of its folder?",
                            folder.path,
                            first.path.name,
                        )
                        continue
                    self._put(db, folder)
                except ShelfError as error:
                    _log.warning("not in the list: %s", error)
        return folders


def record_folders(shelf: Path) -> list[RecordFolder]:
    """Every folder of the shelf that holds a ``record.toml``, at any depth of up to three.

    Folders whose name begins with a dot are passed over: the bin is one.
    """
    found = {
        path.parent
        for pattern in ("*", "*/*", "*/*/*")
        for path in shelf.glob(f"{pattern}/record.toml")
        # Some network drives keep pictures of every file in a folder that is called like it.
        if not any(part.startswith(".") for part in path.relative_to(shelf).parts) and path.is_file()
    }
    return [RecordFolder(path) for path in sorted(found)]


def _leave_no_empty(path: Path) -> None:
    """An index that could not be begun, as on a full disk, leaves no file: whoever looks would take it for one."""
    with contextlib.suppress(OSError):
        if path.stat().st_size == 0:
            path.unlink()
