"""The store's file without its class: opened for reading, copied, and SQLite's errors in words."""

from __future__ import annotations

import os
import sqlite3
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any

from rushlight.collector.errors import StoreError, StoreFull, StoreNewer
from rushlight.collector.store.files import OpenFiles, make_new, open_private
from rushlight.collector.store.schema import VERSION, migrate, schema_version

__all__ = ["open_read_only", "store_error", "write_copy"]

_LOG_LIMIT = 16 * 1024 * 1024  # bytes the log may keep after a checkpoint
# Hundreds of tanks touch over a thousand pages a commit, and the same ones again with the next.
_LOG_PAGES = 4000  # as much as _LOG_LIMIT
_CACHE_KIB = 16 * 1024  # at most: where there are few tanks it is not filled
# The log's index (-shm) could not be grown: also a full disk.
_FULL = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def open_read_only(path: Path, busy_ms: int) -> sqlite3.Connection:
    """A connection for other processes while the service writes; the file must exist and be current."""
    if not path.exists():
        raise StoreError(f"{path}: there is no such file; start `rushlight run` first or mend the path")
    db = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro",
        uri=True,
        timeout=busy_ms / 1000,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        version = schema_version(db)
        if version > VERSION:
            raise StoreNewer(
                f"{path}: was written by a newer version (schema {version}, this program knows "
                f"{VERSION}); update the program or name another file"
            )
        if version < VERSION:
            raise StoreError(
                f"{path}: is from an older version (schema {version} of {VERSION}); "
                "start `rushlight run` once to bring it up to date"
            )
    except BaseException:
        db.close()
        raise
    return db


def open_for_writing(path: Path, busy_ms: int, synchronous: str, files: OpenFiles) -> sqlite3.Connection:
    """The connection of the one who writes, who holds the store's lock; see `Database` for `synchronous`."""
    make_new(path)  # its log and its index take their mode from it
    db = sqlite3.connect(path, timeout=busy_ms / 1000, isolation_level=None, check_same_thread=False)
    try:
        if schema_version(db) > VERSION:
            migrate(db, str(path))  # raises, before anything is changed
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")  # of a new file; an older one keeps its free room
        db.execute("PRAGMA journal_mode = WAL")
        db.execute(f"PRAGMA synchronous = {synchronous}")
        db.execute(f"PRAGMA journal_size_limit = {_LOG_LIMIT}")
        db.execute(f"PRAGMA wal_autocheckpoint = {_LOG_PAGES}")
        db.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        migrate(db, str(path))
        files.require_in_place()
    except BaseException:
        db.close()
        raise
    return db


def store_error(path: Path, error: Exception) -> StoreError:
    """What SQLite says, in words, with what to do."""
    code = getattr(error, "sqlite_errorcode", None)
    if code in _FULL:
        return StoreFull(f"{path}: no room left on the disk; nothing was written, make room")
    if code is not None and code & 0xFF in _DAMAGED:
        return StoreError(f"{path}: is damaged or no store ({error}); put it aside and restore a backup")
    return StoreError(f"{path}: {error}")


def write_copy(db: sqlite3.Connection, lock: AbstractContextManager[Any], target: Path) -> None:
    """A consistent copy in one plain file, put in place only when it is whole; see `Database.backup`."""
    part = target.with_name(target.name + ".part")
    try:
        part.unlink(missing_ok=True)
        os.close(open_private(part))
        copy = sqlite3.connect(part, isolation_level=None)
        try:
            with lock:
                db.backup(copy)
            # one plain file, nothing beside it
            copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            copy.close()
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(target)
    except (sqlite3.Error, OSError) as error:
        with suppress(OSError):
            part.unlink()
        if getattr(error, "sqlite_errorcode", None) in _FULL:
            raise StoreFull(f"{target}: no room for the copy; make room or name another disk") from error
        raise StoreError(f"{target}: the copy can't be written ({error}); check the folder") from error
