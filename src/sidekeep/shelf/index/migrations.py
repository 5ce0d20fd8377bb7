"""How the catalogue's tables came to be, in order. Never change a step that has been released: add one.

Each step runs in one transaction together with the number that records it (``PRAGMA user_version``).
"""

from __future__ import annotations

import contextlib
import sqlite3

from sidekeep.shelf.index.index_faults import NewerIndex

STEPS: tuple[str, ...] = (
    """
    CREATE TABLE record (
        id TEXT PRIMARY KEY,
        folder TEXT NOT NULL UNIQUE,
        artist TEXT NOT NULL,
        title TEXT NOT NULL,
        year INTEGER,
        label TEXT NOT NULL,
        catalogue_number TEXT NOT NULL,
        genre TEXT NOT NULL,
        track_count INTEGER NOT NULL,
        state TEXT NOT NULL,
        added_utc TEXT NOT NULL
    ) STRICT;
    CREATE TABLE take (
        record_id TEXT NOT NULL REFERENCES record (id) ON DELETE CASCADE,
        folder TEXT NOT NULL,
        side TEXT NOT NULL,
        number INTEGER NOT NULL,
        length_s REAL NOT NULL,
        rate_hz INTEGER NOT NULL,
        bits INTEGER NOT NULL,
        sha256 TEXT NOT NULL,
        stylus TEXT NOT NULL,
        how TEXT NOT NULL,
        taken_utc TEXT NOT NULL,
        PRIMARY KEY (record_id, folder)
    ) STRICT;
    CREATE VIRTUAL TABLE words USING fts5 (
        record_id UNINDEXED, artist, title, tracks, other, tokenize = 'unicode61 remove_diacritics 2'
    );
    """,
)


def refuse_newer(connection: sqlite3.Connection) -> int:
    """How many steps a catalogue has behind it. Raises NewerIndex for one made by a newer sidekeep."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > len(STEPS):
        raise NewerIndex("catalogue-newer")
    return int(version)


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a catalogue to the newest form. Several may open a new one at once: each step is made by the first of them."""
    while (version := refuse_newer(connection)) < len(STEPS):
        connection.execute("BEGIN IMMEDIATE")
        try:
            if refuse_newer(connection) == version:
                # Not as a script: that would end the transaction before its first statement.
                for statement in STEPS[version].split(";"):
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):  # a full disk has taken it all back already
                connection.execute("ROLLBACK")
            raise
