"""Settings read again, one step at a time: all of them or none, and what is said is what was done."""

from __future__ import annotations

import logging
from collections.abc import Callable, Container, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.findings import Finding
from rushlight.analysis.service.reload import Reloader, Running
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.service.parts import Part
from rushlight.collector.settings import Settings, parse_settings
from tests.analysis.service.test_live import Service as Live
from tests.analysis.service.test_live import readings

TEXT = """
[[links]]
kind = "serial"
port = "/dev/none"
[tanks.sill]
volume_litres = 30
timezone = "Europe/Rome"
[tanks.sill.livestock]
temperature_low_c = 18
temperature_high_c = {high}
[status_page]
enabled = {page}
port = {port}
"""


class Page:
    def __init__(self, settings: Settings) -> None:
        self.port = settings.status_page.port
        self.leaves = self.over = False

    def leave(self) -> None:
        self.leaves = True

    def stop(self, timeout_s: float) -> bool:
        assert self.leaves and not self.over
        self.over = True
        return True


class Parts:
    """A service's parts that note what reaches them, in order."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.done: list[str] = []
        self.outcomes: list[str] = []
        self.unreadable = self.unwritable = False
        self.remembered: list[list[str]] = []  # what had been done by then
        self.reads = 0
        self.full = False
        self.page_is_had: Callable[[Settings], bool] = lambda settings: True
        self.wanted = self.settings()
        self.pages: list[Page] = []
        service = SimpleNamespace(
            links=SimpleNamespace(prepare=lambda *_: {}, ending=lambda prepared: [prepared]),
            let_go=SimpleNamespace(keep=self._remember),
            settle=lambda: not self.full,
            maker=SimpleNamespace(successor=self._successor),
            renew=lambda *_: self.done.append("service"),
        )
        analysis = SimpleNamespace(
            reload_asked=set(),
            renew=self._renew,
            reloaded=self._reloaded,
        )
        self.asked = analysis.reload_asked
        self.unlearnable = False
        notifier: Any = SimpleNamespace(targets=["a"], go_on_from=lambda _: self.done.append("notifier"))
        self.notifier = notifier
        notices = SimpleNamespace(use=lambda _: self.done.append("notices"))
        made: Any = (lambda _: notifier, self._page, self._publish)
        parts: Any = (None, service, analysis, notices, None, *made)
        self.reloader = Reloader(
            self.wanted,
            Part(1, 1),
            Running(*parts),
            notifier,
            self._page(self.wanted),
            int,
            self._read,
        )

    def settings(
        self, high: float = 26, page: bool = True, port: int = 8742, link: str = "/dev/none", more: str = ""
    ) -> Settings:
        text = TEXT.format(high=high, page=str(page).lower(), port=port).replace("/dev/none", link)
        for name in more.split():
            at = text.index("[tanks.sill]")
            text += text[at : text.index("[status_page]")].replace("sill", name)
        return parse_settings(text, str(self.folder / "rushlight.toml"))

    def _remember(self, ending: list[object], now_ms: int) -> None:
        assert ending == [{}]
        self.remembered.append(list(self.done))
        if self.unwritable:
            raise StoreError("can't be written")

    def _renew(self, *_: object) -> None:
        if self.unlearnable:
            raise StoreError("can't be taken up")
        self.done.append("analysis")

    def _reloaded(self, outcome: str) -> None:
        self.outcomes.append(outcome)
        self.asked.clear()

    def _read(self, path: str) -> Settings:
        self.reads += 1
        return self.wanted

    def _publish(self, tanks: Container[str]) -> None:
        self.done.append("alarms")
        self.published_for = tanks

    def _successor(self, settings: Settings, store: object) -> None:
        if self.unreadable:
            raise StoreError("can't be read")

    def _page(self, settings: Settings) -> Page | None:
        if not settings.status_page.enabled or not self.page_is_had(settings):
            return None
        self.pages.append(Page(settings))
        return self.pages[-1]

    def reload(self, **wanted: Any) -> str:
        self.wanted = self.settings(**wanted)
        self.reloader.ask()
        self.reloader.between()
        return self.outcomes[-1] if self.outcomes else ""


@pytest.fixture
def parts(tmp_path: Path) -> Parts:
    return Parts(tmp_path)


def test_a_store_that_cannot_be_read_leaves_no_half_of_two_settings(parts: Parts) -> None:
    parts.unreadable = True
    assert parts.reload(high=25) == "refused: can't be read"
    assert parts.done == []
    parts.unreadable = False
    assert parts.reload(high=25) == "done: sill: livestock temperature high 26 → 25 °C"
    assert parts.done == ["analysis", "notifier", "service", "notices"]


def test_tanks_that_cannot_be_taken_up_leave_no_half_either(parts: Parts) -> None:
    parts.unlearnable = True
    assert parts.reload(high=25) == "refused: can't be taken up"
    assert parts.done == []
    parts.unlearnable = False
    assert parts.reload(high=25).startswith("done") and len(parts.done) == 4


def test_settings_by_which_nobody_would_be_told_are_refused(parts: Parts) -> None:
    parts.notifier.targets = []
    parts.reloader._notifier = SimpleNamespace(targets=["a"])  # type: ignore[assignment]
    assert "alarms would reach nobody" in parts.reload(high=25)
    assert parts.done == []


def test_they_are_read_once_for_each_time_that_somebody_asks(
    parts: Parts, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    parts.reloader.between()
    assert parts.reads == 0
    assert parts.reload() == "done: nothing has changed"
    parts.reloader.between()
    assert parts.reads == 1
    parts.asked.add(7)  # `rushlight reload`
    parts.reloader.between()
    parts.reloader.between()
    assert parts.reads == 2 and "were read again" in caplog.text and "not taken" not in caplog.text
    parts.unreadable = True
    parts.reload(high=25)
    assert "the settings are not taken, the old ones go on" in caplog.text


def test_a_full_store_is_waited_for_and_nothing_is_said_before(
    parts: Parts, caplog: pytest.LogCaptureFixture
) -> None:
    parts.full = True
    for _ in range(3):
        assert parts.reload(high=25) == "" and parts.done == []
    assert caplog.text.count("when the store can be written") == 1
    for _ in range(50):  # some seconds: the file is not read each time
        parts.reloader.between()
    assert parts.reads == 1
    parts.full = False
    parts.reloader.between()  # nobody has to ask again
    parts.reloader.between()
    assert parts.outcomes == ["done: sill: livestock temperature high 26 → 25 °C"]
    # what changes nothing waits for nothing; the next time it is said again
    parts.full = True
    assert parts.reload(high=25) == "done: nothing has changed"
    assert parts.reload(high=24) == "done: nothing has changed" and len(parts.outcomes) == 2
    assert caplog.text.count("when the store can be written") == 2


def test_a_new_broker_hears_of_the_alarms_that_are_active(
    parts: Parts, caplog: pytest.LogCaptureFixture
) -> None:
    parts.reload(high=25)
    assert "alarms" not in parts.done
    assert "a new link" in parts.reload(high=25, link="/dev/other")
    assert parts.done[4:] == ["analysis", "notifier", "service", "notices", "alarms"]

    def unreadable(tanks: Container[str]) -> None:
        raise StoreError("can't be read")

    parts.reloader._running = parts.reloader._running._replace(publish_alarms=unreadable)
    assert "a new link" in parts.reload(high=25)  # it is in force all the same
    assert "a new broker hears" in caplog.text


def test_a_broker_that_is_let_go_is_remembered_before_anything_changes(parts: Parts) -> None:
    parts.unwritable = True
    assert parts.reload(high=25) == "refused: can't be written"
    assert parts.done == []
    parts.unwritable = False
    parts.reload(high=25)
    assert parts.done == ["analysis", "notifier", "service", "notices"] and parts.remembered == [[], []]


def test_brokers_hear_of_a_tank_that_comes_or_goes(parts: Parts) -> None:
    parts.reload(high=25)
    assert "alarms" not in parts.done
    parts.reload(high=25, more="ledge")
    assert parts.done[-1] == "alarms" and list(parts.published_for) == ["sill", "ledge"]
    parts.reload(high=25)
    assert parts.done[-5:] == ["analysis", "notifier", "service", "notices", "alarms"]
    assert list(parts.published_for) == ["sill"]


def test_a_page_that_cannot_be_had_is_said_and_the_old_one_goes_on(parts: Parts) -> None:
    parts.page_is_had = lambda settings: settings.status_page.port != 9000
    first = parts.pages[0]
    assert parts.reload(port=9000).endswith(
        "no page can be had at 127.0.0.1:9000, the log says why; the one at 127.0.0.1:8742 stays, by the old "
        "settings"
    )
    assert not first.over and len(parts.pages) == 1


def test_a_page_whose_address_stays_goes_on_by_the_old_settings(parts: Parts) -> None:
    parts.page_is_had = lambda settings: settings.tanks["sill"].livestock.temperature_high_c != 25
    said = parts.reload(high=25)
    assert "no page can be had at 127.0.0.1:8742" in said and "by the old settings" in said
    assert [page.over for page in parts.pages] == [True, False]
    parts.page_is_had = lambda settings: False
    said = parts.reload(high=24)
    assert said.endswith("the log says why") and [page.over for page in parts.pages] == [True, True]
    # where there was none, it is said, too; and it is tried again
    assert parts.reload(high=23).endswith("no page can be had at 127.0.0.1:8742, the log says why")
    parts.page_is_had = lambda settings: settings.tanks["sill"].livestock.temperature_high_c != 22
    assert parts.reload(high=22).endswith("the log says why") and len(parts.pages) == 2
    assert "page" not in parts.reload(high=26)
    assert [page.over for page in parts.pages] == [True, True, False]


def test_a_page_moves_is_switched_off_and_on(parts: Parts) -> None:
    parts.reload(port=9000)
    assert [(page.port, page.over) for page in parts.pages] == [(8742, True), (9000, False)]
    parts.reload(port=8742, page=False)
    assert [page.over for page in parts.pages] == [True, True]
    assert parts.reloader.stop(1)
    parts.reload(port=9000)
    assert [page.over for page in parts.pages] == [True, True, False]
    parts.reloader.leave()
    assert parts.pages[-1].leaves


def other_settings(live: Live, *tanks: str) -> Settings:
    """The hallway and these, which are new, without the shed."""
    return parse_settings(
        live.text[: live.text.index("[tanks.shed")]
        + "".join(
            f"[tanks.{name}]\nvolume_litres = 20\ntimezone = 'UTC'\n[tanks.{name}.livestock]\n"
            "temperature_low_c = 18\ntemperature_high_c = 26\n"
            for name in tanks
        )
    )


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    made = Live(tmp_path / "rushlight.db")
    made.give(readings(20))
    yield made
    made.store.close()


def renew(live: Live, settings: Settings) -> None:
    live.live.renew(settings, live.live._notifier, live.store, live.now)


def test_a_tank_whose_settings_change_keeps_what_it_knows_and_the_others_are_not_touched(live: Live) -> None:
    before = dict(live.live.watches)
    text = live.text.replace("temperature_high_c = 26", "temperature_high_c = 25", 1)
    renew(live, parse_settings(text))
    after = live.live.watches
    assert after["shed"] is before["shed"]
    assert after["hallway"] is not before["hallway"]
    assert after["hallway"].tank.settings.livestock.temperature_high_c == 25
    assert after["hallway"].state.frames == before["hallway"].state.frames
    assert after["hallway"].snapshot() == before["hallway"].snapshot()


def test_what_is_still_to_be_saved_goes_on_and_a_tank_that_is_gone_is_not_asked_for(live: Live) -> None:
    live.live._changed = {"hallway", "shed"}
    renew(live, other_settings(live, "attic"))
    assert live.live._changed == {"hallway", "attic"}
    live.commit([])
    assert sorted(live.store.states("analysis")) == ["attic", "hallway"]


def test_of_new_tanks_that_cannot_be_taken_up_nothing_is_left(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second can't be read: the first is not watched either, and what goes on can be kept."""
    settings = other_settings(live, "annex", "porch")
    before = live.live.watches
    live.store.save_state("analysis-parked", "annex", b"rubbish", None)  # learnt again, and something to say
    (event,) = [
        msgspec.structs.replace(one, tank="annex", occurrence=one.occurrence.replace("hallway", "annex"))
        for one in warm_event(live)
    ]
    live.store.add_event(event)
    real = live.store.load_state

    def failing(kind: str, name: str) -> Any:
        if kind == "analysis" and name == "porch":
            assert live.live._events and "annex" in live.live._changed
            raise StoreError("can't be read")
        return real(kind, name)

    monkeypatch.setattr(live.store, "load_state", failing)
    with pytest.raises(StoreError):
        renew(live, settings)
    assert live.live.watches is before
    assert not live.live._events and "annex" not in live.live._changed
    live.commit([], closing=True)
    assert sorted(live.store.states("analysis")) == ["hallway", "shed"]
    assert list(live.store.states("analysis-parked")) == ["annex"]
    monkeypatch.undo()
    renew(live, settings)
    live.commit([])
    assert list(live.live.watches) == ["hallway", "annex", "porch"]
    assert list(live.store.states("analysis-parked")) == ["shed"]


def test_it_is_said_why_also_where_the_way_back_fails_too(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = live.live.watches

    def failing(kind: str) -> Any:
        raise StoreError("first" if live.live.watches is not before else "later")

    monkeypatch.setattr(live.store, "states", failing)
    with pytest.raises(StoreError, match="first"):
        renew(live, other_settings(live, "annex"))
    assert live.live.watches is before


def warm_event(live: Live) -> list[Event]:
    """An alarm of the hallway that is raised, as the store keeps it."""
    book = AlarmBook("hallway", "Hallway")
    return book.update([Finding(alarm="co2-overdose", priority="high")], live.now)
