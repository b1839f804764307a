"""What takes long or needs much: each is done by a short-lived program, so that its memory goes with it and
the watch never waits. The page hears from it line by line (`rushlight.analysis.errands.talk`).
"""

from __future__ import annotations

import json
import logging
import os
import secrets
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from rushlight.analysis.views.page.desk import Denied
from rushlight.collector.log import Clock

__all__ = ["MOST_AT_A_TIME", "Errand", "Errands"]

_log = logging.getLogger("rushlight.page")

_MODULE = "rushlight.analysis.errands.program"
_TALKS = frozenset({"calibrate", "follow"})
"""They wait for a person: no other work waits for them."""
MOST_AT_A_TIME = 6
"""That are not over; of those that don't wait for a person one is done after the other."""
_KEPT = 12  # that are over, for whoever comes back to them
_MOST_LINES = 400
_TIMEOUT_S = 900.0  # a month of readings on the smallest machine; common practice, no source


class Errand:
    """One of them, as far as it has come.

    Attributes
    ----------
    lines, cautions, points, choices : list
        What it has said, in order.
    answer, progress, question, fault, alarm : str
        What it comes to; where it is; what it asks; why it came to nothing; the alarm it is about. "": none.
    typed : bool
        The question is answered by something that is typed.
    paper : list or None
        A document as `rushlight.analysis.paper.kept` has it.
    over : bool
        It has ended.
    """

    def __init__(
        self, kind: str, tank: str, who: str, fields: Mapping[str, str], folder: Path, now_ms: int
    ) -> None:
        self.id = secrets.token_hex(8)
        self.kind, self.tank, self.who, self.fields = kind, tank, who, dict(fields)
        self.folder, self.began_ms = folder / self.id, now_ms
        self.lines: list[str] = []
        self.cautions: list[str] = []
        self.points: list[tuple[str, str, str]] = []
        self.choices: list[tuple[str, str]] = []
        self.answer = self.progress = self.question = self.fault = self.alarm = ""
        self.typed = self.over = self.stopped = False
        self.paper: list[Any] | None = None
        self.process: subprocess.Popen[str] | None = None
        self.contents: dict[str, bytes] = {}
        self.ended = threading.Event()

    def files(self) -> list[str]:
        """What it has made, by name; only of one that is over."""
        return sorted(one.name for one in self.folder.glob("*")) if self.over else []

    def hear(self, line: str) -> None:
        """One line of its program."""
        try:
            said: Any = json.loads(line)
        except ValueError:
            return  # a library has printed something
        if not isinstance(said, dict):
            return
        for name, value in said.items():
            self._take(name, value, said)

    def _take(self, name: str, value: Any, said: dict[str, Any]) -> None:
        if name == "line" and len(self.lines) < _MOST_LINES:
            self.lines.append(str(value))
            self.progress = ""
        elif name == "caution" and str(value) not in self.cautions:
            self.cautions.append(str(value))
        elif name == "point":
            title, answer, words = value
            self.points.append((str(title), str(answer), str(words)))
        elif name == "choice":
            self.choices.append((str(value[0]), str(value[1])))
        elif name in ("answer", "progress", "fault", "alarm"):
            setattr(self, name, str(value))
        elif name == "paper":
            self.paper = value
        elif name == "ask":
            self.question, self.typed, self.progress = str(value), bool(said.get("typed")), ""


class Errands:
    """Starts them, keeps what came of them, and ends them with the page.

    Parameters
    ----------
    config : str
        The settings file.
    clock : callable
        Milliseconds since 1970, UTC.
    timeout_s : float
        One that waits for no person is given up after that.
    program : list of str, optional
        For tests: what is started instead.
    """

    def __init__(
        self, config: str, clock: Clock, timeout_s: float = _TIMEOUT_S, program: list[str] | None = None
    ) -> None:
        self._config, self._clock, self._timeout_s = config, clock, timeout_s
        self._program = program or [sys.executable, "-m", _MODULE]
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._all: dict[str, Errand] = {}
        self._made: dict[object, Errand] = {}
        self._changing = threading.Lock()
        self._turn = threading.Lock()
        self._closed = False

    def begin(self, kind: str, tank: str, who: str, fields: Mapping[str, str]) -> Errand:
        """Begin one. Denied: too many are on their way."""
        with self._changing:
            if self._closed or sum(not one.over for one in self._all.values()) >= MOST_AT_A_TIME:
                raise Denied("Too much is being worked on; wait for what was begun, or stop it.", 429)
            if self._folder is None:
                self._folder = tempfile.TemporaryDirectory(prefix="rushlight-page-")
            errand = Errand(kind, tank, who, fields, Path(self._folder.name), self._clock())
            errand.folder.mkdir()
            self._all[errand.id] = errand
            for old in [one for one in self._all.values() if one.over][:-_KEPT]:
                del self._all[old.id]
                shutil.rmtree(old.folder, ignore_errors=True)
        threading.Thread(target=self._work, args=(errand,), name=f"{kind} {tank}", daemon=True).start()
        return errand

    def of(self, number: str) -> Errand | None:
        """The one with that id."""
        return self._all.get(number)

    def of_tank(self, tank: str) -> list[Errand]:
        """What somebody began there, the newest first."""
        return [one for one in reversed(list(self._all.values())) if one.tank == tank and one.who]

    def made(
        self, kind: str, tank: str, fields: Mapping[str, str], mark: object = None, wait_s: float = 30.0
    ) -> Errand:
        """Done for a view, or what was done before with the same fields and mark; its files in `contents`.

        The caller is no thread that others wait for.
        """
        key = (kind, tank, tuple(sorted(fields.items())), mark)
        known = self._made.get(key)
        if known is not None:
            return known
        errand = self.begin(kind, tank, "", fields)
        if not errand.ended.wait(wait_s):
            self.stop(errand)
            errand.fault = errand.fault or f"not done within {wait_s:g} s"
        errand.contents = {name: (errand.folder / name).read_bytes() for name in errand.files()}
        with self._changing:
            self._all.pop(errand.id, None)
            shutil.rmtree(errand.folder, ignore_errors=True)
            if not errand.fault:
                self._made[key] = errand
                while len(self._made) > _KEPT:
                    del self._made[next(iter(self._made))]
        return errand

    def reply(self, errand: Errand, text: str) -> None:
        """Answer its question."""
        process = errand.process
        if errand.question and process is not None and process.stdin is not None:
            errand.question = ""
            with suppress(OSError, ValueError):  # it has just ended
                process.stdin.write(json.dumps({"reply": text}) + "\n")
                process.stdin.flush()

    def stop(self, errand: Errand) -> None:
        """End it before its time; it keeps nothing."""
        errand.stopped = True
        process = errand.process
        if process is not None and process.poll() is None:
            process.terminate()

    def close(self, timeout_s: float = 2.0) -> None:
        """End all and remove what they made."""
        with self._changing:
            self._closed = True
            running = [one for one in self._all.values() if not one.over]
        for errand in running:
            self.stop(errand)
        for errand in running:
            errand.ended.wait(timeout_s / len(running))
        if self._folder is not None:
            with suppress(OSError):
                self._folder.cleanup()

    # -- on a thread of its own -------------------------------------------------------------------------

    def _work(self, errand: Errand) -> None:
        try:
            if errand.kind in _TALKS:
                self._run(errand, None)
            elif not errand.who:  # for a view: short
                self._run(errand, self._timeout_s)
            else:
                with self._turn:
                    self._run(errand, self._timeout_s)
        except Exception as error:
            errand.fault = errand.fault or f"it could not be done: {error!r}"
            _log.exception("%s of %s failed", errand.kind, errand.tank)
        finally:
            if errand.stopped:
                errand.fault = errand.fault or "stopped before its end; nothing was kept"
            errand.question = errand.progress = ""
            errand.over = True
            errand.ended.set()

    def _run(self, errand: Errand, timeout_s: float | None) -> None:
        if errand.stopped:
            return
        environment = dict(os.environ)
        if errand.who:
            environment["LOGNAME"] = errand.who  # whoever types a command is asked of it
        with subprocess.Popen(
            self._program,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            env=environment,
        ) as process:
            errand.process = process
            giving_up = None if timeout_s is None else threading.Timer(timeout_s, process.kill)
            complaints: list[str] = []
            assert process.stdin is not None and process.stdout is not None and process.stderr is not None
            aside = threading.Thread(target=complaints.extend, args=(process.stderr,), daemon=True)
            try:
                aside.start()
                if giving_up is not None:
                    giving_up.start()
                order = {"errand": errand.kind, "config": self._config, "tank": errand.tank}
                process.stdin.write(
                    json.dumps({**order, "folder": str(errand.folder), "fields": errand.fields}) + "\n"
                )
                process.stdin.flush()
                if errand.stopped:
                    process.terminate()
                for line in process.stdout:
                    errand.hear(line)
            finally:
                if giving_up is not None:
                    giving_up.cancel()
                process.wait()
                aside.join(1.0)
        if process.returncode and not errand.fault and not errand.stopped:
            errand.fault = "it could not be done; the service's log says why"
            last = complaints[-1].strip() if complaints else f"it ended with status {process.returncode}"
            _log.warning("%s of %s: %s", errand.kind, errand.tank, last)
