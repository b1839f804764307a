"""`rushlight try`: a test alarm goes the whole way and is never taken for a real one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.trials import TRIAL_MS, Trials, is_trial, trial_lines
from rushlight.analysis.explain.explanation import find_raised
from rushlight.analysis.notices.wording import event_text, reminder_text
from rushlight.analysis.service.requests import Asked, meant
from rushlight.analysis.views.facts import collect_facts
from rushlight.analysis.views.status import status_lines
from rushlight.collector.errors import AlarmError, StoreError
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.records import Request
from tests.analysis.notices.test_notices import Inbox
from tests.analysis.service.test_live import SETTINGS, Service, readings
from tests.conftest import Broker, wait_for
from tests.running_service import Service as Running

NOW = 1_772_330_400_000
NIGHT = SETTINGS + '[notices]\nquiet_from = "23:00"\nquiet_to = "07:00"\n'  # and NOW is two in the morning


def request(kind: str, alarm: str, quantity: str = "", **more: Any) -> Request:
    return Request(1, kind, "hallway", alarm, quantity, more, "ann", NOW, None, None)


def test_the_time_of_a_trial_is_the_one_that_was_thought_about() -> None:
    # common practice, no source; longer than the default `resend_min` of the contract, 15 min
    assert TRIAL_MS == 20 * 60_000


@pytest.mark.parametrize("alarm", sorted(RATIONALE))
def test_every_alarm_can_be_tried_and_is_marked_wherever_one_looks(alarm: str) -> None:
    (raised,), name = Trials().begin(request("try", alarm), "Hallway shelf", NOW)
    assert is_trial(name) and raised.occurrence == name and raised.test
    assert json.loads(msgspec.json.encode(raised))["test"] is True
    for text in (event_text(raised), reminder_text(raised, NOW + 900_000)):
        assert text.title.startswith("TEST ") and len(text.title) <= 100
        first = text.body.removeprefix("Sent again: not acknowledged for 15 min.\n\n")
        assert first.startswith("This is a test alarm: nothing was measured and nothing has to be done.")
        for step in RATIONALE[alarm].action_for(raised.quantity):
            assert step in text.body  # so the keeper sees what would come
        assert all(caution in text.body for caution in raised.cautions)
        assert f"Alarm: {name}" in text.body


def ask(service: Service, kind: str, alarm: str, **more: Any) -> str:
    number = service.store.add_request(kind, "hallway", alarm, "", more, "ann", service.now)
    service.live.poll(service.store, service.now)
    service.commit([])
    return service.store.request_outcome(number) or ""


def test_it_is_sent_at_once_at_night_reminds_and_can_be_acknowledged(tmp_path: Path) -> None:
    service = Service(tmp_path / "a.db", NIGHT)
    name = ask(service, "try", "light-dimming").removeprefix("done: ")
    (notice,) = service.store.due_notices(service.now)
    assert notice.occurrence == name and notice.title.startswith("TEST LOW: ")
    # one that is high asks again, also at night, until it is acknowledged
    high = ask(service, "try", "heater-stuck-on").removeprefix("done: ")
    queue = service.live._notifier._queue
    for notice in service.store.due_notices(service.now):
        service.store.notice_delivered(notice.id, service.now)
        queue.queue_reminder(service.store, notice, service.now)
    (reminder,) = service.store.pending_notices()
    assert reminder.occurrence == high and reminder.next_attempt_ms == service.now + 15 * 60_000
    which = meant([high])
    assert which == Asked("hallway", "heater-stuck-on", "", high)
    assert ask(service, "acknowledge", "heater-stuck-on", occurrence=high) == f"done: {high} acknowledged"
    assert service.store.pending_notices() == []
    assert ask(service, "acknowledge", "heater-stuck-on") == f"done: {high} was acknowledged already"
    service.now += 120_000
    assert ask(service, "try", "heater-stuck-on") == (
        f"refused: {high} is being tried already; it ends by itself in 15 min. Try another alarm meanwhile"
    )
    events = service.store.events()
    assert f"{high}, ends by itself in 15 min" in trial_lines(events, service.now)
    service.store.close()


@pytest.mark.parametrize("step_ms", [TRIAL_MS, -86_400_000])
def test_it_ends_by_itself_over_a_restart_and_whatever_the_clock_does(tmp_path: Path, step_ms: int) -> None:
    service = Service(tmp_path / "a.db", NIGHT)
    name = ask(service, "try", "temperature-high").removeprefix("done: ")
    service.kill()
    service.now += TRIAL_MS - 1
    service.live.poll(service.store, service.now)
    service.commit([])
    assert [event.event for event in service.store.events(occurrence=name)] == ["raised"]
    service.now += step_ms
    service.live.poll(service.store, service.now)
    assert service.live.wants(service.now)
    service.commit([])
    kinds = [event.event for event in service.store.events(occurrence=name)]
    assert sorted(kinds) == ["cleared", "raised"]
    (over,) = service.store.due_notices(max(service.now, NOW + TRIAL_MS))
    assert over.title.startswith("TEST over: ") and over.body.startswith("Nothing to do")
    service.store.close()


def test_a_real_alarm_of_the_same_name_is_raised_beside_it(tmp_path: Path) -> None:
    service = Service(tmp_path / "a.db", NIGHT)
    name = ask(service, "try", "temperature-high").removeprefix("done: ")
    assert service.alarms() == {}, "it is in no book"
    facts = collect_facts(parse_settings(NIGHT), service.store, service.now)
    assert facts.tanks[0].alarms == []
    screen = "\n".join(line.plain for line in status_lines(parse_settings(NIGHT), service.store, service.now))
    assert f"TEST alarm, nothing is wrong: {name}" in screen and "no alarms" in screen
    with pytest.raises(StoreError, match="there is no alarm"):
        find_raised(service.store, "hallway/temperature-high")
    with pytest.raises(StoreError, match="was a test alarm"):
        find_raised(service.store, name)
    service.give(readings(120))
    assert service.alarms() == {"temperature-high": "unacknowledged"}
    real = find_raised(service.store, "hallway/temperature-high")
    assert not real[0].test
    assert {n.transition for n in service.store.pending_notices()} == {"test", "raised"}
    # by its name both are meant, by its ID the one
    assert ask(service, "acknowledge", "temperature-high") == (
        f"done: hallway/temperature-high acknowledged; {name} acknowledged"
    )
    refused = ask(service, "shelve", "temperature-high", occurrence=name, for_ms=60_000)
    assert refused.startswith("refused: a test alarm can be acknowledged")
    service.store.close()


def test_many_tests_are_no_storm(tmp_path: Path) -> None:
    service = Service(tmp_path / "a.db", SETTINGS)
    for alarm in list(RATIONALE)[:5]:
        ask(service, "try", alarm)
        service.now += 5000
    service.give(readings(120))
    raised = [n for n in service.store.pending_notices() if n.transition == "raised"]
    assert raised and all(n.not_before_ms == 0 for n in raised)
    service.store.close()


def test_one_that_was_asked_for_while_no_service_ran_does_not_come_later(tmp_path: Path) -> None:
    service = Service(tmp_path / "a.db")
    number = service.store.add_request("try", "hallway", "co2-overdose", "", {}, "ann", NOW - 61_000)
    service.live.poll(service.store, NOW)
    service.commit([])
    assert service.store.request_outcome(number) == (
        "refused: it was asked for while no service ran; ask again"
    )
    assert service.store.events() == [] and service.store.pending_notices() == []
    service.store.close()


def test_what_can_not_be_tried_is_refused_in_words() -> None:
    with pytest.raises(AlarmError, match="'boredom' is no alarm; known are co2-overdose"):
        Trials().begin(request("try", "boredom"), "", NOW)
    with pytest.raises(AlarmError, match="no probe-fault about 'banana'"):
        Trials().begin(request("try", "probe-fault", "banana"), "", NOW)


def test_through_the_running_service_to_every_target(tmp_path: Path, mosquitto: Broker) -> None:
    links = f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    links += "[status_page]\nenabled = false\n"
    one, two = Inbox(), Inbox()
    service = Running(tmp_path, links, RUSHLIGHT_NOTICE_URLS=f"{one.url} {two.url}")
    done = service.ask("try", "co2-overdose")
    assert done.returncode == 1 and "no service runs here" in done.stderr
    service.start()
    try:
        wait_for(lambda: "watching hallway" in service.log_file().read_text(), "the service")
        done = service.ask("try", "co2-overdose")
        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stdout.count(": taken") == 2
        for box in (one, two):
            (post,) = box.posts
            assert post["title"] == "TEST HIGH: too much CO2 in Hallway shelf"
            assert post["message"].startswith("This is a test alarm")
        name = done.stdout.split(": ")[0]
        done = service.ask("acknowledge", name)
        assert done.stdout == f"{name} acknowledged\n", done.stderr + service.log_file().read_text()
        done = service.ask("try", "boredom")
        assert done.returncode == 2 and "there is no alarm 'boredom'" in done.stderr
        done = service.ask("try", "co2-overdose", "--tank", "attic")
        assert done.returncode == 2 and "there is no tank 'attic'; known are hallway" in done.stderr
    finally:
        assert service.process is not None
        service.process.terminate()
        service.process.wait(30)
        one.close()
        two.close()
