"""The settings read again while the service runs: on SIGHUP, or when `rushlight reload` asks.

Either all of the file is in force afterwards, or nothing of it: what is wrong, or can't be changed in a
running service, leaves the old settings as they are. No reading is lost: all that has come is kept first,
links that are the same stay open, and what is learnt, alarms and delays go on.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Container
from pathlib import Path
from typing import NamedTuple, Protocol

from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.thread import NoticeThread
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.views.access.openness import open_without_login
from rushlight.collector.errors import SettingsError, StoreError
from rushlight.collector.links import Link
from rushlight.collector.log import Clock
from rushlight.collector.service.link_exchange import Prepared
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.service.parts import Part, settings_of_part
from rushlight.collector.settings import LinkSettings, Settings, load_settings
from rushlight.collector.settings.changes import changes, needs_restart
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Page", "Reloader", "Running", "can_run"]

_log = logging.getLogger("rushlight")

_PAGE_ENDS_S = 5.0


class Page(Protocol):
    """The status page, as far as it is exchanged."""

    def leave(self) -> None: ...
    def stop(self, timeout_s: float) -> bool: ...


class Running(NamedTuple):
    """The parts of a running service that new settings reach."""

    store: EmbeddedStore
    service: CollectorService
    analysis: LiveAnalysis
    notices: NoticeThread
    make_link: Callable[[LinkSettings, Clock, Path], Link]
    make_notifier: Callable[[Settings], Notifier]
    make_page: Callable[[Settings], Page | None]
    publish_alarms: Callable[[Container[str]], None]
    """Each alarm's state, to the links in force: a broker that is new knows of none. It is given the names of
    all tanks, those of other parts too: what is no longer among them is taken away from the brokers."""


class Reloader:
    """Reads the settings again when asked, between two rounds of the service.

    Parameters
    ----------
    settings : Settings
        Of this service's part of the tanks.
    part : Part
    running : Running
    notifier : Notifier
    page : Page or None
        As they are now.
    clock : callable
        Milliseconds since 1970, UTC.
    read : callable
        Settings of a path.
    """

    def __init__(
        self,
        settings: Settings,
        part: Part,
        running: Running,
        notifier: Notifier,
        page: Page | None,
        clock: Clock,
        read: Callable[[str], Settings] = load_settings,
    ) -> None:
        self._settings = settings
        self._part = part
        self._running = running
        self._notifier = notifier
        self._page = page
        self._clock = clock
        self._read = read
        self._asked = False
        self._waits = False  # the store can't be written: said already

    @property
    def name(self) -> str:
        """For messages about what does not end."""
        return "status page"

    def leave(self) -> None:
        """Ask the page, whichever it is by now, to end."""
        if self._page is not None:
            self._page.leave()

    def stop(self, timeout_s: float) -> bool:
        """End it; False where it has not ended in time."""
        return self._page is None or self._page.stop(timeout_s)

    def ask(self) -> None:
        """Read them soon; safe in a signal handler."""
        self._asked = True

    def between(self) -> None:
        """On the service's thread, between two rounds."""
        if not self._asked and not self._running.analysis.reload_asked:
            return
        # a second signal meanwhile is for a file that may be newer
        self._asked = False
        try:
            outcome = self._reload()
        except (SettingsError, StoreError) as error:
            outcome = f"refused: {error}"
        except Exception as error:
            _log.exception("reading the settings again failed")
            outcome = f"refused: reading the settings again failed ({error!r}); the log has the place"
        if outcome is None:
            self._asked = True
            return
        word, _, text = outcome.partition(": ")
        if word == "refused":
            _log.error("the settings are not taken, the old ones go on:\n%s", text)
        else:
            _log.info("the settings were read again: %s", text.replace("\n", "; "))
        self._running.analysis.reloaded(outcome)

    def _reload(self) -> str | None:
        """What came of it, "done: …"; None where the store can't be written now.

        Raises
        ------
        SettingsError, StoreError
            Nothing was changed.
        """
        old, running = self._settings, self._running
        if self._waits:
            if not running.service.settle():
                return None
            self._waits = False
        common = can_run(self._read(old.path))
        new = settings_of_part(common, self._part)
        fixed = needs_restart(old, new)
        if fixed:
            raise SettingsError(
                f"{new.path}: {'; '.join(fixed)}: can't change while the service runs, so nothing was "
                "changed; restart the service, or change it back"
            )
        said = changes(old, new)
        if not said:
            return "done: nothing has changed"
        if not running.service.settle():
            if not self._waits:
                _log.warning("the settings are read again when the store can be written")
            self._waits = True
            return None
        folder = Path(new.path).parent
        prepared = running.service.links.prepare(
            new.links, lambda link: running.make_link(link, self._clock, folder)
        )
        notifier = running.make_notifier(new)
        if self._notifier.targets and not notifier.targets:
            raise SettingsError(
                f"{new.path}: [notices] urls_env: {new.notices.urls_env} is not set in the running service, "
                "so alarms would reach nobody; set it in the service's environment and restart it"
            )
        self._go_over(new, prepared, notifier)
        if old.links != new.links or old.tanks.keys() != new.tanks.keys():
            self._publish_alarms(common.tanks)
        page = self._exchange_page(old, new)
        return "done: " + "\n".join([*said, *page])

    def _go_over(self, new: Settings, prepared: Prepared, notifier: Notifier) -> None:
        running = self._running
        # what needs the store first: where it can't, nothing has changed
        running.service.let_go.keep(running.service.links.ending(prepared), self._clock())
        maker = running.service.maker.successor(new, running.store)
        running.analysis.renew(new, notifier, running.store, self._clock())
        notifier.go_on_from(self._notifier)
        running.service.renew(new, prepared, maker)
        running.notices.use(notifier)
        self._settings, self._notifier = new, notifier

    def _publish_alarms(self, tanks: Container[str]) -> None:
        try:
            self._running.publish_alarms(tanks)
        except StoreError as error:
            _log.warning("%s; a new broker hears of each alarm when it changes next", error)

    def _exchange_page(self, old: Settings, new: Settings) -> list[str]:
        """A page by the new settings; the old one goes on where it can't be had. What is to be said of it."""
        was, wanted = old.status_page, new.status_page
        moves = (was.host, was.port) != (wanted.host, wanted.port)
        before = self._page
        ends_first = not wanted.enabled or not moves
        if ends_first:
            self._end(before)
        page = self._running.make_page(new)
        if page is not None or not wanted.enabled:
            if not ends_first:
                self._end(before)
            self._page = page
            return []
        said = f"no page can be had at {wanted.host}:{wanted.port}, the log says why"
        if before is None:
            return [said]
        if not moves:
            self._page = self._running.make_page(old)
            if self._page is None:
                return [said]
        return [f"{said}; the one at {was.host}:{was.port} stays, by the old settings"]

    def _end(self, page: Page | None) -> None:
        if page is not None:
            page.leave()
            page.stop(_PAGE_ENDS_S)


def can_run(settings: Settings) -> Settings:
    """The same settings.

    Raises
    ------
    SettingsError
        There is nothing to collect from, or nothing to watch, or all the network could open the page.
    """
    if not settings.links:
        raise SettingsError(
            f"{settings.path}: links: none is given, so there is nothing to collect; add [[links]]"
        )
    if not settings.tanks:
        raise SettingsError(
            f"{settings.path}: tanks: none is given, so there is nothing to watch; add [tanks.NAME]"
        )
    fault = open_without_login(settings, settings.store_path())
    if fault:
        raise SettingsError(f"{settings.path}: {fault}")
    return settings
