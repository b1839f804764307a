"""The whole service in a made-up world: its clock, tanks, broker, disk and targets; true time passes by hand.

What runs is `rushlight.analysis.service.run.run_service` as it is: collector, analysis, outbox and notices
with their own loops, on a real SQLite file, the heartbeat over a real socket. Made up are the links' other
ends, the senders of notices, the clock, and a disk that may be full. See `steps` for how hours pass in a
second."""

from __future__ import annotations

import heapq
import http.server
import logging
import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock

from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.notices import thread as notice_thread
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service import run as running
from rushlight.collector.errors import RushlightError, StoreFull
from rushlight.collector.service import loop as service
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import MqttLink, Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.whole.reference import Reference, family_of
from tests.whole.steps import Inbox, Killed, StopFlag, Task
from tests.whole.tanks import Board, SerialWire, TestBroker

__all__ = ["BEGAN_MS", "FOR_EVER", "SIGHUP", "Config", "Make", "Message", "Target", "World", "usual_boards"]

BEGAN_MS = 1_772_358_600_000  # 2026-03-01T09:50Z
SIGHUP, SIGTERM = 1, 15
RESTART_S = 10.0  # what looks after the service starts it again after this
HANGS_S = 60.0
LATE_MS = 900
FOR_EVER = 1 << 62
_ALARM = re.compile(r"^(- .*\n)?(?:  )?Alarm: ([^/\s]+)/([^/\s]+)/(\S+)", re.MULTILINE)

Process = SimpleNamespace  # tasks, doomed, handlers, began_ms


@dataclass
class Config:
    """What the settings file and the environment say at the next start."""

    tanks: tuple[str, ...] = ("hallway", "shed", "loft")
    targets: tuple[str, ...] = ("json://first/",)
    high_c: float = 27.0
    quiet: tuple[str, str] | None = None
    resend_min: float = 15.0
    heartbeat_min: float = 5.0
    keep_days: str = ""
    hardness: float | None = 4.0

    def text(self) -> str:
        lines = [
            '[[links]]\nkind = "mqtt"\nhost = "localhost"',
            *(
                f'[[links.map]]\ntopic = "shelf/{tank}/temperature"\n'
                f'tank = "{tank}"\nquantity = "temperature"'
                for tank in ("shed", "porch")
                if tank in self.tanks
            ),
            '[[links]]\nkind = "serial"\nport = "/dev/made-up"',
            f'[store]\npath = "rushlight.db"\n{self.keep_days}',
            "[status_page]\nenabled = false",
            f"[notices]\npicture = false\nresend_min = {self.resend_min}\n"
            f"heartbeat_min = {self.heartbeat_min}\n"
            # a running process has the environment of its start: new addresses have another name
            f'urls_env = "RUSHLIGHT_{len(self.targets)}_{len("".join(self.targets))}"',
        ]
        if self.quiet is not None:
            lines.append(
                f'quiet_from = "{self.quiet[0]}"\nquiet_to = "{self.quiet[1]}"\nquiet_timezone = "UTC"'
            )
        for tank in self.tanks:
            hardness = f"carbonate_hardness_dkh = {self.hardness}\n"
            water = "" if self.hardness is None else f"[tanks.{tank}.water]\n{hardness}"
            lines.append(
                f'[tanks.{tank}]\nvolume_litres = 54\ntimezone = "UTC"\nreport_every_s = 120\n'
                f"{water}[tanks.{tank}.livestock]\n"
                f"temperature_low_c = 18.0\ntemperature_high_c = {self.high_c}"
            )
        return "\n".join(lines) + "\n"


@dataclass
class Message:
    """What a target took, and when (true time)."""

    time_ms: int
    title: str
    body: str
    priority: str

    def about(self) -> list[tuple[str, str, bool]]:
        """(tank, alarm, whether it says that it is over) of each alarm in it."""
        found = []
        for grouped, tank, alarm, _ in _ALARM.findall(self.body):
            found.append((tank, alarm, bool(grouped) or self.priority == "cleared"))
        return found


@dataclass
class Target:
    """A channel of notices. `mood`: "well", "refuses", "raises" or "hangs"."""

    mood: str = "well"
    taken: list[Message] = field(default_factory=list)


class World:
    """See the module's text; `run` lets true time pass, everything else happens at once."""

    def __init__(self, folder: Path, config: Config | None = None, boards: list[Board] | None = None) -> None:
        self.folder = folder
        self.path = folder / "rushlight.db"
        self.config = config or Config()
        self.true_ms = BEGAN_MS
        self.off_ms = 0
        self.disk_full = False
        self.beats: list[int] = []
        self.targets: dict[str, Target] = {}
        self.since: dict[str, int] = {}  # target: when the settings first named it
        self.answered: list[tuple[int, tuple[str, str]]] = []  # when, (tank, danger): a person has seen it
        self.was_quiet = self.config.quiet is not None
        self.heard: dict[str, list[int]] = {}  # when reports came while the service ran, by tank
        self.left_out: set[str] = set()  # tanks that were out of the settings for a while
        self.disturbed: list[tuple[int, int, str, str]] = []  # from, to, kind, of whom ("" of all)
        self.ended: list[tuple[int, BaseException | None]] = []
        self.sent_unmarked = 0  # kills between the sending and the mark
        self.kill_at = ""
        self.down_s = RESTART_S
        self.process: Process | None = None
        self.reference = Reference(parse_settings(self.config.text()), BEGAN_MS)
        self.broker = TestBroker(self.clock, self.point, lambda: self.true_ms)
        self.serial = SerialWire(self.clock)
        self.boards = boards if boards is not None else usual_boards()
        self._events: list[tuple[int, int, Callable[[], object]]] = []
        self._number = 0
        self._stack = ExitStack()
        self._patch()
        for at, board in enumerate(self.boards):
            self._next(board, BEGAN_MS + 1000 + 7000 * at)
        self._at(BEGAN_MS + 60_000, self._minute)
        self.boot()

    def close(self) -> None:
        """Kill what runs and take the patches back."""
        self._bury()
        self._stack.close()

    def clock(self) -> int:
        """The collector's clock."""
        return self.true_ms + self.off_ms

    # -- time -----------------------------------------------------------------------------------------

    def run(self, minutes: float) -> None:
        """Let true time pass."""
        end = self.true_ms + round(minutes * 60_000)
        while True:
            tasks = [] if self.process is None else [t for t in self.process.tasks if not t.done]
            task = min(tasks, key=lambda t: t.wake_ms, default=None)
            wakes = end + 1 if task is None else max(task.wake_ms, self.true_ms)
            due = self._events[0][0] if self._events else end + 1
            if min(wakes, due) > end:
                self.true_ms = end
                return
            if due <= wakes:
                self.true_ms = max(due, self.true_ms)
                heapq.heappop(self._events)[2]()
            else:
                assert task is not None
                self.true_ms = wakes
                task.resume()
                self._look_after()

    def _at(self, time_ms: int, what: Callable[[], object]) -> None:
        self._number += 1
        heapq.heappush(self._events, (time_ms, self._number, what))

    def _minute(self) -> None:
        self.reference.tick(self.true_ms)
        self._at(self.true_ms + 60_000, self._minute)

    def _next(self, board: Board, due_ms: int) -> None:
        """No report comes on the millisecond."""
        self._at(due_ms + board.rng.randrange(LATE_MS), lambda: self._report(board, due_ms))

    def _report(self, board: Board, due_ms: int) -> None:
        self._next(board, due_ms + round(board.every_s * 1000))
        values = board.measure()
        if not board.on:
            return
        heard = True
        for topic, payload in board.payloads(values, self.true_ms):
            if topic is None:
                heard = self.serial.write(payload)
            else:
                self.broker.publish(topic, payload)
        if self.process is not None:
            self.heard.setdefault(board.tank, []).append(self.true_ms)
        if heard:
            self.reference.take(board.tank, values, self.true_ms)

    # -- the service ----------------------------------------------------------------------------------

    def boot(self) -> None:
        """Start the service with the settings as they are now."""
        if self.process is not None:
            return
        settings = self._settle()
        process = Process(tasks=[], handlers={}, began_ms=self.true_ms, ending=False)
        self.process = process
        process.tasks.append(Task("service", lambda: running.run_service(settings, self.clock), self.true_ms))

    def _settle(self) -> Settings:
        """The settings are what they are now, for the reference and the targets, too."""
        settings = parse_settings(self.config.text(), str(self.folder / "rushlight.toml"))
        self.reference.settle(settings, self.true_ms)
        for url in self.config.targets:
            self.targets.setdefault(url, Target())
            self.since.setdefault(url, self.true_ms)
        self.since = {url: since for url, since in self.since.items() if url in self.config.targets}
        return settings

    def restart(self, config: Config | None = None) -> None:
        """End it in order, and start it with other settings."""
        self.end()
        if config is not None:
            self._configure(config)
        self.disturb("settings")
        self.boot()

    def _configure(self, config: Config) -> None:
        self.left_out |= set(self.config.tanks) ^ set(config.tanks)
        self.config = config
        self.was_quiet |= config.quiet is not None

    def reload(self, config: Config) -> None:
        """Have the running service read other settings, by the signal.

        Where it can't take them now (it is down, its disk is full, nobody would be told), it is restarted.
        """
        if self.process is None or self.disk_full or (self.config.targets and not config.targets):
            self.restart(config)
            return
        self._configure(config)
        settings = self._settle()
        Path(settings.path).write_text(config.text())
        self.disturb("settings")
        self.process.handlers[SIGHUP](SIGHUP, None)

    def end(self) -> None:
        """Ask it to end, as `systemctl stop` does, and wait for it."""
        if self.process is None:
            return
        process = self.process
        process.ending = True
        if SIGTERM in process.handlers:
            process.handlers[SIGTERM](SIGTERM, None)
        for _ in range(300):
            if self.process is not process:
                return
            self.run(0.1)
        self.kill(0)

    def kill(self, down_s: float = RESTART_S) -> None:
        """As `kill -9`, between two steps; it is started again after `down_s`."""
        self.down_s = down_s
        self._bury()
        self._down(down_s)

    def point(self, name: str) -> None:
        """A place where it may be killed; on the service's own threads."""
        task = Task.here()
        if task is None or self.process is None:
            return
        if task.doomed:
            raise Killed
        if self.kill_at == name:
            self.kill_at = ""
            self.sent_unmarked += name == "after send"
            for other in self.process.tasks:
                other.doomed = True
            raise Killed

    def _look_after(self) -> None:
        """Bury what was killed or has ended; it is started again soon."""
        process = self.process
        if process is None:
            return
        main = process.tasks[0]
        if main.doomed:
            self._bury()
            self._down(self.down_s)
        elif main.done:
            if not process.ending:
                self.ended.append((self.true_ms, main.error))
            self._bury()
            if not process.ending:
                self._down(RESTART_S)

    def _down(self, seconds: float) -> None:
        back = self.true_ms + round(seconds * 1000)
        self.disturb("down", back)
        if seconds <= 0:
            self.boot()
        else:
            self._at(back, self.boot)

    def _bury(self) -> None:
        process, self.process = self.process, None
        self.broker.cut()
        self.serial.cut()
        if process is None:
            return
        self.disk_full, full = False, self.disk_full
        self.sent_unmarked += full  # what was taken and could not be marked was remembered in memory only
        for task in process.tasks:
            task.doomed = True
        for task in process.tasks:
            for _ in range(1000):
                if task.done:
                    break
                task.resume()
            assert task.done, f"{task.name} goes on although it was killed"
        self.disk_full = full

    # -- what disturbs it -----------------------------------------------------------------------------

    def disturb(self, kind: str, until_ms: int | None = None, whom: str = "") -> None:
        """Note a disturbance, from now on."""
        self.disturbed.append((self.true_ms, self.true_ms if until_ms is None else until_ms, kind, whom))

    def step_clock(self, seconds: float) -> None:
        """Put the collector's clock forward or back; against what it shows now."""
        self.off_ms += round(seconds * 1000)
        self.disturb("clock")

    def right_clock(self) -> None:
        """Put the collector's clock right."""
        self.off_ms = 0
        self.disturb("clock")

    def step_board(self, board: Board, seconds: float) -> None:
        """Put a board's clock to this much off the true time."""
        board.clock_off_ms = round(seconds * 1000)
        self.disturb("board clock", whom=board.tank)

    def board(self, tank: str) -> Board:
        """The board of a tank."""
        return next(board for board in self.boards if board.tank == tank)

    def target(self, mood: str, url: str = "json://first/") -> None:
        """A target begins to refuse, to raise, to hang, or is well again."""
        target = self.targets[url]
        if target.mood != "well":
            self.disturbed = [
                (a, self.true_ms if (kind, whom) == ("target", url) and b == FOR_EVER else b, kind, whom)
                for a, b, kind, whom in self.disturbed
            ]
        target.mood = mood
        if mood != "well":
            self.disturb("target", FOR_EVER, url)

    def lose_store(self, replace: bool) -> None:
        """The store's file is removed, or another is put in its place."""
        self.disturb("store lost")
        for suffix in ("", "-wal", "-shm"):
            Path(f"{self.path}{suffix}").unlink(missing_ok=True)
        if replace:
            other = self.folder / "other.db"
            EmbeddedStore(other, synchronous="OFF").close()
            other.replace(self.path)

    def acknowledge(self, tank: str, alarm: str) -> None:
        """A person has seen an alarm."""
        self.answered.append((self.true_ms, (tank, family_of(alarm))))
        self._ask("acknowledge", tank, alarm, {})

    def shelve(self, tank: str, alarm: str, minutes: float) -> None:
        """A person puts an alarm aside."""
        until_ms = self.true_ms + round(minutes * 60_000)
        self.disturb("shelved", until_ms, f"{tank} {family_of(alarm)}")
        self._ask("shelve", tank, alarm, {"for_ms": round(minutes * 60_000)})

    def _ask(self, kind: str, tank: str, alarm: str, arguments: dict[str, Any]) -> None:
        if self.disk_full:
            return
        with suppress(RushlightError), EmbeddedStore(self.path, synchronous="OFF") as store:
            store.add_request(kind, tank, alarm, "", arguments, "Ines", self.clock())

    def stored(self, tank: str, quantity: str = "temperature") -> int:
        """How many readings are in the file that is at the store's path now."""
        with EmbeddedStore(self.path, read_only=True) as store:
            return sum(1 for _ in store.readings(tank, quantity))

    def told(self, tank: str, alarm: str, url: str = "json://first/", since_ms: int = 0) -> list[Message]:
        """Notices that a target has taken of an alarm's standing."""
        return [
            message
            for message in self.targets[url].taken
            if message.time_ms >= since_ms and (tank, alarm, False) in message.about()
        ]

    # -- the made-up ends -----------------------------------------------------------------------------

    def send(self, url: str, title: str, body: str, priority: str, *_: object, **__: object) -> bool:
        """What `apprise` is otherwise."""
        target = self.targets[url]
        task = Task.here()
        if target.mood == "raises":
            raise ConnectionResetError("made up")
        if target.mood == "hangs":
            if task is not None:
                task.pause(self.true_ms + round(HANGS_S * 1000))
            return False
        if target.mood == "refuses":
            return False
        target.taken.append(Message(self.true_ms, title, body, priority))
        self.point("after send")
        return True

    def open_store(self, path: Path, **options: Any) -> EmbeddedStore:
        """The store of the service: the real one on a disk that may be full."""
        options.setdefault("synchronous", "OFF")
        return _Store(self, path, **options)

    def _link(self, link: object, *_: object, **__: object) -> TestBroker | SerialWire:
        return self.broker if isinstance(link, MqttLink) else self.serial

    def _notifier(self, settings: Any, **options: Any) -> Notifier:
        options["environment"] = {
            settings.urls_env: " ".join(self.config.targets),
            "RUSHLIGHT_HEARTBEAT_URL": _heart(self),
        }
        options["sender"] = self.send
        return Notifier(settings, **options)

    def _patch(self) -> None:
        world = self

        def now() -> int:
            return world.true_ms

        class Service(CollectorService):
            def __init__(self, *args: Any, **options: Any) -> None:
                super().__init__(*args, **options)
                self._stop: Any = StopFlag(now)
                queue: Any = self._queue
                if hasattr(queue, "_queue"):  # a bounded one around the plain one
                    queue._queue = Inbox(now)
                else:
                    self._queue: Any = Inbox(now)

        class Notices(notice_thread.NoticeThread):
            def __init__(self, notifier: Notifier, *args: Any, **options: Any) -> None:
                super().__init__(notifier, *args, **options)
                self._stop: Any = StopFlag(now, lambda: self._notifier.heartbeat.wait(20))

            def start(self) -> None:
                assert world.process is not None
                self._task = Task("notices", self._run, world.true_ms)
                world.process.tasks.append(self._task)

            def stop(self, timeout_s: float = 15.0) -> bool:
                here = Task.here()
                assert here is not None
                self.leave()
                for _ in range(100):
                    if self._task.done:
                        break
                    here.pause(world.true_ms + 1000)
                return self._task.done

        def on_signal(number: int, handler: Callable[[int, object], None]) -> None:
            assert world.process is not None
            world.process.handlers[number] = handler

        for where, name, double in (
            (running, "make_link", self._link),
            (running, "EmbeddedStore", self.open_store),
            (notice_thread, "EmbeddedStore", self.open_store),
            (running, "CollectorService", Service),
            (running, "NoticeThread", Notices),
            (running, "Notifier", self._notifier),
            (running, "signal", SimpleNamespace(signal=on_signal, SIGTERM=SIGTERM, SIGINT=2, SIGHUP=SIGHUP)),
            (service, "time", SimpleNamespace(monotonic=lambda: world.true_ms / 1000, time_ns=time.time_ns)),
            (PictureMaker, "possible", staticmethod(lambda: False)),
        ):
            self._stack.enter_context(mock.patch.object(where, name, double))
        log = logging.getLogger("rushlight")
        level = log.level
        log.setLevel(logging.CRITICAL + 1)
        self._stack.callback(log.setLevel, level)


def usual_boards() -> list[Board]:
    """One of each kind: numbers and times over a broker, bare numbers, a serial line without a clock."""
    return [
        Board("hallway", "mqtt", ("temperature", "ph")),
        Board("shed", "mapped", ("temperature",)),
        Board("loft", "serial", ("temperature", "ph", "heater_power"), timed=False),
    ]


class _Store(EmbeddedStore):
    """The real store; what is written comes to nothing where the disk is full."""

    def __init__(self, world: World, path: Path, **options: Any) -> None:
        self._world = world
        super().__init__(path, **options)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        outer = not self._depth
        if outer:
            self._world.point("write")
        with super().transaction():
            yield
            if outer:
                if self._world.disk_full:
                    raise StoreFull(f"{self.path}: no room left on the disk; nothing was written, make room")
                self._world.point("before commit")
        if outer:
            self._world.point("after commit")


class _Heart(http.server.BaseHTTPRequestHandler):
    world: World | None = None

    def do_GET(self) -> None:
        if _Heart.world is not None:
            _Heart.world.beats.append(_Heart.world.true_ms)
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Nothing."""


_server: http.server.ThreadingHTTPServer | None = None


def _heart(world: World) -> str:
    """The address of the heartbeat; one real server for all."""
    global _server
    if _server is None:
        _server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Heart)
        threading.Thread(target=_server.serve_forever, name="heart", daemon=True).start()
    _Heart.world = world
    return f"http://127.0.0.1:{_server.server_address[1]}/beat"


Make = Callable[..., World]
"""Of settings and boards, where they are not the usual ones."""
