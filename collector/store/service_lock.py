"""One service for one store: a lock that the kernel gives back when its process dies, however it dies."""

from __future__ import annotations

import logging
import os
import sys
import time
from contextlib import suppress
from pathlib import Path

from rushlight.collector.errors import StoreError
from rushlight.collector.store.files import open_private, same_file

if sys.platform != "win32":
    import fcntl

__all__ = ["ServiceLock"]

_log = logging.getLogger("rushlight.collector")

_GLANCE_S = 0.1


class ServiceLock:
    """An exclusive lock on a file beside the store.

    Parameters
    ----------
    store_path : str or Path
        The store's file; the lock is `STORE-service` beside it and holds the process's number.

    Examples
    --------
    >>> with ServiceLock("rushlight.db"):        # doctest: +SKIP
    ...     run_the_service()
    """

    def __init__(self, store_path: str | os.PathLike[str]) -> None:
        self._store = Path(store_path)
        self._path = Path(f"{store_path}-service")
        self._file = -1

    def try_acquire(self) -> bool:
        """Take the lock; False where a running service has it. StoreError where the file can't be made."""
        while True:
            try:
                file = open_private(self._path)
            except OSError as error:
                raise StoreError(
                    f"{self._path}: can't be written ({error.strerror}); check the folder and its rights"
                ) from None
            if sys.platform != "win32":
                try:
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    os.close(file)
                    return False
            if same_file(file, self._path):  # not removed between opening and locking
                break
            os.close(file)
        with suppress(OSError):  # the disk may be full: who has it is only for messages
            os.ftruncate(file, 0)
            os.write(file, b"%d\n" % os.getpid())
        self._file = file
        return True

    def keep(self) -> bool:
        """Whether it is held, taken anew where its file was removed; False where another service has it."""
        if self._file < 0 or same_file(self._file, self._path):
            return self._file >= 0
        before = self._file
        try:
            again = self.try_acquire()
        except StoreError:
            # the whole folder is gone, as the store will say: nobody else can have it either
            return True
        os.close(before)
        if again:
            _log.warning("%s: was removed while the service runs; it is locked again", self._path)
        else:
            self._file = -1
        return again

    def acquire(self) -> None:
        """Take the lock.

        Raises
        ------
        StoreError
            Another service has it; the message names its process.
        """
        if not self.try_acquire():
            time.sleep(_GLANCE_S)  # it may have been a glance of `running`
            if self.try_acquire():
                return
            process = self.holder()
            named = f" (process {process})" if process else ""
            raise StoreError(
                f"{self._store}: another rushlight service{named} is running on this store; stop that one, "
                "or give this one its own [store] path"
            )

    def running(self) -> int | None:
        """Process number of the running service, None where none runs; writes nothing."""
        if sys.platform == "win32":
            return None
        try:
            file = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return None
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return self.holder()
        finally:
            os.close(file)
        return None

    def holder(self) -> int | None:
        """Process number of who has, or last had, the lock."""
        try:
            return int(self._path.read_text())
        except (OSError, ValueError):
            return None

    def release(self) -> None:
        """Give it back; harmless where it is not held."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def __enter__(self) -> ServiceLock:
        self.acquire()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()
