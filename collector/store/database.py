"""One SQLite file: opening, transactions, errors in words.

Durability
----------
WAL with synchronous=FULL: a commit returns after the log has been synced, so what was acknowledged survives
a power cut; with NORMAL the last commits may be lost. The price is one sync per commit, not per reading:
readings are committed in batches, which also keeps an SD card from wearing out.

One at a time
-------------
SQLite before 3.51.3 has a rare fault: two connections that write or checkpoint at the same moment may reset
the log under each other and damage the file. So every write, the checkpoint at its end, and closing are done
under a lock on a file beside the store, also across processes. Readers open read-only and never checkpoint.
"""

from __future__ import annotations

import ctypes
import os
import sqlite3
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Literal

from rushlight.collector.errors import RushlightError, StoreError, StoreMoved
from rushlight.collector.store.files import OpenFiles, make_private, open_private, same_file
from rushlight.collector.store.plain_file import open_for_writing, open_read_only, store_error, write_copy

if sys.platform != "win32":
    import fcntl

__all__ = ["Database"]


class Database:
    """The file and its one connection; safe to use from several threads, which wait for each other.

    Parameters
    ----------
    path : str or Path
        The file; made, with its tables, where it is not there.
    read_only : bool
        For other processes while the service writes. The file must exist and be current.
    synchronous : {"FULL", "NORMAL", "OFF"}
        See the module's text; anything but FULL can lose acknowledged readings at a power cut.
    busy_ms : int
        How long to wait for another process's transaction, in ms.

    Raises
    ------
    StoreError
        The file can't be opened, or is damaged. `StoreNewer`, `StoreFull` as named.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        read_only: bool = False,
        *,
        synchronous: Literal["FULL", "NORMAL", "OFF"] = "FULL",
        busy_ms: int = 10_000,
    ) -> None:
        self.path = Path(path)
        self.read_only = read_only
        self._busy_ms = busy_ms
        self._lock = threading.RLock()
        self._lock_file = -1
        self._depth = 0
        self._failed = False
        self._data_version = -1
        self._forget()
        self._files = OpenFiles(self.path)
        try:
            if read_only:
                self._db = open_read_only(self.path, self._busy_ms)
            else:
                self._db = self._open(synchronous)
        except sqlite3.Error as error:
            self._release()
            raise store_error(self.path, error) from error
        except RushlightError:
            self._release()
            raise
        if not read_only:
            self.put_in_place()

    def put_in_place(self) -> None:
        """Bring in order what a kill has left, where there is anything; must not raise for want of room."""

    def _open(self, synchronous: str) -> sqlite3.Connection:
        self._open_lock()
        make_private(self.path)
        with self._alone():
            return open_for_writing(self.path, self._busy_ms, synchronous, self._files)

    def _open_lock(self) -> None:
        """The lock, or the one that is in its place now."""
        self._release()
        try:
            self._lock_file = open_private(f"{self.path}-lock")
        except OSError as error:
            raise StoreError(
                f"{self.path}: can't be written ({error.strerror}); check the folder and its rights"
            ) from error

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing of what is written inside, on disk when it returns.

        One inside another joins the outer one. A failure inside, even one the caller catches, undoes the
        whole of it.

        Raises
        ------
        StoreFull
            No room; nothing was written.
        StoreMoved
            The file at its path is not the one that is open; what was written is nowhere to be found.
        StoreError
            Anything else that stopped the commit; nothing was written.
        """
        with self._lock:
            if self._depth:
                self._depth += 1
                try:
                    yield
                except BaseException:
                    self._failed = True
                    raise
                finally:
                    self._depth -= 1
                return
            if self.read_only:
                raise StoreError(f"{self.path}: was opened for reading only")
            with self._alone():
                try:
                    self._files.require_in_place()
                    self._db.execute("BEGIN IMMEDIATE")
                    self._depth, self._failed = 1, False
                    self._notice_other_writers()
                    yield
                    if self._failed:
                        raise StoreError(f"{self.path}: a write inside the transaction failed; all undone")
                    self._db.execute("COMMIT")
                    self._files.require_in_place()  # else it is kept where nobody finds it
                except BaseException as error:
                    self._undo()
                    if isinstance(error, sqlite3.Error):
                        raise store_error(self.path, error) from error
                    raise
                finally:
                    self._depth = 0

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """Several reads that see one and the same state of the file."""
        with self._lock:
            if self._depth or self._db.in_transaction:
                yield
                return
            self._run("BEGIN")
            try:
                yield
            finally:
                with suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")

    def _run(self, sql: str, args: tuple[Any, ...] = ()) -> sqlite3.Cursor:
        with self._lock:
            self._require_whole()
            try:
                return self._db.execute(sql, args)
            except (sqlite3.Error, OverflowError) as error:
                self._failed = True
                raise store_error(self.path, error) from error

    def _run_many(self, sql: str, rows: Iterable[tuple[Any, ...]]) -> int:
        """Run for each row; returns the number of rows changed."""
        with self._lock:
            self._require_whole()
            before = self._db.total_changes
            try:
                self._db.executemany(sql, rows)
            except (sqlite3.Error, OverflowError) as error:
                self._failed = True
                raise store_error(self.path, error) from error
            return self._db.total_changes - before

    def _all(self, sql: str, args: tuple[Any, ...] = ()) -> list[Any]:
        with self._lock:
            try:
                return self._run(sql, args).fetchall()
            except sqlite3.Error as error:
                raise store_error(self.path, error) from error

    def _one(self, sql: str, args: tuple[Any, ...] = ()) -> Any:
        rows = self._all(sql, args)
        return rows[0] if rows else None

    def _require_whole(self) -> None:
        # After some errors SQLite has rolled back by itself; going on would commit half a batch.
        if self._depth and self._failed:
            raise StoreError(f"{self.path}: an earlier write of this transaction failed; start it again")

    def _forget(self) -> None:
        """Drop what is remembered about the file's contents (after an undo or another's write)."""

    def _notice_other_writers(self) -> None:
        version = self._db.execute("PRAGMA data_version").fetchone()[0]
        if version != self._data_version:
            self._data_version = version
            self._forget()

    def _undo(self) -> None:
        self._forget()
        with suppress(sqlite3.Error):
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Hold the file beside the store, so that no other process writes, checkpoints or closes."""
        if sys.platform == "win32":
            yield
            return
        deadline = time.monotonic() + self._busy_ms / 1000
        while True:
            try:
                fcntl.flock(self._lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                if same_file(self._lock_file, f"{self.path}-lock"):
                    break
                self._open_lock()  # it was removed: others lock the one that is there
            except BlockingIOError:
                if time.monotonic() > deadline:
                    raise StoreError(
                        f"{self.path}: another process has been writing for {self._busy_ms / 1000:g} s; "
                        "try again, or stop it"
                    ) from None
                time.sleep(0.002)
        try:
            yield
        finally:
            fcntl.flock(self._lock_file, fcntl.LOCK_UN)

    def backup(self, path: str | os.PathLike[str]) -> None:
        """A consistent copy, also while the service writes; put in place only when it is whole.

        Raises
        ------
        StoreError
            The copy can't be written; a file already at `path` is left as it was.
        """
        write_copy(self._db, self._lock, Path(path))

    def check(self) -> list[str]:
        """SQLite's integrity check: faults in words, empty where there are none."""
        rows = [str(row[0]) for row in self._all("PRAGMA integrity_check")]
        return [] if rows == ["ok"] else rows

    def close(self) -> None:
        """Close the file; harmless when it is closed already."""
        with self._lock:
            if self.read_only or self._lock_file < 0:
                self._db.close()
                return
            try:
                with self._alone():  # the last to close checkpoints
                    try:
                        self._files.require_in_place()
                    except StoreMoved:
                        # SQLite would remove the log by its name, which is another file's now
                        ctypes.pythonapi.Py_IncRef(ctypes.py_object(self._db))
                        return
                    self._db.close()
            finally:
                self._release()

    def _release(self) -> None:
        if self._lock_file >= 0:
            os.close(self._lock_file)
            self._lock_file = -1
