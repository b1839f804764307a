"""Serves the page from a thread of its own: whatever happens to it, readings and alarms go on."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable
from pathlib import Path

import uvicorn

from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.views.page.app import PageApp
from rushlight.analysis.views.page.door import RESERVE, Door, PageServer, descriptors, places
from rushlight.analysis.views.page.shield import is_loopback
from rushlight.collector.log import Clock
from rushlight.collector.settings import Settings

__all__ = ["StatusPage"]

_log = logging.getLogger("rushlight.page")


class StatusPage:
    """The status page of a running service.

    Parameters
    ----------
    settings : Settings
        Its `status_page` says where; port 0 takes any free one.
    store_path : Path
        Read through a connection of the page's own; must exist when the first page is asked for.
    clock : callable
        Milliseconds since 1970, UTC.
    is_well : callable
        Whether readings arrive and the store keeps them.
    pictures : PictureMaker, optional

    Attributes
    ----------
    url : str
        Where it is, "" where it isn't.
    """

    def __init__(
        self,
        settings: Settings,
        store_path: Path,
        clock: Clock,
        is_well: Callable[[], bool],
        pictures: PictureMaker | None = None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._app = PageApp(settings, store_path, clock, is_well, pictures)
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self.name = "status page"
        self.url = ""

    def start(self) -> bool:
        """Begin to serve; False, with one line in the log, where the address can't be had."""
        wanted = self._settings.status_page
        limit = descriptors()
        if not places(limit):
            _log.warning(
                "no status page: this process may open %d files only, and the watch needs %d of them; all "
                "else goes on. Raise the limit (ulimit -n)",
                limit,
                RESERVE,
            )
            return False
        try:
            if not 0 <= wanted.port < 65536:
                raise OSError("a port is a number from 1 to 65535")  # C libraries take it modulo 65536
            family, kind, _, _, address = socket.getaddrinfo(
                wanted.host, wanted.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
            )[0]
            listener = socket.socket(family, kind)
            try:
                listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                listener.bind(address)
                listener.listen(64)
            except OSError:
                listener.close()
                raise
        except (OSError, UnicodeError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            _log.warning(
                "no status page at %s:%d (%s); all else goes on. Set another [status_page] port or host, or "
                "enabled = false",
                wanted.host,
                wanted.port,
                reason,
            )
            return False
        host = f"[{wanted.host}]" if ":" in wanted.host else wanted.host
        self.url = f"http://{host}:{listener.getsockname()[1]}/"
        # the signals stay with the service: uvicorn takes none outside the main thread
        self._server = PageServer(
            uvicorn.Config(
                self._app.asgi(),
                loop="asyncio",
                http="h11",
                ws="none",
                lifespan="off",
                log_config=None,
                log_level="warning",
                access_log=False,
                proxy_headers=False,
                server_header=False,
                timeout_keep_alive=5,
                h11_max_incomplete_event_size=16_384,
                timeout_graceful_shutdown=2,
            ),
            listener,
            Door(limit),
            self._clock,
        )
        self._thread = threading.Thread(
            target=self._run, args=(self._server, listener), name="status page", daemon=True
        )
        self._thread.start()
        _log.info("the status page is at %s", self.url)
        if not is_loopback(str(address[0])):
            _log.warning("anybody who reaches this machine can read the status page: host is not 127.0.0.1")
        return True

    def leave(self) -> None:
        """Ask for the end."""
        if self._server is not None:
            self._server.should_exit = True

    def stop(self, timeout_s: float = 5.0) -> bool:
        """End; harmless where it never began. False where it has not ended within `timeout_s`."""
        if self._server is None or self._thread is None:
            return True
        self.leave()
        self._thread.join(timeout_s)
        self.url = ""
        return not self._thread.is_alive()

    def _run(self, server: uvicorn.Server, listener: socket.socket) -> None:
        try:
            server.run()
        except (Exception, SystemExit) as error:
            _log.exception("the status page has ended (%r); all else goes on", error)
        finally:
            listener.close()
            self._app.close()
