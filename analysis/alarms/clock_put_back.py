"""An alarm's record after the clock was put back."""

from __future__ import annotations

from msgspec.structs import replace

from rushlight.analysis.alarms.states import MAX_SHELF_MS, AlarmRecord

__all__ = ["put_back"]


def put_back(record: AlarmRecord, before_ms: int, now_ms: int, delays_ms: int | None = None) -> AlarmRecord:
    """The record as it is after the clock was put back from `before_ms` to `now_ms`.

    What had begun by the clock that was ahead began as long ago by the new one; what had begun before stays.
    A shelf keeps the time that was left of it. `delays_ms` is how far the time of the delays had come, where
    that is another than the clock's.
    """
    delays_ms = before_ms if delays_ms is None else delays_ms

    def moved(time_ms: int | None, from_ms: int) -> int | None:
        if time_ms is None or time_ms <= now_ms:
            return time_ms
        return max(0, time_ms - max(0, from_ms - now_ms))

    end_ms = record.shelf_end_ms
    if end_ms is not None and (
        end_ms - now_ms > MAX_SHELF_MS or (record.shelved_ms is not None and record.shelved_ms > now_ms)
    ):
        end_ms = min(end_ms - max(0, before_ms - now_ms), now_ms + MAX_SHELF_MS)
    raised_ms, named_ms, returns = record.raised_ms, record.named_ms, record.returns
    if raised_ms is not None and raised_ms > now_ms:
        named_ms = max(raised_ms, named_ms or 0)
    return replace(
        record,
        present_since_ms=moved(record.present_since_ms, delays_ms),
        absent_since_ms=moved(record.absent_since_ms, delays_ms),
        lower_since_ms=moved(record.lower_since_ms, delays_ms),
        shelf_end_ms=end_ms,
        shelved_ms=moved(record.shelved_ms, before_ms),
        raised_ms=moved(raised_ms, max(before_ms, delays_ms)),
        named_ms=named_ms,
        returns=replace(
            returns,
            since_ms=moved(returns.since_ms, delays_ms),
            came_ms=moved(returns.came_ms, delays_ms),
            gone_ms=moved(returns.gone_ms, delays_ms),
        ),
    )
