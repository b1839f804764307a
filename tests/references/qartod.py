"""The four QARTOD tests exactly as published, point by point, in O(1) each.

`collector/intake/quality.py` flags the newest reading at once and must differ from the manual for that (it
says how). Here is the manual itself, for reports over recorded data and for comparison: each class gives,
point for point, what `ioos_qc.qartod` gives for the whole series.

Reference: U.S. IOOS, *Manual for Real-Time Quality Control of In-situ Temperature and Salinity Data*, tests
4 (gross range), 6 (spike), 7 (rate of change), 8 (flat line). Flags: 1 pass, 2 not evaluated, 3 suspect,
4 fail, 9 missing.
"""

from __future__ import annotations

from collections import deque

__all__ = ["FlatLineTest", "RateOfChangeTest", "SpikeTest", "gross_range"]

_PASS, _NOT_EVALUATED, _SUSPECT, _FAIL, _MISSING = 1, 2, 3, 4, 9


def gross_range(value: float | None, fail: tuple[float, float], suspect: tuple[float, float]) -> int:
    """Test 4: outside `fail` is FAIL, outside `suspect` is SUSPECT; bounds belong to the inside."""
    if value is None:
        return _MISSING
    if not fail[0] <= value <= fail[1]:
        return _FAIL
    return _PASS if suspect[0] <= value <= suspect[1] else _SUSPECT


class SpikeTest:
    """Test 6: point n-1 against the middle of n-2 and n; so its flag is known when n arrives.

    Parameters
    ----------
    suspect, fail : float
        Thresholds in the quantity's unit.
    """

    def __init__(self, suspect: float, fail: float) -> None:
        self._suspect = suspect
        self._fail = fail
        self._points: deque[float | None] = deque(maxlen=2)

    def update(self, value: float | None) -> int | None:
        """Take point n; give the flag of point n-1, None at the first."""
        points = self._points
        flag: int | None = None
        if points:
            middle = points[-1]
            before = points[0] if len(points) == 2 else None
            if middle is None:
                flag = _MISSING
            elif before is None or value is None:
                flag = _NOT_EVALUATED
            else:
                size = abs(middle - (before + value) / 2)
                flag = _FAIL if size > self._fail else _SUSPECT if size > self._suspect else _PASS
        points.append(value)
        return flag

    def finish(self) -> int | None:
        """Flag of the last point, which has no neighbour to come; None where there was none."""
        if not self._points:
            return None
        return _MISSING if self._points[-1] is None else _NOT_EVALUATED


class RateOfChangeTest:
    """Test 7: the step from the point before, by its time.

    Parameters
    ----------
    suspect, fail : float
        Units per second.
    """

    def __init__(self, suspect: float, fail: float = float("inf")) -> None:
        self._suspect = suspect
        self._fail = fail
        self._last: tuple[int, float | None] | None = None

    def update(self, time_ms: int, value: float | None) -> int:
        """Flag of this point; it passes where there is none, or none with a value, before it."""
        last, self._last = self._last, (time_ms, value)
        if value is None:
            return _MISSING
        if last is None or last[1] is None or time_ms == last[0]:
            return _PASS
        rate = abs((value - last[1]) / ((time_ms - last[0]) / 1000))
        return _FAIL if rate > self._fail else _SUSPECT if rate > self._suspect else _PASS


class FlatLineTest:
    """Test 8: the range of the window that ends here is less than `tolerance`.

    The window is counted in points, `suspect_s` or `fail_s` over the interval, as `ioos_qc` does.

    Parameters
    ----------
    suspect_s, fail_s : float
        Length of the windows, seconds.
    interval_s : float
        Usual time between two points, seconds.
    tolerance : float
        In the quantity's unit.
    """

    def __init__(self, suspect_s: float, fail_s: float, interval_s: float, tolerance: float) -> None:
        self._windows = (
            (_FAIL, _Extremes(int(fail_s / interval_s) + 1)),
            (_SUSPECT, _Extremes(int(suspect_s / interval_s) + 1)),
        )
        self._tolerance = tolerance

    def update(self, value: float | None) -> int:
        """Flag of this point."""
        for _, window in self._windows:
            window.push(value)
        if value is None:
            return _MISSING
        for flag, window in self._windows:
            if window.full and window.range < self._tolerance:
                return flag
        return _PASS


class _Extremes:
    """Range of the last `size` points, amortised O(1), by two monotonic queues (points, place)."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._place = 0
        self._low: deque[tuple[float, int]] = deque()
        self._high: deque[tuple[float, int]] = deque()

    @property
    def full(self) -> bool:
        return self._place >= self._size

    @property
    def range(self) -> float:
        return self._high[0][0] - self._low[0][0]

    def push(self, value: float | None) -> None:
        self._place += 1
        gone = self._place - self._size
        for queue, sign in ((self._low, 1), (self._high, -1)):
            if queue and queue[0][1] <= gone:
                queue.popleft()
            if value is not None:
                while queue and sign * queue[-1][0] >= sign * value:
                    queue.pop()
                queue.append((value, self._place))
