"""How the catalogue's tables came to be, in order. Never change a step that has been released: add one.

Each step runs in one transaction together with the number that records it (``PRAGMA user_version``).
"""

from __future__ import annotations

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
    """Bring a catalogue to the newest form."""
    version = refuse_newer(connection)
    for number, step in enumerate(STEPS[version:], start=version + 1):
        connection.executescript(f"BEGIN IMMEDIATE; {step}; PRAGMA user_version = {number}; COMMIT;")
