"""Who may connect to the page: few at a time, not for long, and never at the cost of the watch.

Each connection takes a file descriptor of the whole process, and without one nothing can be read, kept or
sent. So the page accepts for itself: it counts sockets and not requests, gives each a time in which to ask,
and leaves descriptors to the rest. Where all places are taken, a new caller gets that of the one who has
waited longest without asking.
"""

from __future__ import annotations

import asyncio
import logging
import re
import socket
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from rushlight.analysis.views.access.forwarded import Networks, is_among
from rushlight.collector.log import ClearLog, Clock

__all__ = [
    "ANSWER_S",
    "ASK_S",
    "LIVE_S",
    "MOST",
    "MOST_FROM_ONE",
    "PICTURE_S",
    "RESERVE",
    "Door",
    "PageServer",
    "descriptors",
    "places",
]

MOST = 48
"""Connections at a time: a browser opens six to a page (common practice, no source)."""
MOST_FROM_ONE = 16
"""Connections at a time from one address. Common practice, no source."""
RESERVE = 128
"""File descriptors that stay free for readings, store and notices. Common practice, no source."""
ASK_S = 10.0
"""From the connection, or the last answer, to the end of a request's header. Common practice, no source."""
ANSWER_S = 15.0
"""For an answer, until all its bytes are taken. Common practice, no source."""
PICTURE_S = 90.0
"""The same where another program is asked, as for a picture: it may take 60. Common practice, no source."""
LIVE_S = 600.0
"""For a browser that is told of changes; it comes again by itself, and is looked at again."""
_PAUSE_S = 1.0

_log = logging.getLogger("rushlight.page")
_QUIET = logging.getLogger("rushlight.page.http")
_QUIET.setLevel(logging.ERROR)  # uvicorn has a line for every request that is none: nobody shall fill the log


def descriptors() -> int:
    """How many file descriptors this process may have; many where no limit is known."""
    try:
        import resource
    except ImportError:
        return 1 << 20
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return 1 << 20 if soft == resource.RLIM_INFINITY else soft


def places(limit: int) -> int:
    """Connections that the page may have where a process may have `limit` descriptors; 0: no page."""
    return max(0, min(MOST, (limit - RESERVE) // 2))


class Door:
    """Counts the connections, and says who has to go.

    Parameters
    ----------
    limit : int
        File descriptors that the process may have.
    proxies : Networks
        Of the settings: each comes for many.
    """

    def __init__(self, limit: int, proxies: Networks = ()) -> None:
        self._limit = limit
        self._proxies = proxies
        self._places = places(limit)
        self._inside: dict[_Caller, str] = {}  # the longest there first

    def __len__(self) -> int:
        return len(self._inside)

    def admit(self, connection: socket.socket, address: str) -> bool:
        """Whether a new connection may come in; one that waits without asking leaves for it."""
        if connection.fileno() >= self._limit - RESERVE // 2:
            return False  # what is open elsewhere has left too little
        same = [caller for caller, other in self._inside.items() if other == address]
        if len(same) >= MOST_FROM_ONE and not is_among(address, self._proxies):
            return self._make_room(same)
        return len(self._inside) < self._places or self._make_room(list(self._inside))

    def _make_room(self, callers: list[_Caller]) -> bool:
        for caller in callers:
            if caller.waits:
                caller.leave()
                return True
        return False

    def enter(self, caller: _Caller, address: str) -> None:
        """It has a place now."""
        self._inside[caller] = address

    def left(self, caller: _Caller) -> None:
        """Its place is free."""
        self._inside.pop(caller, None)


class _Caller(H11Protocol):
    """One connection, with a time in which to ask and one for the answer."""

    def __init__(self, door: Door, config: uvicorn.Config, state: ServerState, app: dict[str, Any]) -> None:
        super().__init__(config, state, app)
        self.logger = _QUIET
        self._door = door

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """It is open."""
        super().connection_made(transport)
        self._timer = self.loop.call_later(ASK_S, self.leave)
        self._door.enter(self, self.client[0] if self.client else "")

    def connection_lost(self, exc: Exception | None) -> None:
        """It is closed, by whichever side."""
        self._timer.cancel()
        self._door.left(self)
        super().connection_lost(exc)

    @property
    def waits(self) -> bool:
        """Whether no request of it is being answered."""
        return self.cycle is None or self.cycle.response_complete

    def handle_events(self) -> None:
        """Bytes have come, or what came before is looked at; a request begins the time of its answer."""
        waited = self.waits
        super().handle_events()
        if waited and not self.waits:
            self._timer.cancel()
            self._timer = self.loop.call_later(_time_for(self.scope["path"]), self.leave)

    def on_response_complete(self) -> None:
        """The time to ask again begins; it ends whatever comes meanwhile, but a whole request."""
        self._timer.cancel()
        self._timer = self.loop.call_later(ASK_S, self.leave)
        super().on_response_complete()

    def leave(self) -> None:
        """Close it now, whatever is still on its way."""
        self._door.left(self)
        self.transport.abort()


def _time_for(path: str) -> float:
    if path == "/live":
        return LIVE_S
    drawn = path.startswith("/alarm/") and path.endswith(".png")
    by_a_program = path.startswith("/jobs/") or re.fullmatch("/tank/[^/]+/(jobs|sheet).*", path)
    return PICTURE_S if drawn or by_a_program else ANSWER_S


class PageServer(uvicorn.Server):
    """uvicorn, with a door of its own: its way of accepting has no limit and, out of descriptors, no pause.

    Parameters
    ----------
    config : uvicorn.Config
    listener : socket
        Bound and listening.
    door : Door
    clock : callable
        Only for the log's rate limit.
    """

    def __init__(self, config: uvicorn.Config, listener: socket.socket, door: Door, clock: Clock) -> None:
        super().__init__(config)
        self._listener = listener
        self._door = door
        self._say = ClearLog(_log, clock)
        self._coming: set[asyncio.Task[Any]] = set()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to accept."""
        await super().startup(sockets=[])
        self._listener.setblocking(False)
        asyncio.get_running_loop().add_reader(self._listener, self._accept)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Accept no more, and end what is open."""
        asyncio.get_running_loop().remove_reader(self._listener)
        await super().shutdown(sockets=[])

    def _accept(self) -> None:
        """One connection at a time, so that whoever is inside is served in between."""
        loop = asyncio.get_running_loop()
        try:
            connection, address = self._listener.accept()
        except (BlockingIOError, InterruptedError, ConnectionAbortedError):
            return
        except OSError as error:
            # out of descriptors: asking again at once would only burn the processor
            self._say.say("accept", f"the page takes nobody in just now ({error.strerror}); all else goes on")
            loop.remove_reader(self._listener)
            loop.call_later(_PAUSE_S, self._resume)
            return
        host = str(address[0])
        # those that are still at their TLS handshake have no place yet
        if len(self._coming) >= MOST or not self._door.admit(connection, host):
            connection.close()
            self._say.say("full", "too many connections to the page: new ones are closed; all else goes on")
            return
        connection.setblocking(False)
        # asyncio sets it for sockets that it has made itself; without it each answer waits 40 ms for nothing
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        task = loop.create_task(self._enter(connection))
        self._coming.add(task)
        task.add_done_callback(self._coming.discard)

    def _resume(self) -> None:
        if not self.should_exit:
            asyncio.get_running_loop().add_reader(self._listener, self._accept)

    async def _enter(self, connection: socket.socket) -> None:
        def made() -> asyncio.Protocol:
            return _Caller(self._door, self.config, self.server_state, self.lifespan.state)

        tls = self.config.ssl
        try:
            await asyncio.get_running_loop().connect_accepted_socket(
                made, connection, ssl=tls, ssl_handshake_timeout=None if tls is None else ASK_S
            )
        except (OSError, EOFError):
            connection.close()
