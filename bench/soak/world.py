"""The real programs of the soak: started, killed, started again on the same port."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path

from tests.collector.influx_servers import Influxd, Nginx

__all__ = [
    "ROOT",
    "BrokerProcess",
    "InfluxProcess",
    "Program",
    "RushlightProcess",
    "build_preload",
    "free_port",
]

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent


def free_port() -> int:
    """A TCP port that was free a moment ago."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def find_program(name: str, package: str) -> str:
    """Path of a program, or the end with the command that installs it."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    if found is None:
        sys.exit(f"bench.soak: {name} is missing: apt-get install {package}")
    return found


def build_preload(source: Path, folder: Path) -> Path:
    """Compile a library for LD_PRELOAD."""
    library = folder / f"{source.stem}.so"
    compiler = find_program("cc", "gcc libc6-dev")
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl"], check=True)
    return library


class Program:
    """A process that is to run until it is told otherwise, as a service manager keeps one running.

    `kill` and `stop` are the harness's own doing; an end that nobody asked for is counted in `ended` and the
    program started again, as `Restart=always` does it.
    """

    def __init__(self, name: str, command: list[str], folder: Path, environment: Mapping[str, str]) -> None:
        self.name = name
        self.command = command
        self.folder = folder
        self.environment = dict(environment)
        self.kills = 0
        self.ended: list[int] = []
        self.log = folder / f"{name}.log"
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.RLock()

    def start(self) -> None:
        with self._lock, self.log.open("ab") as log:
            self._process = subprocess.Popen(
                self.command, cwd=self.folder, env=self.environment, stdout=log, stderr=log
            )

    def is_running(self) -> bool:
        with self._lock:
            return self._process is not None and self._process.poll() is None

    def look(self) -> None:
        """Start it again where it ended by itself."""
        with self._lock:
            if self._process is not None and self._process.poll() is not None:
                self.ended.append(self._process.returncode)
                self.start()

    def kill(self) -> None:
        """SIGKILL, now."""
        with self._lock:
            if self._process is not None:
                if self._process.poll() is None:
                    self._process.kill()
                    self.kills += 1
                self._process.wait()
                self._process = None

    def stop(self, seconds: float = 60) -> int | None:
        """SIGTERM, and its exit status; one that does not end says where it hangs (SIGABRT), into its log."""
        with self._lock:
            if self._process is None:
                return None
            self._process.send_signal(signal.SIGTERM)
            try:
                return self._process.wait(seconds)
            except subprocess.TimeoutExpired:
                self._process.send_signal(signal.SIGABRT)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    return self._process.wait(10)
                return -signal.SIGKILL
            finally:
                self._process.kill()
                self._process.wait()
                self._process = None


class BrokerProcess(Program):
    """Mosquitto with the configuration that ships; ports, paths and logins are the harness's."""

    def __init__(self, folder: Path, more: str | None = None) -> None:
        self.port = free_port()
        text = (ROOT / "docker/mosquitto.conf").read_text()
        for old, new in (
            (r"^listener .*$", f"listener {self.port} 127.0.0.1\nuser root"),
            (r"^allow_anonymous .*$", "allow_anonymous true"),
            (r"^(password_file|acl_file|include_dir) .*$", ""),
            (r"^persistence_location .*$", f"persistence_location {folder}/"),
        ):
            text = re.sub(old, new, text, flags=re.MULTILINE)
        if more is not None:
            text = re.sub(r"^autosave_.*$", "", text, flags=re.MULTILINE) + more
        (folder / "mosquitto.conf").write_text(text)
        binary = find_program("mosquitto", "mosquitto")
        super().__init__("broker", [binary, "-c", str(folder / "mosquitto.conf")], folder, os.environ)

    def start(self) -> None:
        super().start()
        end = time.monotonic() + 20
        while time.monotonic() < end:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.01)
        raise RuntimeError(f"Mosquitto does not listen, see {self.log}")


class RushlightProcess(Program):
    """`rushlight run` in a folder with a settings file; with a sabotage (see there) where one is named."""

    def __init__(self, folder: Path, settings: str, sabotage: str | None = None, **environment: str) -> None:
        way = ["rushlight.analysis.commands.main"] if sabotage is None else ["bench.soak.sabotage", sabotage]
        (folder / "rushlight.toml").write_text(settings)
        self.store = folder / "rushlight.db"
        super().__init__(
            "rushlight",
            [sys.executable, "-m", *way, "run"],
            folder,
            # a sabotage is a module of `bench`, which is not installed
            os.environ | {"PYTHONPATH": f"{ROOT / 'src'}:{ROOT}", "PYTHONFAULTHANDLER": "1"} | environment,
        )


class InfluxProcess(Program):
    """influxd, and nginx before it that gives it the newer path for writes; only influxd is killed."""

    def __init__(self, folder: Path) -> None:
        self._server = Influxd(folder / "influxd")
        self._front = Nginx(folder / "nginx", self._server.url)
        self.url = self._front.url
        super().__init__("influxd", self._server.command, folder, os.environ)

    def start_first(self, database: str) -> None:
        """Start both, and make the database."""
        self._front.start()
        self._server.start()
        self._server.ask(f'CREATE DATABASE "{database}"')
        self._process, self._server.process = self._server.process, None

    def answers(self) -> bool:
        """Whether it can be asked."""
        with contextlib.suppress(OSError):
            self._server.ask("SHOW DATABASES")
            return True
        return False

    def close(self) -> None:
        self.kill()
        self._front.stop()  # in order: nginx killed would leave its worker behind
