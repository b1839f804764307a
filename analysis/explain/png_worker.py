"""Pictures for whoever runs on: each is made by a short-lived program, so that matplotlib's memory goes with
it, and nothing waits for it longer than it wants to.
"""

from __future__ import annotations

import hashlib
import logging
import os
import subprocess
import sys
import tempfile
import threading
import time
from importlib.util import find_spec
from pathlib import Path

from rushlight.collector.log import Clock
from rushlight.collector.settings import Settings

__all__ = ["PictureMaker"]

_log = logging.getLogger("rushlight.pictures")

_TIMEOUT_S = 60.0
_KEPT = 32
_MOST_WAITING = 16


class PictureMaker:
    """Makes pictures of alarms, one at a time, and keeps the newest ones.

    Parameters
    ----------
    settings : Settings
        Its file and store are what the other program reads.
    clock : callable
        Milliseconds since 1970, UTC.
    timeout_s : float
        After that a picture that isn't made is given up.
    program : list of str, optional
        For tests: what is started instead.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        timeout_s: float = _TIMEOUT_S,
        program: list[str] | None = None,
    ) -> None:
        self._config = settings.path
        self._store = settings.store_path()
        self._clock = clock
        self._timeout_s = timeout_s
        self._program = program or [sys.executable, "-m", "rushlight.analysis.explain.png"]
        self._folder = tempfile.TemporaryDirectory(prefix="rushlight-")
        self._made: dict[str, Path | None] = {}  # in order of making; None: could not be made
        self._waiting: list[tuple[str, str]] = []
        self._changed = threading.Condition()
        self._worker: threading.Thread | None = None
        self._making = False  # the first of those waiting
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False
        self._complained = False

    @staticmethod
    def possible() -> bool:
        """Whether matplotlib is installed; it is not imported."""
        return find_spec("matplotlib") is not None

    def want(self, name: str, occurrence: str) -> None:
        """Begin to make the picture of an occurrence, unless one of this name is there or on its way.

        The newest wanted is made next: the notices of those before it may long have gone without.
        """
        with self._changed:
            if self._closed or name in self._made:
                return
            if any(name == other for other, _ in self._waiting):
                return
            self._waiting.insert(1 if self._making else 0, (name, occurrence))
            del self._waiting[_MOST_WAITING:]
            if self._worker is None:
                self._worker = threading.Thread(target=self._work, name="pictures", daemon=True)
                self._worker.start()
            self._changed.notify_all()

    def coming(self, name: str) -> bool:
        """Whether the picture of that name is being made, or will be."""
        with self._changed:
            return not self._closed and any(name == other for other, _ in self._waiting)

    def get(self, name: str, wait_s: float = 0.0) -> Path | None:
        """The picture of that name, None where there is none within `wait_s`."""
        end = time.monotonic() + wait_s
        with self._changed:
            while name not in self._made and any(name == other for other, _ in self._waiting):
                left = end - time.monotonic()
                if left <= 0 or not self._changed.wait(left):
                    break
            path = self._made.get(name)
            return path if path is not None and path.exists() else None

    def close(self, timeout_s: float = 5.0) -> None:
        """Stop what is being made and remove what was."""
        with self._changed:
            self._closed = True
            self._waiting.clear()
            process = self._process
            self._changed.notify_all()
        if process is not None and process.poll() is None:
            process.kill()
        if self._worker is not None:
            self._worker.join(timeout_s)
        self._folder.cleanup()

    def _work(self) -> None:
        while True:
            with self._changed:
                while not self._waiting and not self._closed:
                    self._changed.wait()
                if self._closed:
                    return
                name, occurrence = self._waiting[0]
                self._making = True
            try:
                path = self._make(name, occurrence)
            except Exception as error:
                # a picture is a courtesy; the notice goes out without it
                path = None
                self._complain(repr(error))
            with self._changed:
                self._making = False
                if self._closed:
                    return
                self._waiting.pop(0)
                self._made[name] = path
                while len(self._made) > _KEPT:
                    old = self._made.pop(next(iter(self._made)))
                    if old is not None:
                        old.unlink(missing_ok=True)
                self._changed.notify_all()

    def _make(self, name: str, occurrence: str) -> Path | None:
        alarm = occurrence.split("/")[1] if occurrence.count("/") >= 2 else "alarm"
        key = hashlib.sha256(name.encode()).hexdigest()[:12]
        path = Path(self._folder.name) / f"{alarm}-{key}.png"
        # without a home of its own, as under systemd, matplotlib would look through all fonts each time
        environment = dict(os.environ)
        if not os.access(Path.home(), os.W_OK):
            environment.setdefault("MPLCONFIGDIR", self._folder.name)
        command = [*self._program, self._config, str(self._store), occurrence, str(self._clock()), str(path)]
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=environment,
        )
        self._process = process
        try:
            _, said = process.communicate(timeout=self._timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            self._complain(f"not made within {self._timeout_s:g} s")
            return None
        finally:
            self._process = None
        if process.returncode != 0 or not path.exists():
            lines = said.decode(errors="replace").strip().splitlines()
            if not self._closed:
                self._complain(lines[-1] if lines else f"ended with status {process.returncode}")
            return None
        return path

    def _complain(self, why: str) -> None:
        if not self._complained:
            _log.warning("an alarm's picture could not be made (%s); notices go out without", why)
        self._complained = True
