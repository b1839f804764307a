"""`rushlight demo`: the whole job on a simulated tank, compressed in time.

Simulated are the tank and its microcontroller (`simulator/`). The pseudo-terminal between them and the
serial link is the kernel's own, and everything behind it is what `rushlight run` uses.
"""

from __future__ import annotations

import logging
import queue
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.demo.facts import event_behind, harm_ms, raised_in, readings_text
from rushlight.analysis.demo.screen import Outcome, Screen, lead_text
from rushlight.analysis.demo.service import AsSent, Collecting, KeptClock, Watching
from rushlight.analysis.how_installed import how_to_call
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.wording import milliseconds
from rushlight.collector.errors import LinkLost, SettingsError
from rushlight.collector.events import Event
from rushlight.collector.links import make_link
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.node import SimulatedNode
from rushlight.simulator.scene import SCENE, Scene

__all__ = ["DEFAULT_DIRECTORY", "DEFAULT_SECONDS", "run_demo"]

DEFAULT_DIRECTORY = Path("rushlight-demo")
DEFAULT_SECONDS = 30.0

_MARK = "# Written by `rushlight demo`"
_HEAD = f"""{_MARK}, which fills this folder anew each time.
# The serial port was the demo's own and is gone; `rushlight status` and `replay` need only the rest.

"""
_LOOK_S = 0.1
_LAST_LOOKS = 100
_TOGETHER = 120  # reports in one commit, two simulated hours: no alarm of the scene begins and ends in one
_TARGET = "rushlight-demo://screen"
_NOTICES = """
[notices]
resend_min = 1440  # a reminder each simulated quarter of an hour would drown the screen
"""


def run_demo(directory: Path | None, seconds: float | None, out: TextIO, scene: Scene = SCENE) -> int:
    """Play the scene and print what a person would get to see.

    Parameters
    ----------
    directory : Path or None
        Where settings and store are left; `./rushlight-demo` by default.
    seconds : float or None
        How long it should take; None: about half a minute; 0: as fast as this machine can.
    out : text stream
    scene : Scene

    Returns
    -------
    int
        0; 1 where an alarm that was due did not come, or came after harm, or a false one came.

    Raises
    ------
    SettingsError
        The directory holds something that is not a demo's, or can't be written.
    LinkLost
        This machine has no pseudo-terminals.
    """
    seconds = DEFAULT_SECONDS if seconds is None else seconds
    folder = _folder(DEFAULT_DIRECTORY if directory is None else directory)
    span_s = (scene.end_ms - scene.start_ms) / 1000
    try:
        node = SimulatedNode(scene, speed=span_s / seconds if seconds > 0 else None)
    except OSError as error:
        raise LinkLost(
            f"no pseudo-terminal to be had ({error.strerror}); in a container, mount /dev/pts"
        ) from None
    text = _HEAD + scene.settings_for(node.port, "rushlight.db") + _NOTICES
    (folder / "rushlight.toml").write_text(text, encoding="utf-8")
    settings = parse_settings(text, str(folder / "rushlight.toml"))
    return _Demo(scene, settings, node, Screen(out, scene.timezone)).run()


class _Demo:
    """One run: a scene played from its beginning to its end."""

    def __init__(self, scene: Scene, settings: Settings, node: SimulatedNode, screen: Screen) -> None:
        self._scene = scene
        self._settings = settings
        self._node = node
        self._screen = screen
        self._tank = settings.tanks[scene.tank]
        self._coming = list(scene.chapters)
        self._harm_ms: dict[str, int | None] = {}
        self._arrived: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()

    def run(self) -> int:
        screen = self._screen
        self._introduce()
        with EmbeddedStore(self._settings.store_path()) as store, _quiet_log():
            self._play(store)
            self._show(store, self._scene.end_ms)
            self._summary(store, self._scene.end_ms)
            outcomes = list(self._outcomes(store))
        screen.table(outcomes)
        self._farewell(outcomes)
        return 0 if all(outcome.good for outcome in outcomes) else 1

    def _play(self, store: EmbeddedStore) -> None:
        """From the first report until the service has taken the last one."""
        node, settings = self._node, self._settings
        clock = KeptClock(self._scene.start_ms)
        notifier = Notifier(
            settings.notices,
            environment={settings.notices.urls_env: _TARGET},
            clock=clock.judged,
            timezone=self._scene.timezone,
            sender=self._take_notice,
        )
        watching = Watching(settings, notifier, clock)
        watching.start(store, clock())
        link = AsSent(make_link(settings.links[0], lambda: node.time_ms))
        service = CollectorService(settings, store, [link], watching, clock.judged, most=_TOGETHER)
        collecting = Collecting(service)
        collecting.start()
        with node:
            try:
                while collecting.is_alive() and not node.join(0):
                    self._look(store, clock)
                for _ in range(_LAST_LOOKS):  # what is still on its way
                    if clock() >= node.time_ms or not collecting.is_alive():
                        break
                    self._look(store, clock)
            finally:
                collecting.finish()

    def _look(self, store: EmbeddedStore, clock: KeptClock) -> None:
        time.sleep(_LOOK_S)
        now_ms = clock()
        self._show(store, now_ms)
        self._screen.clock(now_ms)

    def _introduce(self) -> None:
        days = (self._scene.end_ms - self._scene.start_ms) / 86_400_000
        self._screen.text(
            f"Rushlight demo: {days:.0f} days of a made-up tank, {self._tank.volume_litres:g} litres, with "
            "fish and shrimps. Simulated: the tank and the microcontroller that measures it. Real: the "
            f"serial line (pseudo-terminal {self._node.port}), the link, the store, the watch, the notices."
        )
        self._screen.line(f"Settings and store are left in {self._settings.store_path().parent}/.")
        for chapter in self._scene.chapters:
            self._harm_ms[chapter.title] = harm_ms(self._scene, chapter, self._settings)

    def _take_notice(self, url: str, title: str, body: str, priority: str) -> bool:
        """The channel: called by the notifier, perhaps from another thread."""
        self._arrived.put((title, body))
        return True

    def _show(self, store: EmbeddedStore, now_ms: int) -> None:
        """Chapters that have begun by `now_ms` and notices that have come, in order of simulated time."""
        while not self._arrived.empty():
            title, body = self._arrived.get()
            event = event_behind(store, title, body)
            if event is None:
                self._screen.notice(now_ms, title, body, "A notice arrives:")
                continue
            time_ms = milliseconds(event.time)
            self._chapters_until(store, time_ms)
            if event.event == "cleared":
                self._screen.remark(title, time_ms)
            else:
                self._screen.notice(time_ms, title, body, self._how_long(event))
        self._chapters_until(store, now_ms)

    def _chapters_until(self, store: EmbeddedStore, now_ms: int) -> None:
        while self._coming and self._coming[0].start_ms <= now_ms:
            chapter = self._coming.pop(0)
            self._summary(store, chapter.start_ms)
            self._screen.chapter(chapter.start_ms, chapter.title, chapter.story)

    def _how_long(self, event: Event) -> str:
        """After the fault's beginning and before harm: the scene knows both, the watch does not."""
        time_ms = milliseconds(event.time)
        chapter = self._scene.chapter_at(time_ms)
        if event.event != "raised":
            return "The alarm has changed; a notice arrives:"
        if event.alarm != chapter.expected_alarm:
            return "A notice arrives that nothing in the scene calls for:"
        since = duration_text((time_ms - chapter.start_ms) / 1000)
        outcome = Outcome(chapter.title, event.alarm, chapter.start_ms, time_ms, self._harm_ms[chapter.title])
        return f"A notice arrives, {since} after it began; {lead_text(outcome)}:"

    def _summary(self, store: EmbeddedStore, end_ms: int) -> None:
        """What the readings of the chapter that ends now were, and whether it was quiet."""
        over = [chapter for chapter in self._scene.chapters if chapter.end_ms == end_ms]
        for chapter in over:
            if chapter.expected_alarm is None:
                self._screen.remark(readings_text(store, self._scene.tank, chapter, self._settings))
            if not raised_in(store, chapter):
                self._screen.remark("No alarm.")

    def _outcomes(self, store: EmbeddedStore) -> Iterator[Outcome]:
        for chapter in self._scene.chapters:
            raised = raised_in(store, chapter)
            due = chapter.expected_alarm
            if due is not None:
                first = min((milliseconds(e.time) for e in raised if e.alarm == due), default=None)
                yield Outcome(chapter.title, due, chapter.start_ms, first, self._harm_ms[chapter.title])
            for event in raised:
                if event.alarm != due:
                    when = milliseconds(event.time)
                    yield Outcome(chapter.title, event.alarm, None, when, None, expected=False)

    def _farewell(self, outcomes: list[Outcome]) -> None:
        bad = sum(not outcome.good for outcome in outcomes)
        self._screen.text()
        self._screen.text(
            "Harm: when the simulated tank would have passed its livestock's limit, had nobody come."
        )
        if bad:
            self._screen.text(f"{bad} of these went wrong: please report it with the table above.")
        else:
            self._screen.text("Every fault was noticed in time, and there was no false alarm.")
        config = self._settings.path
        self._screen.line(f"Look into what it left: {how_to_call()} status --config {config}")


def _folder(folder: Path) -> Path:
    """An empty folder for the demo's files; one of an earlier demo is emptied."""
    settings = folder / "rushlight.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if settings.exists() and not settings.read_text("utf-8", "replace").startswith(_MARK):
            raise SettingsError(f"{settings}: is not a demo's; name another folder with --directory")
        old = sorted(folder.glob("rushlight.db*"))
        if old and not settings.exists():
            raise SettingsError(f"{old[0]}: is not a demo's; name another folder with --directory")
        for path in old:
            path.unlink()
    except OSError as error:
        raise SettingsError(f"{folder}: can't be used ({error.strerror}); name another folder") from None
    return folder


@contextmanager
def _quiet_log() -> Iterator[None]:
    """Log lines (the port opened, the boot banner skipped) would break into the screen."""
    logger = logging.getLogger()
    level = logger.level
    logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        logger.setLevel(level)
