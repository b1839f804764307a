"""When a lost connection looks like another program of our name. Limits: common practice, no source."""

from __future__ import annotations

from rushlight.collector.links.contest import Contest, contested, undisturbed

NOW = 1_772_330_400_000
MINUTE = 60_000


def test_three_short_connections_in_a_row_are_a_contest_for_five_minutes() -> None:
    contest, now = Contest(), NOW
    for number in (1, 2, 3):
        contest.connected(now)
        now += 9_999
        assert contest.lost(now, taken_over=False) is (number == 3)
        assert contest.goes_on(now) is (number == 3)
    assert contest.goes_on(now + 5 * MINUTE - 1) and not contest.goes_on(now + 5 * MINUTE)
    assert not contest.goes_on(now - 60 * MINUTE)  # the clock was put back: for no longer than before
    contest.connected(now)
    assert not contest.lost(now + 10_000, taken_over=False)  # one that held
    assert not contest.goes_on(now + 10_000)


def test_where_the_broker_says_so_one_is_enough() -> None:
    contest = Contest()
    contest.connected(NOW)
    assert contest.lost(NOW + 60 * MINUTE, taken_over=True)
    assert contest.goes_on(NOW + 61 * MINUTE)


class _Link:
    def __init__(self, contested: bool) -> None:
        self._contested = contested

    def contested(self) -> bool:
        return self._contested


def test_a_link_that_nobody_can_throw_out_is_undisturbed() -> None:
    assert undisturbed([object(), _Link(False)])
    assert not undisturbed([object(), _Link(False), _Link(True)])
    named = _Link(True)
    named.name = "mqtt attic"  # type: ignore[attr-defined]
    assert contested([_Link(True), _Link(False), named]) == ["the broker", "mqtt attic"]
