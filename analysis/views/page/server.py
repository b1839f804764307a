"""Serves the page from a thread of its own: whatever happens to it, readings and alarms go on."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import uvicorn

from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.views.access.certificate import tls_fault, tls_files
from rushlight.analysis.views.access.forwarded import networks_of
from rushlight.analysis.views.access.keys import has_login
from rushlight.analysis.views.access.openness import is_loopback, open_without_login
from rushlight.analysis.views.page.app import PageApp
from rushlight.analysis.views.page.desk import Desk
from rushlight.analysis.views.page.door import RESERVE, Door, PageServer, descriptors, places
from rushlight.collector.errors import StoreError
from rushlight.collector.log import Clock
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

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
        self._store_path = store_path
        self._app = PageApp(Desk(settings, store_path, clock, is_well, pictures))
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self.name = "status page"
        self.url = ""

    def start(self) -> bool:
        """Begin to serve; False, with one line in the log, where the address can't be had."""
        wanted = self._settings.status_page
        open_fault = open_without_login(self._settings, self._store_path)
        if open_fault:
            _log.warning("no status page: %s", open_fault)
            return False
        fault = tls_fault(self._settings)
        if fault:
            _log.warning("no status page: %s; all else goes on", fault)
            return False
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
        files = tls_files(self._settings)
        secure = files is not None
        self.url = f"{'https' if secure else 'http'}://{host}:{listener.getsockname()[1]}/"
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
                ssl_certfile=None if files is None else files[0],
                ssl_keyfile=None if files is None else files[1],
            ),
            listener,
            Door(limit, networks_of(wanted.proxies)),
            self._clock,
        )
        self._thread = threading.Thread(
            target=self._run, args=(self._server, listener), name="status page", daemon=True
        )
        self._thread.start()
        _log.info("the status page is at %s", self.url)
        if not is_loopback(str(address[0])) and not secure and not (wanted.url or "").startswith("https:"):
            _log.warning(
                "the status page is open to the network without TLS: who listens there reads the password; "
                "set [status_page] tls_certificate and tls_key, or put a proxy with TLS before it"
            )
        self._say_code()
        return True

    def _say_code(self) -> None:
        """Until there is a password, the log has the code by which the first one is set."""
        try:
            with closing(EmbeddedStore(self._store_path, read_only=True)) as store:
                there = has_login(store)
        except StoreError:
            there = False
        if not there:
            _log.info(
                "no password is set, so the page only shows; to answer alarms from it, open %ssetup and give "
                "the code %s",
                self.url,
                self._app.desk.code,
            )

    def leave(self) -> None:
        """Ask for the end."""
        self._app.desk.leaving = True
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
