"""A record after the clock was put back: what had begun has run as long as before, a shelf keeps its rest."""

from __future__ import annotations

import pytest

from rushlight.analysis.alarms.clock_put_back import put_back
from rushlight.analysis.alarms.states import MAX_SHELF_MS, AlarmRecord, AlarmState

T0 = 1772331250000
MIN = 60_000
DAY = 86_400_000
DELAYS = ("present_since_ms", "absent_since_ms", "lower_since_ms")


def record(**fields: int | None) -> AlarmRecord:
    return AlarmRecord(alarm="co2-overdose", **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", DELAYS)
def test_a_delay_has_run_as_long_as_before(name: str) -> None:
    ahead = T0 + 30 * DAY
    began = ahead - 3 * MIN
    # the readings' time had come as far as the clock's, or five minutes less far
    assert getattr(put_back(record(**{name: began}), ahead, T0), name) == T0 - 3 * MIN
    assert getattr(put_back(record(**{name: began}), ahead, T0, ahead - MIN), name) == T0 - 2 * MIN
    # what began before the clock was ahead stays as it is, to the millisecond
    for earlier in (T0 - MIN, T0 - 1, T0):
        assert getattr(put_back(record(**{name: earlier}), ahead, T0), name) == earlier
    assert getattr(put_back(record(**{name: T0 + 1}), ahead, T0), name) == T0 + 1 - 30 * DAY


def test_no_time_is_before_1970_and_a_delay_that_was_not_ahead_is_not_moved_forward() -> None:
    assert put_back(record(present_since_ms=10), 100, 9).present_since_ms == 0
    assert put_back(record(present_since_ms=12), 10, 9).present_since_ms == 11
    # the delays' time had not come as far as the new clock: nothing to take off
    assert put_back(record(present_since_ms=T0 + 5), T0 + MIN, T0, T0 - MIN).present_since_ms == T0 + 5


def test_a_shelf_keeps_what_was_left_of_it() -> None:
    ahead = T0 + DAY
    shelved = record(shelved_ms=ahead - MIN, shelf_end_ms=ahead + 30 * MIN)
    after = put_back(shelved, ahead, T0)
    assert (after.shelved_ms, after.shelf_end_ms) == (T0 - MIN, T0 + 30 * MIN)
    # put on before the clock was ahead: its end is a time of the right clock
    for before in (T0 - MIN, T0):
        earlier = record(shelved_ms=before, shelf_end_ms=T0 + 30 * MIN)
        assert put_back(earlier, ahead, T0).shelf_end_ms == T0 + 30 * MIN
    # when it was put on is not known: its end is believed where a shelf can be that long
    assert put_back(record(shelf_end_ms=T0 + 30 * MIN), ahead, T0).shelf_end_ms == T0 + 30 * MIN
    longest = record(shelved_ms=T0 - MIN, shelf_end_ms=T0 + MAX_SHELF_MS)
    assert put_back(longest, ahead, T0).shelf_end_ms == T0 + MAX_SHELF_MS


def test_no_shelf_is_longer_than_one_may_be() -> None:
    ahead = T0 + 30 * DAY
    for shelved in (None, T0 - MIN, ahead):
        far = record(shelved_ms=shelved, shelf_end_ms=ahead + MAX_SHELF_MS + DAY)
        assert put_back(far, ahead, T0).shelf_end_ms == T0 + MAX_SHELF_MS
    not_ahead = record(shelved_ms=T0 + 5, shelf_end_ms=T0 + 30 * MIN)
    assert put_back(not_ahead, T0, T0).shelf_end_ms == T0 + 30 * MIN  # the clock was not ahead
    one_more = record(shelved_ms=T0 - MIN, shelf_end_ms=T0 + MAX_SHELF_MS + 1)
    assert put_back(one_more, T0, T0).shelf_end_ms == T0 + MAX_SHELF_MS


def test_the_time_in_a_name_is_remembered_so_that_it_is_not_given_again() -> None:
    ahead = T0 + DAY
    after = put_back(record(raised_ms=ahead - MIN), ahead, T0, ahead - 5 * MIN)
    assert after.named_ms == ahead - MIN
    assert after.raised_ms == T0 - MIN  # by the later of the two times
    behind = put_back(record(raised_ms=ahead - MIN), ahead - 5 * MIN, T0, ahead)
    assert behind.raised_ms == T0 - MIN
    assert put_back(record(raised_ms=ahead - MIN, named_ms=ahead + MIN), ahead, T0).named_ms == ahead + MIN
    for raised in (None, T0 - 1, T0):
        untouched = put_back(record(raised_ms=raised), ahead, T0)
        assert (untouched.raised_ms, untouched.named_ms) == (raised, None)


def test_what_has_no_time_gets_none() -> None:
    plain = AlarmRecord(alarm="co2-overdose", state=AlarmState.UNACKNOWLEDGED, standing=True)
    assert put_back(plain, T0 + DAY, T0) == plain
