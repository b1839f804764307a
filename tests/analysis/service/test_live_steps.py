"""The live analysis one call at a time: what is kept, sent and taken up."""

from __future__ import annotations

import itertools
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from rushlight.analysis.notices.store_or_memory import NoticeKeeping
from rushlight.analysis.watch.saved import ANALYSIS_STATE, DEVICE_META
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.settings import MqttLink, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.service.test_live import BEGAN, SETTINGS, Service, notifier, readings

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path / "rushlight.db")
    made.commit([])  # new tanks: they are waited for from here, over restarts
    yield made
    made.store.close()


def saved(service: Service) -> list[tuple[bytes, int] | None]:
    return [service.store.load_state(ANALYSIS_STATE, name) for name in ("hallway", "shed")]


def events_kept(store: EmbeddedStore) -> list[tuple[str, str]]:
    return [(event.tank, event.event) for event in store.events()]


# -- the start -----------------------------------------------------------------------------------------


def test_a_start_writes_no_snapshot_that_is_there(service: Service, caplog: pytest.LogCaptureFixture) -> None:
    service.give(readings(1))
    before = saved(service)
    frames = service.live.watches["hallway"].state.frames
    caplog.set_level(logging.INFO)
    service.kill()
    assert service.live.watches["hallway"].state.frames == frames  # the readings behind it are judged again
    service.commit([])
    assert saved(service) == before
    lines = [r.getMessage() for r in caplog.records if "restored" in r.getMessage()]
    assert lines == [
        "hallway: analysis restored, with 2 readings since",
        "shed: analysis restored, with 1 readings since",
    ]
    service.live.tick(service.now)
    assert "passed at once" not in caplog.text  # it was not held up: it has just begun


def test_the_time_in_which_no_service_ran_is_nobody_s_silence_also_when_it_is_judged_again(
    service: Service,
) -> None:
    service.give(readings(2))
    service.live.tick(service.now)
    service.commit([], closing=True)
    service.now += 2 * HOUR
    service.kill()
    later = [msgspec.structs.replace(r, time_ms=service.now, seq=r.seq + 9) for r in readings(1)]
    service.live.take(later, service.now)
    service.commit(later)
    service.kill()  # the snapshot is older than these: they are given to the analysis again
    assert service.live._events == []
    service.live.tick(service.now)
    service.commit([])
    assert service.store.events() == []


def test_a_test_alarm_that_goes_on_is_taken_up(service: Service) -> None:
    number = service.store.add_request("try", "hallway", "co2-overdose", "", {}, "Ines", service.now)
    service.live.poll(service.store, service.now)
    service.commit([])
    name = (service.store.request_outcome(number) or "").removeprefix("done: ")
    (raised,) = service.store.events()
    assert raised.occurrence == name and "Hallway shelf" in raised.summary
    service.kill()
    service.now += HOUR
    service.live.poll(service.store, service.now)
    assert service.live.wants(service.now)
    service.commit([])
    assert events_kept(service.store) == [("hallway", "raised"), ("hallway", "cleared")]


def test_notices_of_a_clock_that_was_ahead_are_due_after_a_restart(service: Service) -> None:
    service.store.queue_notice(
        occurrence="hallway/temperature-high/x", transition="raised", target="a", title="t", body="b",
        priority="high", created_ms=service.now + 30 * DAY,
    )  # fmt: skip
    service.kill()
    assert service.live.wants(service.now)
    service.commit([])
    assert len(service.store.due_notices(service.now)) == 1


def test_what_is_learnt_again_follows_the_clock_too(service: Service) -> None:
    """The stored readings are of a clock that was ahead: silence counts from now."""
    ahead = [msgspec.structs.replace(r, time_ms=r.time_ms + 30 * DAY) for r in readings(20)]
    service.give(ahead)
    service.store.save_state(ANALYSIS_STATE, "hallway", b"rubbish", service.store.position())
    service.now = BEGAN + HOUR
    service.kill()
    service.commit([])
    assert service.live.watches["hallway"].state.silence.last_ms <= service.now
    hallway, _ = saved(service)
    assert hallway is not None and hallway[0] != b"rubbish"  # it need not be learnt again at each start
    service.now += HOUR
    service.live.tick(service.now)
    service.commit([])
    assert ("hallway", "raised") in events_kept(service.store)


# -- held up, and clocks -------------------------------------------------------------------------------


@pytest.mark.parametrize("first", ["take", "tick"])
@pytest.mark.parametrize("more_ms", [0, 1])
def test_after_more_than_two_minutes_without_a_tick_nobody_is_called_silent(
    service: Service, caplog: pytest.LogCaptureFixture, more_ms: int, first: str
) -> None:
    service.give(readings(2))
    service.live.tick(service.now)
    for _ in range(19):
        service.now += MINUTE
        service.live.tick(service.now)
    service.now += 2 * MINUTE + more_ms
    later = [msgspec.structs.replace(r, time_ms=service.now) for r in readings(1)]
    if first == "take":
        service.live.take(later[:1], service.now)
        service.live.take(later[1:2], service.now)  # once for one gap
    service.live.tick(service.now)
    service.commit([])
    assert caplog.text.count("passed at once") == more_ms
    silent = {event.tank for event in service.store.events() if event.alarm == "device-silent"}
    assert silent == (set() if more_ms else {"hallway", "shed"})
    # whoever stays silent is called so a little later
    service.now += 2 * MINUTE
    service.live.tick(service.now)
    service.commit([])
    assert "shed" in {event.tank for event in service.store.events() if event.alarm == "device-silent"}


def test_a_clock_that_was_put_back_is_kept_with_the_next_commit(service: Service) -> None:
    service.give(readings(4))
    service.live.tick(service.now)
    service.commit([])
    before = saved(service)
    service.store.queue_notice(
        occurrence="hallway/temperature-high/x", transition="raised", target="a", title="t", body="b",
        priority="high", created_ms=service.now,
    )  # fmt: skip
    service.now -= DAY
    service.live.tick(service.now)
    assert service.live.wants(service.now)
    service.commit([])
    assert all(a != b for a, b in zip(before, saved(service), strict=True))
    assert len(service.store.due_notices(service.now)) == 1
    assert not service.live.wants(service.now)


# -- what is kept --------------------------------------------------------------------------------------


def test_a_snapshot_goes_with_what_has_changed_and_not_with_each_reading(service: Service) -> None:
    """Each is a write on somebody's SD card."""
    stream = [r for r in readings(130) if r.quantity == "temperature"]
    left = iter(stream)
    for reading in left:
        service.now = service.live._snapshot_ms = reading.time_ms  # the five minutes are never over
        service.live.take([reading], service.now)
        before = saved(service)
        service.commit([reading])
        if events_kept(service.store):
            break
    assert events_kept(service.store) == [("hallway", "raised")]
    hallway, shed = saved(service)
    assert hallway is not None and hallway[1] == service.store.position() and shed == before[1]
    for reading in itertools.islice(left, 8):
        service.now = service.live._snapshot_ms = reading.time_ms
        service.live.take([reading], service.now)
        assert not service.live.wants(service.now)
        service.commit([reading])
    assert saved(service) == [hallway, shed]


def test_a_first_sight_is_not_five_minutes_away(service: Service) -> None:
    """`status` and the page show what was saved last: after a start, somebody waits for it."""
    began = service.now
    assert not service.live.wants(began + 9_999) and service.live.wants(began + 10_000)
    service.now = began + 10_000
    service.commit([])
    assert not service.live.wants(began + 19_999) and service.live.wants(began + 20_000)
    service.now = began + 290_000
    service.commit([])
    # each is a write on somebody's SD card: later on, every five minutes do
    assert not service.live.wants(began + 589_999) and service.live.wants(began + 590_000)
    changed = parse_settings(SETTINGS.replace("volume_litres = 54", "volume_litres = 55"))
    assert changed != service.live._settings
    service.now = began + HOUR
    service.commit([])
    service.live.renew(changed, notifier(changed), service.store, service.now)
    service.commit([])
    assert service.live.wants(service.now + 10_000)


def test_what_a_device_says_of_itself_is_kept_and_logged_when_it_changes(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    for n, online in enumerate((True, True, False, False, True)):
        service.live.device("shed", online, service.now + n)
        assert service.live.wants(service.now)
        service.commit([])
        assert not service.live.wants(service.now)
        word = "online" if online else "offline"
        assert service.store.get_meta(DEVICE_META + "shed") == f"{word} {service.now + n}"
    assert caplog.text.count("says online") == 2 and caplog.text.count("says offline") == 1


# -- a store that refuses ------------------------------------------------------------------------------


def hot(service: Service) -> list[Event]:
    """Judged and not kept: an alarm of each tank."""
    for name in ("hallway", "shed"):
        number = service.store.add_request("try", name, "temperature-high", "", {}, "Ines", service.now)
        assert number
    service.live.poll(service.store, service.now)
    return list(service.live._events)


def test_events_that_come_one_after_the_other_are_each_sent_once_from_memory(service: Service) -> None:
    hot(service)
    service.live.hold(service.store, service.now, "no room")
    service.live.hold(service.store, service.now, "no room")
    service.now += 1000
    service.store.add_request("try", "hallway", "co2-overdose", "", {}, "Ines", service.now)
    service.live.poll(service.store, service.now)
    service.live.hold(service.store, service.now, "no room")
    keeping = service.live._notifier.keeping
    waiting = [n.occurrence.split("/")[:2] for n in keeping.outbox(service.store).pending_notices()]
    assert sorted(waiting) == [
        ["hallway", "co2-overdose"],
        ["hallway", "temperature-high"],
        ["shed", "temperature-high"],
    ]
    service.commit([])
    assert [n.occurrence.split("/")[:2] for n in service.store.pending_notices()] == waiting
    assert not keeping.holding
    # and the next event of all goes by the store again
    service.now += 1000
    service.store.add_request("try", "shed", "co2-overdose", "", {}, "Ines", service.now)
    service.live.poll(service.store, service.now)
    service.commit([])
    assert len(service.store.pending_notices()) == 4


def test_an_event_that_cannot_be_sent_keeps_no_other_from_people(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = hot(service)
    lines: list[str] = []

    def hold(self: NoticeKeeping, event: Event, store: Any, now_ms: int) -> None:
        if event is first:
            raise ZeroDivisionError("no words for it")
        lines.append(event.occurrence)

    monkeypatch.setattr(NoticeKeeping, "hold", hold)
    with pytest.raises(ZeroDivisionError):
        service.live.hold(service.store, service.now, "no room")
    service.live.hold(service.store, service.now, "no room")
    assert lines == [second.occurrence]


def test_that_readings_are_not_kept_is_said_after_a_minute_of_it(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[tuple[int, int]] = []
    monkeypatch.setattr(
        NoticeKeeping, "unkept", lambda self, store, since_ms, now_ms, why: said.append((since_ms, now_ms))
    )
    began = service.now
    for after in (0, MINUTE - 1):
        service.live.hold(service.store, began + after, "no room")
    assert said == []
    service.live.hold(service.store, began + MINUTE, "no room")
    assert said == [(began, began + MINUTE)]
    service.commit([])  # it is over, and the next time begins anew
    service.live.hold(service.store, began + 2 * MINUTE, "no room")
    assert len(said) == 1
    # a clock that was put back makes nobody wait for longer than a minute
    service.live.hold(service.store, began - DAY, "no room")
    service.live.hold(service.store, began - DAY + MINUTE, "no room")
    assert said[1:] == [(began - DAY, began - DAY + MINUTE)]


def test_the_notice_says_for_how_long_a_broker_of_the_older_kind_hands_on(service: Service) -> None:
    def said() -> str:
        service.live.hold(service.store, service.now, "no room")
        service.live.hold(service.store, service.now + MINUTE, "no room")
        (notice,) = service.live._notifier.keeping.outbox(None).pending_notices()
        return notice.body

    assert "What is wrong: no room\n\n" in said()
    service.kill()
    (link,) = service.live._settings.links or [MqttLink()]
    service.live._settings = msgspec.structs.replace(
        service.live._settings, links=[msgspec.structs.replace(link, protocol="3.1.1")]
    )
    assert "What is wrong: no room.\n\nlocalhost:1883, MQTT 3.1.1: while nothing can be stored" in said()


def test_a_store_that_refuses_when_it_is_kept_is_asked_for_all_of_it_again(service: Service) -> None:
    hot(service)
    with pytest.raises(StoreError), service.store.transaction():
        service.live.keep(service.store, service.now, False)
        raise StoreError("no room")
    assert service.live.wants(service.now)
    service.commit([])
    assert sorted(events_kept(service.store)) == [("hallway", "raised"), ("shed", "raised")]
    assert len(service.store.pending_notices()) == 2 and service.store.open_requests() == []


def test_what_a_device_had_kept_is_no_clock_that_was_put_back(service: Service) -> None:
    """Sixty old reports come in one burst between those of now; before and after a restart."""
    for _ in range(2):
        now = service.now = service.now + HOUR
        fresh = Reading("hallway", "temperature", now, 24.0, 1, -1)
        old = [Reading("hallway", "temperature", now - HOUR + n * 1000, 29.0, 1, -1) for n in range(200)]
        service.give([fresh, *old])
        frames = service.live.watches["hallway"].state.frames
        assert frames.start_ms > now - MINUTE
        service.commit([], closing=True)
        service.kill()
    assert frames.late == 400 and service.alarms() == {}


def test_what_is_answered_before_it_could_be_written_is_not_sent_any_more(service: Service) -> None:
    hot(service)
    service.live.hold(service.store, service.now, "no room")
    service.now += 1000
    service.store.add_request("acknowledge", "hallway", "temperature-high", "", {}, "Ines", service.now)
    service.live.poll(service.store, service.now)
    service.commit([])  # there is room again
    assert [n.occurrence.split("/")[0] for n in service.store.pending_notices()] == ["shed"]
    assert ("hallway", "acknowledged") in events_kept(service.store)
