"""The live analysis with other settings, a clock put back between two reports, and a reload's answer."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from rushlight.analysis.notices.notifier import Notifier
from rushlight.collector.settings import parse_settings
from tests.analysis.service.test_live import SETTINGS, Service, readings
from tests.analysis.service.test_live_steps import hot

HOUR = 3_600_000


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path / "rushlight.db")
    made.commit([])
    yield made
    made.store.close()


def renew(service: Service, *urls: str) -> Notifier:
    parsed = parse_settings(SETTINGS)
    environment = {"RUSHLIGHT_NOTICE_URLS": " ".join(urls)}
    made = Notifier(parsed.notices, environment=environment, clock=lambda: service.now)
    service.live.renew(parsed, made, service.store, service.now)
    return made


def targets(service: Service) -> dict[str, list[str]]:
    """Who has a notice, by tank."""
    found: dict[str, list[str]] = {}
    for notice in service.store.pending_notices():
        found.setdefault(notice.occurrence.partition("/")[0], []).append(notice.target)
    return found


def test_a_target_that_a_reload_adds_hears_of_the_alarm_that_is_active(service: Service) -> None:
    for at in range(0, 240, 30):
        service.give(readings()[at : at + 30])
    (alarm,) = [name for name, state in service.alarms().items() if state == "unacknowledged"]
    assert alarm == "temperature-high"
    (first,) = targets(service)["hallway"]
    both = renew(service, "json://localhost/a", "json://localhost/b")
    assert first in both.targets and len(both.targets) == 2
    assert service.live.wants(service.now)  # at once, not with the next report
    service.commit([])
    assert sorted(targets(service)["hallway"]) == sorted(both.targets)
    service.commit([])
    assert len(targets(service)["hallway"]) == 2


def test_what_is_raised_after_a_reload_goes_to_its_targets(service: Service) -> None:
    (other,) = renew(service, "json://localhost/c").targets
    service.commit([])
    hot(service)
    service.commit([])
    assert set(targets(service)) == {"hallway", "shed"}
    assert all(found == [other] for found in targets(service).values())


def test_a_clock_that_was_put_back_is_followed_with_the_next_report(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    service.give(readings(3))
    ahead = service.live.watches["hallway"].state.silence.last_ms
    service.now -= 2 * HOUR
    service.live.take(readings(1)[:1], service.now)
    assert "the clock was put back to 2026-03-01T00:01:05Z; what is remembered of hallway" in caplog.text
    assert service.live.watches["hallway"].state.silence.last_ms <= service.now < ahead
    # of a tank that has not reported, with the next tick
    assert "shed" not in caplog.text
    service.live.tick(service.now)
    assert ", shed follows it" in caplog.text


def test_who_asks_for_a_reload_is_answered_once_it_is_done(service: Service) -> None:
    first = service.store.add_request("reload", "", "", "", {}, "Ines", service.now)
    second = service.store.add_request("reload", "", "", "", {}, "Tomas", service.now)
    service.live.poll(service.store, service.now)
    assert service.live.reload_asked == {first, second}
    service.commit([])
    assert service.store.request_outcome(first) is None  # not before
    service.live.reloaded("done: nothing has changed")
    assert service.live.reload_asked == set() and service.live.wants(service.now)
    service.commit([])
    for number in (first, second):
        assert service.store.request_outcome(number) == "done: nothing has changed"
    service.live.poll(service.store, service.now)
    assert service.live.reload_asked == set()
