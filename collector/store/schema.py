"""The tables, and how an older file becomes a current one."""

from __future__ import annotations

import sqlite3

from rushlight.collector.errors import StoreNewer

__all__ = ["MIGRATIONS", "VERSION", "migrate", "schema_version"]

# One entry a version, never edited once released: a file at version n gets entries n, n+1, ….
MIGRATIONS: list[tuple[str, ...]] = [
    (
        "CREATE TABLE series (id INTEGER PRIMARY KEY, tank TEXT NOT NULL, quantity TEXT NOT NULL,"
        " UNIQUE (tank, quantity))",
        # AUTOINCREMENT: a position is never given twice, not even after its row has left the table.
        "CREATE TABLE readings (position INTEGER PRIMARY KEY AUTOINCREMENT, series INTEGER NOT NULL,"
        " time_ms INTEGER NOT NULL, value REAL, flag INTEGER NOT NULL, seq INTEGER NOT NULL,"
        " stamp INTEGER NOT NULL)",
        "CREATE UNIQUE INDEX readings_key ON readings (series, time_ms, seq)",
        "CREATE TABLE states (kind TEXT NOT NULL, key TEXT NOT NULL, blob BLOB NOT NULL, position INTEGER,"
        " PRIMARY KEY (kind, key))",
        "CREATE TABLE events (id INTEGER PRIMARY KEY, occurrence TEXT NOT NULL, event TEXT NOT NULL,"
        " time_ms INTEGER NOT NULL, tank TEXT NOT NULL, alarm TEXT NOT NULL, json BLOB NOT NULL,"
        " UNIQUE (occurrence, event, time_ms))",
        "CREATE INDEX events_tank ON events (tank, time_ms)",
        "CREATE INDEX events_time ON events (time_ms)",
        "CREATE TABLE notices (id INTEGER PRIMARY KEY AUTOINCREMENT, occurrence TEXT NOT NULL,"
        " transition TEXT NOT NULL, number INTEGER NOT NULL, target TEXT NOT NULL, title TEXT NOT NULL,"
        " body TEXT NOT NULL, priority TEXT NOT NULL, not_before_ms INTEGER NOT NULL,"
        " created_ms INTEGER NOT NULL, attempts INTEGER NOT NULL DEFAULT 0,"
        " next_attempt_ms INTEGER NOT NULL, delivered_ms INTEGER, error TEXT NOT NULL DEFAULT '',"
        " cancelled INTEGER NOT NULL DEFAULT 0, UNIQUE (occurrence, transition, number, target))",
        "CREATE INDEX notices_due ON notices (next_attempt_ms) WHERE delivered_ms IS NULL AND cancelled = 0",
        "CREATE TABLE requests (id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL,"
        " tank TEXT NOT NULL, alarm TEXT NOT NULL, quantity TEXT NOT NULL, arguments TEXT NOT NULL,"
        " actor TEXT NOT NULL, created_ms INTEGER NOT NULL, outcome TEXT, closed_ms INTEGER)",
        "CREATE INDEX requests_open ON requests (id) WHERE outcome IS NULL",
        "CREATE TABLE set_aside (id INTEGER PRIMARY KEY AUTOINCREMENT, link TEXT NOT NULL,"
        " topic TEXT NOT NULL, payload_head BLOB NOT NULL, size INTEGER NOT NULL, reason TEXT NOT NULL,"
        " time_ms INTEGER NOT NULL)",
        "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL)",
        "CREATE TABLE counters (name TEXT PRIMARY KEY, count INTEGER NOT NULL)",
    ),
    (
        # An ordinary rowid table: blobs of this size in a WITHOUT ROWID table take three times the space.
        "CREATE TABLE chunks (id INTEGER PRIMARY KEY, series INTEGER NOT NULL, day INTEGER NOT NULL,"
        " number INTEGER NOT NULL, blob BLOB NOT NULL, UNIQUE (series, day))",
        "CREATE INDEX chunks_day ON chunks (day)",
        *(
            f"CREATE TABLE {name} (series INTEGER NOT NULL, start_ms INTEGER NOT NULL,"
            " number INTEGER NOT NULL, minimum REAL, mean REAL, maximum REAL,"
            " PRIMARY KEY (series, start_ms)) WITHOUT ROWID"
            for name in ("hourly", "daily")
        ),
    ),
    (
        # Rows by series and time, so that a day of a series is packed and deleted in one piece; the order of
        # arrival in a table of its own, whose old end is cut off. The last position given must stay known.
        "CREATE TABLE arrivals (position INTEGER PRIMARY KEY AUTOINCREMENT, series INTEGER NOT NULL,"
        " time_ms INTEGER NOT NULL, seq INTEGER NOT NULL)",
        "INSERT INTO arrivals SELECT position, series, time_ms, seq FROM readings ORDER BY position",
        "DELETE FROM sqlite_sequence WHERE name = 'arrivals'",
        "INSERT INTO sqlite_sequence (name, seq)"
        " SELECT 'arrivals', seq FROM sqlite_sequence WHERE name = 'readings'",
        "CREATE TABLE rows (series INTEGER NOT NULL, time_ms INTEGER NOT NULL, seq INTEGER NOT NULL,"
        " value REAL, flag INTEGER NOT NULL, stamp INTEGER NOT NULL, position INTEGER NOT NULL,"
        " PRIMARY KEY (series, time_ms, seq)) WITHOUT ROWID",
        "INSERT INTO rows SELECT series, time_ms, seq, value, flag, stamp, position FROM readings"
        " ORDER BY series, time_ms, seq",
        "DROP TABLE readings",
        "ALTER TABLE rows RENAME TO readings",
    ),
    (
        "CREATE TABLE keeper_log (id INTEGER PRIMARY KEY AUTOINCREMENT, tank TEXT NOT NULL,"
        " time_ms INTEGER NOT NULL, json BLOB NOT NULL, actor TEXT NOT NULL, written_ms INTEGER NOT NULL,"
        " undone_ms INTEGER, change INTEGER NOT NULL UNIQUE)",
        "CREATE INDEX keeper_log_time ON keeper_log (tank, time_ms)",
    ),
    (
        # What has just come in lies in its order of arrival until it is sorted in among the rows, see
        # `rushlight.collector.store.arrivals`. A line without a flag only says where its row is.
        "ALTER TABLE readings RENAME TO rows",
        "ALTER TABLE arrivals ADD COLUMN value REAL",
        "ALTER TABLE arrivals ADD COLUMN flag INTEGER",
        "ALTER TABLE arrivals ADD COLUMN stamp INTEGER CHECK ((flag IS NULL) = (stamp IS NULL))",
        "INSERT OR REPLACE INTO meta (key, value)"
        " SELECT 'sorted-position', seq FROM sqlite_sequence WHERE name = 'arrivals'",
        "CREATE VIEW readings AS SELECT series, time_ms, seq, value, flag, stamp, position FROM rows"
        " UNION ALL SELECT series, time_ms, seq, value, flag, stamp, position FROM arrivals WHERE position >"
        " coalesce((SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'sorted-position'), 0)"
        " AND flag IS NOT NULL",
        # States that go with each commit, all of one commit in a row, until they are put in their places.
        "CREATE TABLE recent_states (id INTEGER PRIMARY KEY AUTOINCREMENT, blob BLOB NOT NULL)",
    ),
]

VERSION = len(MIGRATIONS)


def schema_version(db: sqlite3.Connection) -> int:
    """Version the file is at, 0 for a new one."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: sqlite3.Connection, path: str) -> None:
    """Bring the file up to `VERSION`, each step with its version number in one transaction.

    Raises
    ------
    StoreNewer
        The file is from a newer program; it is left untouched.
    """
    while True:
        db.execute("BEGIN IMMEDIATE")
        try:
            version = schema_version(db)  # read under the lock: another process may have been first
            if version > VERSION:
                raise StoreNewer(
                    f"{path}: was written by a newer version (schema {version}, this program knows "
                    f"{VERSION}); update the program or name another file"
                )
            if version == VERSION:
                return
            for statement in MIGRATIONS[version]:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {version + 1}")
            db.execute("COMMIT")
        finally:
            if db.in_transaction:
                db.execute("ROLLBACK")
