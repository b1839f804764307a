"""What people ask of alarms: the answer says what was done, and to which."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.requests import carry_out, quantities_of
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.findings import Finding
from rushlight.analysis.service.requests import Asked, meant
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import Event
from rushlight.collector.store.records import Request
from tests.analysis.service.test_live import Service, readings

NOW = 1_772_330_400_000
HOUR = 3_600_000
SHELF = {"for_ms": 2 * HOUR}


def asked(book: AlarmBook, kind: str, alarm: str, quantity: str = "", **more: Any) -> tuple[list[Event], str]:
    now = NOW + 120_000
    request = Request(1, kind, book.tank, alarm, quantity, more, "ann", now, None, None)
    return carry_out(book, request, now, ("temperature", "ph"))


def faulty(*quantities: str) -> AlarmBook:
    """A tank with probe faults, raised."""
    book = AlarmBook("landing", "Landing")
    found = [Finding(alarm="probe-fault", quantity=name) for name in quantities]
    book.update(found, NOW)
    raised = book.update(found, NOW + 61_000)
    assert [event.quantity for event in raised] == list(quantities)
    return book


def test_a_shelf_without_a_quantity_holds_for_every_probe() -> None:
    book = AlarmBook("landing", "Landing")
    events, words = asked(book, "shelve", "probe-fault", **SHELF)
    assert words == "landing/probe-fault shelved until 1 Mar, 04:02 for ph, temperature"
    assert {event.quantity for event in events} == {"ph", "temperature"}
    found = [Finding(alarm="probe-fault", quantity="ph")]
    later = [e for at in (3, 5, 60) for e in book.update(found, NOW + at * 60_000)]
    assert later == []
    # the twin: without the shelf the same is raised
    bare = AlarmBook("landing", "Landing")
    assert [e.event for at in (3, 5, 60) for e in bare.update(found, NOW + at * 60_000)] == ["raised"]


def test_acknowledging_takes_all_probes_and_says_which() -> None:
    book = faulty("ph", "temperature")
    assert asked(book, "acknowledge", "probe-fault", "ph")[1] == "landing/probe-fault/ph acknowledged"
    events, words = asked(book, "acknowledge", "probe-fault")
    assert [event.quantity for event in events] == ["temperature"]
    assert words == (
        "landing/probe-fault/ph was acknowledged already; landing/probe-fault/temperature acknowledged"
    )


def test_what_is_shelved_is_not_called_acknowledged() -> None:
    book = faulty("ph")
    asked(book, "shelve", "probe-fault", **SHELF)
    with pytest.raises(AlarmError, match="ph is shelved until 1 Mar, 04:02, so there is nothing"):
        asked(book, "acknowledge", "probe-fault")
    assert asked(book, "unshelve", "probe-fault")[1] == (
        "landing/probe-fault/ph unshelved; landing/probe-fault/temperature unshelved"
    )
    assert asked(book, "unshelve", "probe-fault") == ([], "landing/probe-fault was not shelved")


def test_out_of_service_is_said_and_the_rest_is_shelved() -> None:
    book = faulty("ph")
    book.out_of_service(("landing", "probe-fault", "ph"), NOW + 100_000, "ann")
    _, words = asked(book, "shelve", "probe-fault", **SHELF)
    assert words == (
        "landing/probe-fault/temperature shelved until 1 Mar, 04:02; "
        "landing/probe-fault/ph is out of service: return it to service first"
    )


def test_out_of_service_holds_until_a_person_ends_it() -> None:
    book = faulty("ph")
    events, words = asked(book, "out-of-service", "probe-fault")
    assert words == (
        "landing/probe-fault is out of service until a person returns it to service for ph, temperature"
    )
    assert {(e.event, e.quantity, e.until) for e in events} == {
        ("shelved", "ph", ""),
        ("shelved", "temperature", ""),
    }
    assert {e.summary for e in events} == {
        "Taken out of service by ann: probe fault (pH) in Landing",
        "Taken out of service by ann: probe fault (water temperature) in Landing",
    }
    assert asked(book, "out-of-service", "probe-fault", "ph") == (
        [],
        "landing/probe-fault/ph was out of service already",
    )
    with pytest.raises(AlarmError, match="probe-fault/ph: is out of service, not shelved; return it"):
        asked(book, "unshelve", "probe-fault", "ph")
    found = [Finding(alarm="probe-fault", quantity="ph")]
    month = NOW + 30 * 24 * HOUR
    assert book.update(found, month) == []
    book = AlarmBook.restore("landing", "Landing", book.to_bytes())
    assert book.update(found, month + HOUR) == []
    request = Request(1, "return-to-service", "landing", "probe-fault", "", {}, "ann", NOW, None, None)
    events, words = carry_out(book, request, month + 2 * HOUR, ())
    assert words == (
        "landing/probe-fault/ph returned to service; landing/probe-fault/temperature returned to service"
    )
    # its condition holds, so the twin of the silence above: raised again
    assert [(e.event, e.quantity) for e in events if e.quantity == "ph"] == [
        ("unshelved", "ph"),
        ("raised", "ph"),
    ]
    assert carry_out(book, request, month + 2 * HOUR, ())[1] == "landing/probe-fault was not out of service"


@pytest.mark.parametrize("kind", ["acknowledge", "shelve", "unshelve", "out-of-service", "return-to-service"])
def test_a_quantity_that_is_none_is_refused_with_what_there_is(kind: str) -> None:
    book = faulty("ph")
    with pytest.raises(AlarmError, match="no probe-fault about 'banana'; it may be about temperature, room"):
        asked(book, kind, "probe-fault", "banana", **SHELF)
    with pytest.raises(AlarmError, match="co2-overdose is about the whole tank"):
        asked(book, kind, "co2-overdose", "ph", **SHELF)
    assert {str(record.state) for record in book.records().values()} == {"unacknowledged"}


def test_an_id_is_that_raising_and_no_other() -> None:
    book = faulty("ph")
    (record,) = book.records().values()
    which = meant([record.occurrence])
    assert which == Asked("landing", "probe-fault", "ph", record.occurrence)
    old = record.occurrence.replace("2026", "2025")
    with pytest.raises(AlarmError, match=f"{old}: is over or was never raised.*now is {record.occurrence}"):
        asked(book, "acknowledge", "probe-fault", "ph", occurrence=old)
    words = asked(book, "acknowledge", "probe-fault", "ph", occurrence=record.occurrence)[1]
    assert words == "landing/probe-fault/ph acknowledged"


def test_nothing_raised_is_said_with_what_is() -> None:
    with pytest.raises(AlarmError, match="nothing to acknowledge; raised here: probe-fault/ph"):
        asked(faulty("ph"), "acknowledge", "co2-overdose")


@pytest.mark.parametrize(
    ("words", "quantity", "expected"),
    [
        (["shed", "probe-fault"], "ph", Asked("shed", "probe-fault", "ph")),
        (["shed/probe-fault"], "", Asked("shed", "probe-fault")),
        (["shed/probe-fault/light"], "light", Asked("shed", "probe-fault", "light")),
        (
            ["landing/co2-overdose/2026-01-16T23:36:00Z"],
            "",
            Asked("landing", "co2-overdose", "", "landing/co2-overdose/2026-01-16T23:36:00Z"),
        ),
        (["shed"], "", None),
        (["shed/probe-fault/light"], "ph", None),
        (["shed/probe-fault/light/soon"], "", None),
        (["a", "b", "c"], "", None),
    ],
)
def test_what_the_words_of_the_command_mean(words: list[str], quantity: str, expected: Asked | None) -> None:
    if expected is None:
        with pytest.raises(ValueError, match="ALARM-ID"):
            meant(words, quantity)
    else:
        assert meant(words, quantity) == expected


def test_through_the_service_by_the_id_that_the_notice_prints(tmp_path: Path) -> None:
    service = Service(tmp_path / "rushlight.db")
    service.give(readings(120))
    (notice,) = [n for n in service.store.pending_notices() if "temperature-high" in n.occurrence][:1]
    name = notice.body.rpartition("Alarm: ")[2].split()[0]
    which = meant([name])
    number = service.store.add_request(
        "acknowledge", which.tank, which.alarm, "", {"occurrence": which.occurrence}, "ann", service.now
    )
    service.live.poll(service.store, service.now)
    service.commit([])
    assert service.store.request_outcome(number) == "done: hallway/temperature-high acknowledged"
    service.store.close()


@given(
    tank=st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,20}", fullmatch=True),
    alarm=st.sampled_from(sorted(RATIONALE)),
    quantity=st.sampled_from(["", "ph", "temperature", "light"]),
    time_ms=st.integers(0, 4_000_000_000_000),
    test=st.booleans(),
)
def test_every_id_that_a_notice_can_print_is_taken(
    tank: str, alarm: str, quantity: str, time_ms: int, test: bool
) -> None:
    parts = [tank, alarm, quantity, utc_text(time_ms), "test" if test else ""]
    name = "/".join(part for part in parts if part)
    assert meant([name]) == Asked(tank, alarm, quantity, name)


PROBES = ("temperature", "ph", "light")
STEPS = st.lists(
    st.tuples(
        st.sampled_from(
            ["fault", "shelve", "acknowledge", "unshelve", "out-of-service", "return-to-service"]
        ),
        st.sampled_from(["", *PROBES]),
    ),
    max_size=12,
)


@given(steps=STEPS)
def test_whatever_was_asked_before_the_answer_is_what_the_book_has(steps: list[tuple[str, str]]) -> None:
    book, now = AlarmBook("landing"), NOW
    for kind, quantity in steps:
        now += 70_000
        if kind == "fault":
            found = [Finding(alarm="probe-fault", quantity=name) for name in PROBES if quantity in ("", name)]
            for later in (0, 61_000):
                book.update(found, now + later)
            now += 61_000
            continue
        request = Request(1, kind, "landing", "probe-fault", quantity, SHELF, "ann", now, None, None)
        try:
            events, words = carry_out(book, request, now, PROBES)
        except AlarmError:
            continue
        states = {key[2]: str(record.state) for key, record in book.records().items()}
        wanted = [quantity] if quantity else list(PROBES)
        if kind == "shelve":
            assert all(states[name] in ("shelved", "out of service") and name in words for name in wanted)
        elif kind == "out-of-service":
            assert all(states[name] == "out of service" for name in wanted)
        elif kind == "return-to-service":
            assert "out of service" not in {states.get(name) for name in wanted}
        elif kind == "unshelve":
            assert "shelved" not in {states.get(name) for name in wanted}
        else:
            assert "unacknowledged" not in {states.get(name) for name in wanted}
            assert {e.quantity for e in events} <= set(wanted)


def test_only_alarms_about_probes_have_a_quantity() -> None:
    assert [name for name in RATIONALE if quantities_of(name)] == ["probe-fault", "setting-doubtful"]


def test_a_shelf_counts_from_when_it_was_asked_for() -> None:
    def late(by_ms: int) -> tuple[list[Event], str]:
        book = AlarmBook("landing", "Landing")
        request = Request(1, "shelve", "landing", "co2-overdose", "", SHELF, "ann", NOW, None, None)
        return carry_out(book, request, NOW + by_ms)

    events, words = late(HOUR)
    assert words == "landing/co2-overdose shelved until 1 Mar, 04:00"
    assert [event.until for event in events] == [utc_text(NOW + 2 * HOUR)]
    assert late(2 * HOUR - 1)[0]
    with pytest.raises(AlarmError, match="the shelf was over by 1 Mar, 04:00, before the service"):
        late(2 * HOUR)
    # asked for by a clock that was put back since: it counts from now
    assert late(-HOUR)[1] == "landing/co2-overdose shelved until 1 Mar, 03:00"


def test_what_nobody_can_have_seen_is_acknowledged_by_its_own_name_only() -> None:
    book = faulty("ph", "temperature")
    names = {key[2]: record.occurrence for key, record in book.records().items()}
    request = Request(1, "acknowledge", "landing", "probe-fault", "", {}, "ann", NOW, None, None)
    events, words = carry_out(book, request, NOW, unseen={names["ph"]})
    assert [event.quantity for event in events] == ["temperature"]
    assert "landing/probe-fault/ph was raised only after that was asked for" in words
    with pytest.raises(AlarmError, match="was raised only after that was asked for: look at it and ask"):
        carry_out(book, request._replace(quantity="ph"), NOW, unseen={names["ph"]})
    named = request._replace(arguments={"occurrence": names["ph"]})
    assert [e.quantity for e in carry_out(book, named, NOW, unseen={names["ph"]})[0]] == ["ph"]
