"""A command of ours on a pseudo-terminal, as somebody types it."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

__all__ = ["Terminal"]

ROOT = Path(__file__).parents[1]


class Terminal:
    """A program on a pseudo-terminal: waits for a question, types an answer."""

    def __init__(self, folder: Path, *words: str, **variables: str) -> None:
        self.master, slave = pty.openpty()
        command = [sys.executable, "-m", "rushlight.analysis.commands.main", *words]
        environment = os.environ | {"PYTHONPATH": str(ROOT / "src"), "TERM": "dumb", "TZ": "Europe/Lisbon"}
        environment |= variables
        self.process = subprocess.Popen(
            command,
            cwd=folder,
            env=environment,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        self.text, self._seen = "", 0

    def answer(self, question: str, typed: str) -> None:
        end = time.monotonic() + 40
        while question not in self.text[self._seen :]:
            assert time.monotonic() < end, f"not asked: {question}\n{self.text}"
            self._read()
        self._seen = self.text.index(question, self._seen) + len(question)
        os.write(self.master, typed.encode() + b"\n")

    def _read(self) -> bool:
        if not select.select([self.master], [], [], 0.2)[0]:
            return True
        try:
            self.text += os.read(self.master, 65536).decode("utf-8", "replace")
        except OSError:  # the other end is closed
            return False
        return True

    def end(self) -> int:
        while self._read() and self.process.poll() is None:
            pass
        while self._read() and select.select([self.master], [], [], 0.2)[0]:
            pass
        os.close(self.master)
        return self.process.wait(20)
