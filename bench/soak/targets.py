"""Where the soak's notices go: real HTTP servers that note what they were given, and can be out of order."""

from __future__ import annotations

import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, NamedTuple

__all__ = ["Received", "Target"]


class Received(NamedTuple):
    """One notice as it came in."""

    at: float  # monotonic, s
    title: str
    message: str


class Target:
    """Takes notices as apprise's `json://` sends them.

    Attributes
    ----------
    got : list of Received
        What it has read in full, answered well or not: a person may have seen it.
    mood : str
        "well"; "refusing": answers 503; "slow": reads, waits a second and then answers.
    """

    def __init__(self) -> None:
        self.got: list[Received] = []
        self.mood = "well"
        target = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                notice = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                mood = target.mood
                if mood != "refusing":
                    target.got.append(Received(time.monotonic(), notice["title"], notice["message"]))
                if mood == "slow":
                    time.sleep(1)
                self.send_response(503 if mood == "refusing" else 200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: Any) -> None: ...

            def handle(self) -> None:
                try:
                    super().handle()
                except OSError:
                    return  # the collector was killed while it spoke

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"json://127.0.0.1:{self._server.server_address[1]}/"
        threading.Thread(target=self._server.serve_forever, name="target", daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
