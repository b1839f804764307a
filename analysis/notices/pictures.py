"""Which notices go with a picture, and how long they wait for it."""

from __future__ import annotations

import logging
import time
from pathlib import Path
from typing import Protocol

from rushlight.analysis.notices.channels import takes_pictures
from rushlight.collector.store.records import Notice

__all__ = ["NoticePictures", "Pictures"]

_log = logging.getLogger("rushlight.notices")


class Pictures(Protocol):
    """What notices need of `rushlight.analysis.explain.png_worker`."""

    def want(self, name: str, occurrence: str) -> None: ...
    def coming(self, name: str) -> bool: ...
    def get(self, name: str, wait_s: float = 0.0) -> Path | None: ...


class NoticePictures:
    """A picture is a courtesy, the words are what matters: nothing waits longer than `wait_s` for one.

    Parameters
    ----------
    maker : Pictures or None
        None: there are no pictures.
    wait_s : float
        From when a notice could first have gone. Only that notice waits, no other behind it.
    """

    def __init__(self, maker: Pictures | None, wait_s: float) -> None:
        self._maker = maker
        self._wait_s = wait_s
        self._since: dict[str, float] = {}  # when what still waits was first looked at, s
        self._seen: dict[str, float] = {}

    def awaited(self, url: str, notice: Notice) -> bool:
        """Whether the notice had better go later, because its picture is being made; begins to make it."""
        if self._maker is None or not self._shown(url, notice):
            return False
        try:
            name = _name(notice)
            began = self._seen[name] = self._since.get(name, time.monotonic())
            self._maker.want(name, notice.occurrence)
            return self._maker.coming(name) and time.monotonic() - began < self._wait_s
        except Exception as error:
            _complain(error)
            return False

    def of(self, url: str, notice: Notice) -> Path | None:
        """What can be shown with a notice that goes now."""
        if self._maker is None or not self._shown(url, notice):
            return None
        try:
            return self._maker.get(_name(notice))
        except Exception as error:
            _complain(error)
            return None

    def round_over(self) -> None:
        """All that is due has been asked about: forget what no longer waits."""
        self._since, self._seen = self._seen, {}

    def _shown(self, url: str, notice: Notice) -> bool:
        # not with what failed before: a channel that is hard to reach gets the words alone
        if notice.attempts or notice.transition in ("cleared", "test"):
            return False
        try:
            return takes_pictures(url)
        except Exception as error:
            _complain(error)
            return False


def _name(notice: Notice) -> str:
    """A reminder has a picture of its own, with what has happened since."""
    return f"{notice.occurrence} {notice.transition} {notice.number}"


def _complain(error: Exception) -> None:
    _log.warning("no picture with a notice (%s)", type(error).__name__)
