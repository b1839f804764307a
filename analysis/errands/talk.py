"""What the program and the page say to each other: lines of JSON, one object each.

First the page writes an `Order`. Then the program writes: ``{"line": TEXT}``; ``{"answer": TEXT}``, what it
comes to; ``{"progress": TEXT}``, in the place of the one before; ``{"point": [TITLE, ANSWER, WORDS]}``;
``{"caution": TEXT}``; ``{"paper": DOCUMENT}``; ``{"alarm": ALARM-ID}``; ``{"choice": [NAME, TITLE]}``;
``{"ask": TEXT, "typed": BOOL}``, to which the page writes ``{"reply": TEXT}``; ``{"fault": TEXT}`` where it
came to nothing.
"""

from __future__ import annotations

import os
import queue
import signal
import sys
import threading
from pathlib import Path
from types import FrameType
from typing import Any

import msgspec

from rushlight.collector.errors import RushlightError

__all__ = ["Order", "Talk"]

_PATIENCE_S = 1800.0  # a question that nobody answers for so long; the probe's own half hour, too


class Order(msgspec.Struct, kw_only=True):
    """What is to be done: which job, by which settings file, for which tank, into which folder."""

    errand: str
    config: str
    tank: str
    folder: str
    fields: dict[str, str] = {}

    def text(self, name: str) -> str | None:
        """What was typed there, None for nothing."""
        return self.fields.get(name, "").strip() or None

    def place(self, name: str) -> Path:
        """A file of the folder."""
        return Path(self.folder) / name


class Talk:
    """The program's side."""

    def __init__(self) -> None:
        self._replies: queue.Queue[str] = queue.Queue()

    def hear(self) -> Order:
        """The order; from then on the program ends when the page does."""
        signal.signal(signal.SIGTERM, _end)
        order = msgspec.json.decode(sys.stdin.readline(), type=Order)
        threading.Thread(target=self._listen, name="replies", daemon=True).start()
        return order

    def _listen(self) -> None:
        for line in sys.stdin:
            self._replies.put(str(msgspec.json.decode(line).get("reply", "")))
        os.kill(os.getpid(), signal.SIGTERM)  # nobody is there any more

    def tell(self, **said: Any) -> None:
        """One object."""
        sys.stdout.write(msgspec.json.encode(said).decode() + "\n")
        sys.stdout.flush()

    def line(self, text: str) -> None:
        """One line; what is indented by a person's patience is progress."""
        if text.startswith("  ") and "not steady yet" in text:
            self.tell(progress=text.strip())
        else:
            self.tell(line=text)

    def ready(self, text: str) -> None:
        """Wait until they say so. RushlightError: they did not."""
        self.tell(ask=text, typed=False)
        self._reply()

    def ask(self, text: str) -> str:
        """What they type. RushlightError: nobody answers."""
        self.tell(ask=text, typed=True)
        return self._reply()

    def _reply(self) -> str:
        try:
            return self._replies.get(timeout=_PATIENCE_S)
        except queue.Empty:
            raise RushlightError("nobody answered for half an hour; nothing was kept") from None


def _end(number: int, frame: FrameType | None) -> None:
    raise SystemExit(1)
