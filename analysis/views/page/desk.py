"""What every view of the page works with: the store, the facts of this moment, and who may come in."""

from __future__ import annotations

import asyncio
import functools
import secrets
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.views.access.attempts import Attempts
from rushlight.analysis.views.access.forwarded import networks_of
from rushlight.analysis.views.access.keys import Keys, has_login
from rushlight.analysis.views.access.records import Visitor
from rushlight.analysis.views.fact_types import Facts
from rushlight.analysis.views.facts import collect_facts
from rushlight.collector.errors import AlarmError
from rushlight.collector.log import Clock
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Denied", "Desk", "Unanswered"]

_KEEP_MS = 2_000  # many windows, or a greedy program, cost no more than one
_ASK_S = 6.0  # the service looks once a second for what people ask
_ALPHABET = "BCDFGHJKLMNPQRSTVWXZ23456789"  # nothing that is read in two ways, and no words
_CODE = 10
_MOST_FLASHES = 200

_Made = TypeVar("_Made")


class Denied(Exception):
    """Not to be done by whoever asks; the text says why."""

    def __init__(self, text: str, status: int = 403) -> None:
        super().__init__(text)
        self.status = status


class Unanswered(Exception):
    """The service has not said yet whether it does what was asked; the text says so."""


class Desk:
    """One for a page; on the one thread of its server, but for what it gives to other threads itself.

    Parameters
    ----------
    settings : Settings
    store_path : Path
    clock : callable
        Milliseconds since 1970, UTC.
    is_well : callable
        Whether readings arrive and the store keeps them.
    pictures : PictureMaker, optional
        Where the pictures of alarms come from; without it none is offered.

    Attributes
    ----------
    attempts, visits : Attempts
        At the password or the code, and by links.
    code : str
        What the first visitor must know to set the password; a new one each start, "" once it was used.
    leaving : bool
        The page is to end: nothing may go on for long.
    """

    def __init__(
        self,
        settings: Settings,
        store_path: Path,
        clock: Clock,
        is_well: Callable[[], bool],
        pictures: PictureMaker | None = None,
    ) -> None:
        self.settings = settings
        self.clock = clock
        self.is_well = is_well
        self.pictures = pictures
        self.attempts = Attempts()
        self.visits = Attempts()  # of their own: any site can make a browser ask for links that are none
        letters = "".join(secrets.choice(_ALPHABET) for _ in range(_CODE))
        self.code = f"{letters[:5]}-{letters[5:]}"
        self.leaving = False
        self._path = store_path
        self._reading: EmbeddedStore | None = None
        self._writing: EmbeddedStore | None = None
        self._opening = threading.Lock()
        self._kept: dict[Any, tuple[int, Any]] = {}
        self._flashes: dict[str, tuple[bool, str]] = {}
        page = settings.status_page
        self.proxies = networks_of(page.proxies)
        self.secure = page.tls_certificate is not None or (page.url or "").startswith("https://")

    # -- the store --------------------------------------------------------------------------------------

    def store(self) -> EmbeddedStore:
        """For reading."""
        if self._reading is None:
            self._reading = EmbeddedStore(self._path, read_only=True, busy_ms=2_000)
        return self._reading

    async def write(self, work: Callable[[EmbeddedStore], _Made]) -> _Made:
        """Do that with the store open for writing, while others are answered."""
        return await asyncio.to_thread(self._write, work)

    def _write(self, work: Callable[[EmbeddedStore], _Made]) -> _Made:
        with self._opening:
            if self._writing is None:
                self._writing = EmbeddedStore(self._path)
            store = self._writing
        done = work(store)
        self._kept.clear()
        return done

    def close(self) -> None:
        """Let go of the store."""
        reading, self._reading = self._reading, None
        writing, self._writing = self._writing, None
        for store in (reading, writing):
            if store is not None:
                store.close()

    def once(self, name: Any, make: Callable[[int], _Made], keep_ms: int = _KEEP_MS) -> _Made:
        """What was made a moment ago, or made anew."""
        now = self.clock()
        kept = self._kept.get(name)
        if kept is None or not 0 <= now - kept[0] < keep_ms:
            if len(self._kept) > 64:
                self._kept.clear()
            kept = self._kept[name] = (now, make(now))
        made: _Made = kept[1]
        return made

    def facts(self) -> Facts:
        """Of all tanks."""
        return self.once("facts", lambda now: collect_facts(self.settings, self.store(), now))

    # -- who asks ---------------------------------------------------------------------------------------

    @property
    def keys(self) -> Keys:
        """For asking."""
        return Keys(self.store())

    def has_login(self) -> bool:
        """Whether a password has been set."""
        return self.once("login", lambda _: has_login(self.store()))

    # -- what people ask --------------------------------------------------------------------------------

    async def ask(
        self, kind: str, tank: str, alarm: str, quantity: str, arguments: dict[str, Any], visitor: Visitor
    ) -> str:
        """Have the service do something; the outcome in words.

        Raises
        ------
        AlarmError
            It can't be done.
        Unanswered
            The service has not answered in time; it does it when it can.
        """
        now = self.clock()
        number = await self.write(
            functools.partial(_add, kind, tank, alarm, quantity, arguments, visitor.name, now)
        )
        loop = asyncio.get_running_loop()
        end = loop.time() + _ASK_S
        while loop.time() < end and not self.leaving:
            outcome = self.store().request_outcome(number)
            if outcome is not None:
                self._kept.clear()
                word, _, text = outcome.partition(": ")
                if word != "done":
                    raise AlarmError(text or outcome)
                return text
            await asyncio.sleep(0.05)
        raise Unanswered(
            "The service has not answered so far. What you asked for is kept, and done when it can be; look "
            "again in a minute."
        )

    def flash(self, visitor: Visitor, good: bool, text: str) -> None:
        """To be shown once, on the next page of that browser."""
        if len(self._flashes) > _MOST_FLASHES:
            self._flashes.clear()
        self._flashes[visitor.csrf] = (good, text)

    def take_flash(self, visitor: Visitor) -> tuple[bool, str] | None:
        """What is to be shown once."""
        return self._flashes.pop(visitor.csrf, None) if visitor.csrf else None


def _add(
    kind: str,
    tank: str,
    alarm: str,
    quantity: str,
    arguments: dict[str, Any],
    actor: str,
    now_ms: int,
    store: EmbeddedStore,
) -> int:
    return store.add_request(kind, tank, alarm, quantity, arguments, actor, now_ms)
