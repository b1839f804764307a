"""Real servers for the tests and the bench of the InfluxDB store: influxd, nginx before it, VictoriaMetrics.

Debian's influxd is 1.6, which has only the older `/write`; nginx gives it the path of 1.8 and 2.x.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

__all__ = ["PACKAGES", "Influxd", "Nginx", "Program", "Servers", "Victoria", "find_program"]

_P = TypeVar("_P", bound="Program")

PACKAGES = {"influxd": "influxdb", "nginx": "nginx-light", "victoria-metrics": "victoria-metrics"}

_INFLUXD = """\
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
{data}
[monitor]
store-enabled = false
[continuous_queries]
enabled = false
[http]
bind-address = "127.0.0.1:{port}"
log-enabled = false
auth-enabled = {auth}
"""

_NGINX = """\
daemon off;
{user}
worker_processes 1;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
events {{}}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxied;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  client_max_body_size 25m;
  server {{
    listen 127.0.0.1:{port};
    {server}
    location = /alive {{ return 200; }}
    location = /api/v2/write {{
      {write}
      rewrite ^ /write?db=$arg_bucket&precision=$arg_precision? break;
      proxy_pass {behind};
    }}
    location / {{ proxy_pass {behind}; }}
  }}
}}
"""


def find_program(name: str) -> str:
    """Path of a server's program.

    Raises
    ------
    FileNotFoundError
        It is not installed; the message has the command that installs it.
    """
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    if path is None:
        raise FileNotFoundError(f"a real {name} is needed: apt-get install {PACKAGES[name]}")
    return path


def free_port() -> int:
    """A TCP port of this machine that was free a moment ago."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class Program:
    """A server with a folder and a port of its own, that may be killed and started again there."""

    alive = "/"

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = folder / "output.log"
        self.command: list[str] = []
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start and wait until it answers."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self.command, stdout=log, stderr=log)
        end = time.monotonic() + 20
        while time.monotonic() < end:
            if self.process.poll() is not None:
                break
            with contextlib.suppress(OSError):
                urllib.request.urlopen(self.url + self.alive, timeout=5).close()
                return
            time.sleep(0.02)
        raise RuntimeError(f"{self.command[0]} did not come up: {self.log.read_text()[-2000:]}")

    def stop(self) -> None:
        """End it in order."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(20)
            self.process = None

    def kill(self) -> None:
        """End it as a power cut does (kill -9)."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(20)
            self.process = None


class Influxd(Program):
    """InfluxDB 1.6, its log synced at every write as it comes.

    Parameters
    ----------
    folder : Path
    auth : bool
        Whether it asks who is there.
    """

    alive = "/ping"

    def __init__(self, folder: Path, auth: bool = False) -> None:
        super().__init__(folder)
        self._settings = folder / "influxdb.conf"
        self._rpc, self._auth = free_port(), "true" if auth else "false"
        self._describe("")
        self.command = [find_program("influxd"), "run", "-config", str(self._settings)]

    def _describe(self, data: str) -> None:
        self._settings.write_text(
            _INFLUXD.format(folder=self.folder, rpc=self._rpc, port=self.port, auth=self._auth, data=data)
        )

    def change(self, data: str) -> None:
        """Go on with further lines in the section `[data]` of its configuration, on the same port."""
        self.stop()
        self._describe(data)
        self.start()

    def ask(self, question: str, **fields: str) -> list[dict[str, Any]]:
        """Put an InfluxQL statement; the series of its answer."""
        query = urllib.parse.urlencode({"q": question, "epoch": "ns"} | fields)
        request = urllib.request.Request(f"{self.url}/query?{query}", method="POST")
        with urllib.request.urlopen(request, timeout=20) as answer:
            result = json.load(answer)["results"][0]
        if "error" in result:
            raise RuntimeError(result["error"])
        series: list[dict[str, Any]] = result.get("series", [])
        return series

    def write(self, database: str, lines: str) -> None:
        """Write line protocol past everything of ours."""
        request = urllib.request.Request(
            f"{self.url}/write?db={urllib.parse.quote(database)}", lines.encode(), method="POST"
        )
        urllib.request.urlopen(request, timeout=20).close()

    def points(self, database: str) -> int:
        """How many points the readings' measurement has."""
        series = self.ask('SELECT count("flag") FROM "tank_readings"', db=database)
        return int(series[0]["values"][0][1]) if series else 0


class Nginx(Program):
    """nginx before a server, `/api/v2/write` handed on as `/write`, all else as it is.

    Parameters
    ----------
    folder : Path
    behind : str
        URL of the server.
    server, write : str
        Further lines for the server, and for the place that takes writes.
    """

    alive = "/alive"

    def __init__(self, folder: Path, behind: str, server: str = "", write: str = "") -> None:
        super().__init__(folder)
        self._behind = behind
        self._settings = folder / "nginx.conf"
        self._describe(server, write)
        self.command = [find_program("nginx"), "-c", str(self._settings)]

    def _describe(self, server: str, write: str) -> None:
        # as whoever runs the tests: another user may not write to the folder
        user = "user root root;" if os.geteuid() == 0 else ""
        self._settings.write_text(
            _NGINX.format(
                folder=self.folder,
                port=self.port,
                behind=self._behind,
                user=user,
                server=server,
                write=write,
            )
        )

    def change(self, server: str = "", write: str = "") -> None:
        """Go on with other lines, on the same port."""
        self.stop()
        self._describe(server, write)
        self.start()


class Victoria(Program):
    """VictoriaMetrics: takes InfluxDB's writes at both paths, and has its own ways of asking."""

    alive = "/health"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.command = [
            find_program("victoria-metrics"),
            f"-storageDataPath={folder / 'data'}",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y",
            "-loggerLevel=WARN",
            "-search.latencyOffset=0s",
            "-memory.allowedBytes=64MiB",
        ]

    def samples(self, match: str) -> list[dict[str, Any]]:
        """Every sample of the series that match, as `/api/v1/export` gives them."""
        urllib.request.urlopen(self.url + "/internal/force_flush", timeout=20).close()
        query = urllib.parse.urlencode({"match[]": match, "start": "0", "reduce_mem_usage": "1"})
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{query}", timeout=20) as answer:
            return [json.loads(line) for line in answer]


class Servers:
    """Makes servers for one test, and ends them after it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: list[Program] = []

    def _keep(self, make: Callable[[Path], _P]) -> _P:
        server = make(self._folder / f"server{len(self._made)}")
        self._made.append(server)
        return server

    def influxd(self, auth: bool = False) -> Influxd:
        """Not started yet."""
        return self._keep(lambda folder: Influxd(folder, auth))

    def nginx(self, behind: str, server: str = "", write: str = "") -> Nginx:
        """Running."""
        made = self._keep(lambda folder: Nginx(folder, behind, server, write))
        made.start()
        return made

    def victoria(self) -> Victoria:
        """Running."""
        made = self._keep(Victoria)
        made.start()
        return made

    def stop(self) -> None:
        """End all."""
        for server in self._made:
            server.stop()  # in order: nginx killed would leave its worker behind
