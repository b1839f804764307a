"""`rushlight run`: the parts of the service put together, and taken apart again."""

from __future__ import annotations

import gc
import logging
import os
import signal
from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Protocol

from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.notices.alarm_topics import AlarmTopics, publishers
from rushlight.analysis.notices.channels import mistyped
from rushlight.analysis.notices.contest_notice import ContestNotice
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.removed_topics import RemovedTopics
from rushlight.analysis.notices.thread import NoticeThread
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.reload import Reloader, Running, can_run
from rushlight.collector.influx.state import forget_other_servers
from rushlight.collector.influx.thread import DrainThread
from rushlight.collector.links import make_link
from rushlight.collector.links.contest import undisturbed
from rushlight.collector.log import Clock
from rushlight.collector.service.deadline import Ending
from rushlight.collector.service.listener import system_clock
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.service.moved_tanks import take_over
from rushlight.collector.service.parts import Part, settings_of_part
from rushlight.collector.settings import NoticeSettings, Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

if TYPE_CHECKING:
    from rushlight.analysis.views.page import StatusPage

__all__ = ["make_notifier", "run_service"]

_log = logging.getLogger("rushlight")


def make_notifier(
    settings: Settings,
    clock: Clock,
    is_well: Callable[[], bool] | None = None,
    pictures: PictureMaker | None = None,
) -> Notifier:
    """The notifier of these settings; quiet hours in the first tank's time zone where they name none."""
    zone = next((tank.timezone for tank in settings.tanks.values()), "UTC")
    return Notifier(
        settings.notices,
        clock=clock,
        is_well=is_well,
        timezone=zone,
        pictures=pictures,
        units=settings.display.units,
        tanks=settings.tanks,
        page_url=settings.status_page.url,
    )


class _Thread(Protocol):
    """What runs beside the collecting."""

    @property
    def name(self) -> str: ...
    def leave(self) -> None: ...
    def stop(self, timeout_s: float) -> bool: ...


def run_service(
    settings: Settings, clock: Clock = system_clock, part: Part | None = None, ending: Ending | None = None
) -> bool:
    """Collect, store, watch, alert, serve the page until SIGTERM or SIGINT; False: the last reports are lost.

    Whatever hangs then, all of it together has the time of `ending`.

    Raises
    ------
    SettingsError, StoreError
        It can't begin: nothing to collect from, another service on this store, no such file …
    """
    common, part = can_run(settings), part or Part(1, 1)
    settings = settings_of_part(common, part)
    folder = Path(settings.path).parent
    links = [make_link(link, clock, folder) for link in settings.links]
    ending = ending or Ending()
    services: list[CollectorService] = []
    threads: list[_Thread] = []
    pictures = PictureMaker(settings, clock) if PictureMaker.possible() else None

    def is_well() -> bool:
        return all(one.is_well() and undisturbed(one.links.in_force()) for one in services)

    def notifier_of(settings: Settings) -> Notifier:
        _warn_of_addresses(settings.notices)
        shown = pictures if settings.notices.picture else None
        return make_notifier(settings, clock, is_well, shown)

    asked_early: list[int] = []  # by SIGHUP, which would end a program that does not know it
    signal.signal(signal.SIGHUP, lambda number, frame: asked_early.append(number))
    signal.signal(signal.SIGTERM, _end_before_anything_came)
    notifier = notifier_of(settings)
    path = settings.store_path()
    with _ended(pictures, ending), ServiceLock(path) as lock, EmbeddedStore(path) as store:
        take_over(common, settings, store)
        analysis = LiveAnalysis(settings, notifier, clock)
        analysis.start(store, clock())
        service = CollectorService(settings, store, links, analysis, clock, ending=ending, lock=lock)
        services.append(service)
        service.let_go.take_up(
            service.links, settings.links, lambda link: make_link(link, clock, folder), clock()
        )
        service.maker.map_topics(service.links.known)
        topics = AlarmTopics(lambda: publishers(service.links.in_force()))
        analysis.told = topics.told

        removed = RemovedTopics(lambda: publishers(service.links.all.values()))

        def publish_alarms(tanks: Container[str]) -> None:
            topics.begin(analysis.watches, store)
            removed.begin(tanks, analysis.watches, store)

        publish_alarms(common.tanks)

        def end(number: int, frame: FrameType | None) -> None:
            service.stop()
            for thread in threads:
                thread.leave()

        def page_of(settings: Settings) -> StatusPage | None:
            return _page(settings, path, clock, service.is_well, pictures)

        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, end)
        if not notifier.targets:
            _log.warning(
                "%s is not set: alarms are kept but sent to nobody; docs/notices.md, 'Targets'",
                settings.notices.urls_env,
            )
        notices = NoticeThread(notifier, path, clock)
        notices.start()
        threads.append(notices)
        forget_other_servers(store, settings.store)
        if settings.store.kind == "influxdb":
            drain = DrainThread(settings.store, path, clock)
            drain.start()
            threads.append(drain)
        parts = Running(store, service, analysis, notices, make_link, notifier_of, page_of, publish_alarms)
        reloader = Reloader(settings, part, parts, notifier, page_of(settings), clock)
        threads.append(reloader)

        contest = ContestNotice(notifier.keeping)

        def between() -> None:
            reloader.between()
            removed.step(store)
            contest.step(service.links.in_force(), store, clock())

        service.between = between
        signal.signal(signal.SIGHUP, lambda number, frame: reloader.ask())
        if asked_early:
            reloader.ask()
        _log.info("watching %s; the store is %s", ", ".join(settings.tanks), path)
        _spare_collections()
        try:
            whole = service.run()
        finally:
            for thread in threads:
                thread.leave()
            for thread in threads:
                if not thread.stop(ending.left()):
                    _log.warning("%s did not end in time; the rest follows after the next start", thread.name)
    _log.info("stopped")
    ending.done(0 if whole else 1)
    return whole


def _spare_collections() -> None:
    """What lives as long as the service is not looked through for garbage again and again.

    Of what a batch brings hardly anything is in a cycle: a look every 10 000 objects is often enough.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(10_000)


@contextmanager
def _ended(pictures: PictureMaker | None, ending: Ending) -> Iterator[None]:
    try:
        yield
    finally:
        if pictures is not None:
            pictures.close(max(1.0, ending.left()))  # its program is killed: no long wait


def _warn_of_addresses(settings: NoticeSettings) -> None:
    """While somebody is looking, and not at the first alarm."""
    for variable in (settings.urls_env, settings.second_urls_env):
        for name in mistyped(os.environ.get(variable, "")):
            _log.error(
                "%s: target %s is no address: nothing can be sent there; correct it, and see that "
                "`rushlight notice-test` arrives",
                variable,
                name,
            )


def _end_before_anything_came(number: int, frame: FrameType | None) -> None:
    """The links have not begun, so nothing can be lost: what is open is closed, and the end is a good one."""
    raise SystemExit(0)


def _page(
    settings: Settings,
    store_path: Path,
    clock: Clock,
    is_well: Callable[[], bool],
    pictures: PictureMaker | None = None,
) -> StatusPage | None:
    """The status page, being served; None where it isn't wanted or can't be had."""
    if not settings.status_page.enabled:
        return None
    try:
        from rushlight.analysis.views.page import (
            StatusPage,  # its libraries take memory that a service without it keeps
        )

        page = StatusPage(settings, store_path, clock, is_well, pictures)
        return page if page.start() else None
    except Exception as error:
        # a broken installation of what only shows must not keep the tanks from being watched
        _log.exception("no status page (%r); all else goes on", error)
        return None
