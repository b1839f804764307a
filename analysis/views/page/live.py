"""Server-sent events (WHATWG HTML, section 9.2): tells a browser when what it shows has changed."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator

import msgspec
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse

from rushlight.analysis.views.access.records import Visitor
from rushlight.analysis.views.page.desk import Desk
from rushlight.analysis.views.page.pages import Shown
from rushlight.collector.errors import StoreError

__all__ = ["LIVE_BEAT_S", "MOST_LIVE", "Live"]

LIVE_BEAT_S = 3.0
"""Between two looks at what has changed."""
MOST_LIVE = 24
"""Browsers that are told at a time; others ask from time to time. Common practice, no source."""


class Live:
    """GET /live."""

    def __init__(self, desk: Desk, shown: Shown) -> None:
        self._desk = desk
        self._shown = shown
        self._count = 0

    def stream(self, request: Request, visitor: Visitor) -> Response:
        """A stream of `state` events; each has a mark that changes with what is shown, and the time."""
        if self._count >= MOST_LIVE:
            return PlainTextResponse("Too many are watching; ask from time to time.\n", 503)
        return StreamingResponse(self._events(visitor), media_type="text/event-stream")

    async def _events(self, visitor: Visitor) -> AsyncIterator[bytes]:
        self._count += 1
        try:
            yield b"retry: 3000\n\n"
            while not self._desk.leaving:
                try:
                    told = msgspec.json.encode({"mark": self._mark(visitor), "now": self._desk.clock()})
                except StoreError:
                    return  # the browser tries again, and says that nobody answers
                yield b"event: state\ndata: " + told + b"\n\n"
                for _ in range(round(LIVE_BEAT_S / 0.25)):
                    await asyncio.sleep(0.25)
                    if self._desk.leaving:
                        return
        finally:
            self._count -= 1

    def _mark(self, visitor: Visitor) -> str:
        """Of all that a page shows, but for what grows older by itself."""
        facts = self._shown.facts(visitor)
        events = self._shown.events(visitor)
        logs = self._desk.once("log change", lambda _: self._desk.store().last_log_change())
        what = [
            [
                tank.name,
                [(r.quantity, r.time_ms, r.printed, r.remark) for r in tank.readings],
                [(a.occurrence, a.state, a.priority, a.headline) for a in tank.alarms],
                [check.text for check in tank.checks],
                tank.hands_until_ms,
            ]
            for tank in facts.tanks
        ]
        whole = msgspec.json.encode([what, len(events), events[-1:], logs, self._desk.is_well()])
        return hashlib.sha256(whole).hexdigest()[:16]
