"""How many steps, how large and how long make a current, in bounds. Common practice, no source."""

from __future__ import annotations

import pytest

from tests.analysis.detectors.test_stray_current import DAY, HOUR, Bench


@pytest.mark.parametrize(
    ("size", "minutes", "stands"),
    [(0.4, 14, False), (0.4, 20, True), (0.2, 20, False), (0.33, 20, True), (0.4, 700, True)],
)
def test_three_steps_make_a_current(size: float, minutes: int, stands: bool) -> None:
    """Away, back and away, large and over more than half an hour; hands and a rinse are quicker."""
    bench = Bench().run(
        2 * DAY, lambda at: size * (600 <= at < 600 + minutes or at >= 600 + 2 * minutes), noise=0.005
    )
    assert bool(bench.stands) is stands


@pytest.mark.parametrize(("size", "stands"), [(0.035, False), (0.15, True)])
def test_how_large_the_steps_of_a_telegraph_are(size: float, stands: bool) -> None:
    bench = Bench().run(DAY, lambda at: 0.0, noise=0.005)
    bench.run(12 * HOUR, lambda at: size * (at // 60 % 2), noise=0.005)
    assert bool(bench.stands) is stands
