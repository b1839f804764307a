"""The store's files: made for their owner alone, and known again.

Others may not so much as read them: a lock that any local user can hold would stop all writing. And a file
that is removed or replaced while it is open goes on taking what is written to it, which nobody finds again;
so who writes asks `OpenFiles.require_in_place` before it says that something is kept.
"""

from __future__ import annotations

import logging
import os
import stat
from contextlib import suppress
from pathlib import Path

from rushlight.collector.errors import StoreMoved

__all__ = ["MODE", "OpenFiles", "make_new", "make_private", "open_private", "same_file"]

_log = logging.getLogger("rushlight.store")

MODE = 0o600
"""Of the store, its log (-wal), its index (-shm) and its locks: read and written by their owner."""
_SUFFIXES = ("", "-wal", "-shm", "-lock", "-service")


def open_private(path: str | os.PathLike[str]) -> int:
    """Open for reading and writing, made with `MODE` where it is not there; OSError as `os.open`."""
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, MODE)


def make_new(path: Path) -> None:
    """Make the store's file with `MODE` where there is none; where that fails SQLite says why.

    One that is there is not opened: closing it would let go of the locks that this process's connections have
    on it (POSIX.1-2017, fcntl: all locks of a process on a file end with the first close of it), and the next
    process to close the store would take itself for the last one and remove the log under the service.
    """
    with suppress(OSError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, MODE))


def make_private(path: Path) -> None:
    """Take from others what they may do with the store's files; those of an older version let them read."""
    for suffix in _SUFFIXES:
        file = Path(f"{path}{suffix}")
        try:
            mode = stat.S_IMODE(file.stat().st_mode)
            if mode & ~MODE:
                file.chmod(mode & MODE)
        except FileNotFoundError:
            pass
        except OSError as error:
            _log.warning(
                "%s: others may open it (mode %03o) and that can't be changed (%s); change its owner or run "
                "`chmod 600` on it, or another user can stop the writing",
                file,
                mode,
                error.strerror,
            )


class OpenFiles:
    """The files that a connection writes, as they were when it began.

    Parameters
    ----------
    path : Path
        The store; its log (`-wal`) and index (`-shm`) are looked at too.
    """

    def __init__(self, path: Path) -> None:
        self._paths = [(f"{path}{suffix}", suffix) for suffix in ("", "-wal", "-shm")]
        self._known: dict[str, tuple[int, int]] = {}
        self._store = path

    def require_in_place(self) -> None:
        """Remember what is met for the first time; three looks at a folder, some microseconds.

        Raises
        ------
        StoreMoved
            A file was removed, moved, or another one put in its place.
        """
        for path, suffix in self._paths:
            found = _identity(path)
            known = self._known.get(suffix)
            if known is None:
                if found is not None:
                    self._known[suffix] = found
            elif found != known:
                if found is not None and not suffix:
                    self._set_log_aside()
                what = "was removed or moved away" if found is None else "was replaced by another"
                raise StoreMoved(
                    f"{path}: {what} while Rushlight had it open; nothing is kept or acknowledged: move the "
                    "very file back, or start Rushlight again with the one that is to be used"
                )

    def _set_log_aside(self) -> None:
        """The log of the file before must not be taken for that of the file that is there now."""
        for suffix in ("-wal", "-shm"):
            path = Path(f"{self._store}{suffix}")
            if _identity(path) == self._known.get(suffix, ()):
                try:
                    path.rename(f"{self._store}-before{suffix}")
                    _log.warning(
                        "%s: is of the file before; it is now %s-before%s", path, self._store, suffix
                    )
                except OSError as error:
                    _log.error("%s: is of the file before; remove it (%s)", path, error.strerror)


def same_file(file: int, path: str | os.PathLike[str]) -> bool:
    """Whether an open file (its descriptor) is the one at a path now."""
    found = os.fstat(file)
    return (found.st_dev, found.st_ino) == _identity(path)


def _identity(path: str | os.PathLike[str]) -> tuple[int, int] | None:
    try:
        found = Path(path).stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
