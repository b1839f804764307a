"""A window's slope is that of its values as they are, however it came to them."""

from __future__ import annotations

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.estimators.window import Window

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
BEGAN = 1_772_330_400_000

steps = st.lists(
    st.tuples(st.sampled_from(("add", "add", "add", "add", "older", "clear")), st.integers(1, 9)), max_size=60
)


@settings(max_examples=200, deadline=None)
@given(steps, st.sampled_from((15, 30, 60)))
def test_a_kept_slope_is_never_of_other_values(done: list[tuple[str, int]], span_min: int) -> None:
    asked = Window(12)
    now = BEGAN
    for what, number in done:
        if what == "add":
            now += number * MINUTE_MS
            asked.add(now, 24 + number / 8)
        elif what == "older":
            asked.drop_older(number * 5 * MINUTE_MS)
        else:
            asked.clear()
        # one that was never asked before has nothing to keep
        fresh = msgspec.msgpack.decode(msgspec.msgpack.encode(asked), type=Window)
        assert fresh == asked
        for _ in range(2):
            assert asked.slope_per_hour(span_min * MINUTE_MS) == fresh.slope_per_hour(span_min * MINUTE_MS)


def test_what_is_kept_of_slopes_is_not_saved() -> None:
    window = Window(12)
    for number in range(12):
        window.add(BEGAN + number * 5 * MINUTE_MS, 24 + number / 12)
    before = msgspec.msgpack.encode(window)
    # a twelfth of a degree in five minutes is one an hour
    assert abs((window.slope_per_hour(HOUR_MS) or 0.0) - 1.0) < 1e-9
    assert msgspec.msgpack.encode(window) == before
