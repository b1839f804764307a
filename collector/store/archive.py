"""A backup in one file: the store as it was at one moment, and the settings beside it.

A ZIP archive (any program opens it) of `store.db`, `rushlight.toml` and `about.json`, which has the checksum
of both. Secrets are not in it: they are in the environment, not in the settings.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import zipfile
import zlib
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from rushlight.collector.errors import StoreError
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.files import open_private

__all__ = ["About", "read_archive", "write_archive"]

_STORE, _SETTINGS, _ABOUT = "store.db", "rushlight.toml", "about.json"
_PIECE = 1024 * 1024
# what `zipfile` raises of a damaged archive: a form or a password that it does not know are damage here, too
_UNREADABLE = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError)


class About(msgspec.Struct):
    """What an archive says of itself: SHA-256 of its two files, and when it was made (ms UTC)."""

    made_ms: int
    store_sha256: str
    settings_sha256: str
    form: int = 1


def write_archive(store: EmbeddedStore, settings_file: Path, target: Path, now_ms: int) -> About:
    """Write a backup, also while the service goes on; it is in place only when it is whole.

    Raises
    ------
    StoreError
        It can't be written, or the copy of the store is damaged; a file already at `target` is left.
    """
    part = target.with_name(target.name + ".part")
    try:
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".rushlight-backup-") as folder:
            copy = Path(folder) / _STORE
            store.backup(copy)
            with EmbeddedStore(copy, read_only=True) as made:
                faults = made.check()
            if faults:
                raise StoreError(f"{store.path}: is damaged ({faults[0]}); the backup before is kept")
            settings = settings_file.read_bytes()
            about = About(now_ms, _digest(copy), hashlib.sha256(settings).hexdigest())
            part.unlink(missing_ok=True)  # of a backup that was killed, by whatever rights
            os.close(open_private(part))
            with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
                archive.write(copy, _STORE)
                archive.writestr(_SETTINGS, settings)
                archive.writestr(_ABOUT, msgspec.json.encode(about))
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(target)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise StoreError(
            f"{target}: can't be written ({error.strerror or error}); make room, name another place"
        ) from error
    return about


def read_archive(source: Path, store_path: Path, settings_file: Path) -> tuple[About, list[Path]]:
    """Put a backup's store, and its settings where there are none, in their places.

    A store that is there is kept beside under another name. The caller holds the service's lock.

    Returns
    -------
    about : About
    aside : list of Path
        Where the files that were there are now.

    Raises
    ------
    StoreError
        The archive is damaged or no backup, or the files can't be written; nothing was changed.
    """
    new = store_path.with_name(store_path.name + ".restored")
    new_settings = settings_file.with_name(settings_file.name + ".restored")
    _clear(new, new_settings)  # of a restore that was killed: SQLite would take in its log
    try:
        with zipfile.ZipFile(source) as archive:
            about = msgspec.json.decode(archive.read(_ABOUT), type=About)
            settings = archive.read(_SETTINGS)
            with archive.open(_STORE) as packed:
                _write(new, iter(lambda: packed.read(_PIECE), b""))
        if (
            _digest(new) != about.store_sha256
            or hashlib.sha256(settings).hexdigest() != about.settings_sha256
        ):
            raise StoreError(f"{source}: is damaged (its checksum is another); use an older backup")
        # also brings the tables of an older version up to date, or refuses those of a newer one
        with EmbeddedStore(new) as store:
            faults = store.check()
        if faults:
            raise StoreError(f"{source}: its store is damaged ({faults[0]}); use an older backup")
        bare = not settings_file.exists()
        if bare:
            _write(new_settings, [settings])
        aside = _exchange(new, store_path)
        if bare:
            new_settings.replace(settings_file)
        return about, aside
    except FileNotFoundError as error:
        raise StoreError(f"{error.filename or source}: there is no such file or folder") from None
    except (*_UNREADABLE, KeyError, msgspec.MsgspecError) as error:
        raise StoreError(f"{source}: is no backup of Rushlight, or a damaged one ({error})") from None
    except OSError as error:
        raise StoreError(f"{store_path}: can't be restored ({error.strerror or error}); make room") from error
    finally:
        _clear(new, new_settings)


def _write(path: Path, pieces: Iterable[bytes]) -> None:
    """A new file, readable by its owner alone, and on the disk."""
    with os.fdopen(open_private(path), "wb") as file:
        for piece in pieces:
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())


def _clear(*paths: Path) -> None:
    for path in paths:
        for suffix in ("", "-wal", "-shm", "-lock"):
            with suppress(OSError):
                Path(f"{path}{suffix}").unlink()


def _exchange(new: Path, path: Path) -> list[Path]:
    """Put a store in the place of another one, which stays beside it with its log; its names there.

    Raises
    ------
    OSError
        All is as it was.
    """
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    names = (f"{path}-before-{stamp}{again}" for again in ("", *(f"-{number}" for number in range(2, 1000))))
    beside = next(name for name in names if not Path(name).exists())
    moved: list[tuple[Path, Path]] = []
    try:
        for suffix in ("", "-wal", "-shm"):
            there = Path(f"{path}{suffix}")
            if there.exists():
                moved.append((there, there.rename(f"{beside}{suffix}")))
        new.replace(path)
    except OSError:
        for there, aside in moved:
            aside.rename(there)
        raise
    return [aside for _, aside in moved]


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
