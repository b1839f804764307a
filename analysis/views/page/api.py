"""The JSON API for one's own automation: read, acknowledge, note. Described by `openapi.py`."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from rushlight.analysis.views.access.records import EVERYBODY, Scope, Visitor
from rushlight.analysis.views.page.answer_forms import alarm_parts
from rushlight.analysis.views.page.desk import Denied, Desk, Unanswered
from rushlight.analysis.views.page.openapi import description
from rushlight.analysis.views.page.pages import Shown
from rushlight.collector.errors import AlarmError, LogError
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.safe_text import has_control
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["MOST_VALUES", "Api"]

MOST_VALUES = 5_000
_LONGEST_MS = 400 * 86_400_000
_LAST_MS = 253_402_300_799_000  # the end of the year 9999
_STEPS_MS = (60_000, 600_000, 3_600_000, 86_400_000)
_Make = Callable[[Request, Visitor], Response | Awaitable[Response]]


class _Acknowledge(msgspec.Struct, forbid_unknown_fields=True):
    alarm: str


class _Note(msgspec.Struct, forbid_unknown_fields=True):
    text: str = ""
    tests: dict[str, float] = {}
    changed_share: float | None = None
    done: list[str] = []
    time_ms: int | None = None


class Api:
    """What is under `/api/v1`."""

    def __init__(self, desk: Desk, shown: Shown) -> None:
        self._desk = desk
        self._shown = shown

    def ways(self) -> list[tuple[str, str, _Make]]:
        """Method, path and what answers it."""
        return [
            ("GET", "/openapi.json", self._openapi),
            ("GET", "/tanks", self._tanks),
            ("GET", "/tanks/{tank}", self._tank),
            ("GET", "/tanks/{tank}/values", self._values),
            ("GET", "/tanks/{tank}/log", self._log),
            ("POST", "/tanks/{tank}/log", self._note),
            ("DELETE", "/tanks/{tank}/log/{entry}", self._undo),
            ("GET", "/alarms", self._alarms),
            ("POST", "/alarms/acknowledge", self._acknowledge),
        ]

    def _openapi(self, request: Request, visitor: Visitor) -> Response:
        tanks = [name for name in self._desk.settings.tanks if visitor.may("read", name)]
        return _json(description(tanks))

    def _tanks(self, request: Request, visitor: Visitor) -> Response:
        _allow(visitor, "read")
        return _json({"well": self._desk.is_well(), "tanks": self._shown.facts(visitor).tanks})

    def _tank(self, request: Request, visitor: Visitor) -> Response:
        return _json(self._shown.tank(self._name(request, visitor, "read"), visitor))

    def _values(self, request: Request, visitor: Visitor) -> Response:
        name = self._name(request, visitor, "read")
        asked = request.query_params
        quantity = asked.get("quantity", "")
        if quantity not in QUANTITIES:
            raise Denied(f"quantity: one of {', '.join(QUANTITIES)}", 400)
        now = self._desk.clock()
        end = _whole(asked.get("to"), now, "to")
        start = _whole(asked.get("from"), max(0, end - 86_400_000), "from")
        if not 0 <= start < end <= _LAST_MS or end - start > _LONGEST_MS:
            raise Denied("from and to: milliseconds since 1970, from before to, at most 400 days apart", 400)
        step = next((step for step in _STEPS_MS if (end - start) / step <= MOST_VALUES), _STEPS_MS[-1])
        first = start // step * step
        store = self._desk.store()
        if step >= _STEPS_MS[2]:
            parts = store.summaries(name, quantity, first, end, "hourly" if step == _STEPS_MS[2] else "daily")
            rows = [[p.start_ms, p.minimum, p.maximum] for p in parts if p.minimum is not None]
        else:
            found = store.extremes(name, quantity, first, end, step)
            rows = [[time, *found[time]] for time in sorted(found)]
        return _json(
            {"quantity": quantity, "unit": QUANTITIES[quantity].unit, "step_ms": step, "values": rows}
        )

    def _log(self, request: Request, visitor: Visitor) -> Response:
        name = self._name(request, visitor, "read")
        since = _whole(request.query_params.get("since"), 0, "since")
        return _json({"entries": self._desk.store().log(name, since)})

    async def _note(self, request: Request, visitor: Visitor) -> Response:
        name = self._name(request, visitor, "note")
        said = await _body(request, _Note)
        now = self._desk.clock()
        entry = LogEntry(
            tank=name,
            time_ms=now if said.time_ms is None else said.time_ms,
            tests=said.tests,
            changed_share=said.changed_share,
            done=tuple(said.done),
            text=said.text,
        )
        try:
            kept = await self._desk.write(lambda store: store.add_log(entry, visitor.name, now))
        except LogError as error:
            raise Denied(str(error), 422) from None
        return _json(kept, 201)

    async def _undo(self, request: Request, visitor: Visitor) -> Response:
        name = self._name(request, visitor, "note")
        number = _whole(str(request.path_params["entry"]), 0, "entry")
        now = self._desk.clock()
        try:
            entry = await self._desk.write(lambda store: store.undo_log(name, number, now))
        except LogError as error:
            raise Denied(str(error), 404) from None
        return _json(entry)

    def _alarms(self, request: Request, visitor: Visitor) -> Response:
        _allow(visitor, "read")
        return _json({"alarms": self._shown.past(visitor)})

    async def _acknowledge(self, request: Request, visitor: Visitor) -> Response:
        _allow(visitor, "acknowledge")
        said = await _body(request, _Acknowledge)
        if has_control(said.alarm):
            raise Denied("There is no such alarm.", 404)
        tank, alarm, quantity, named = alarm_parts(said.alarm)
        if tank not in self._desk.settings.tanks or not visitor.may("acknowledge", tank):
            raise Denied("There is no such tank.", 404)
        arguments = {"occurrence": said.alarm} if named else {}
        try:
            outcome = await self._desk.ask("acknowledge", tank, alarm, quantity, arguments, visitor)
        except AlarmError as error:
            raise Denied(str(error), 409) from None
        except Unanswered as error:
            raise Denied(str(error), 503) from None
        return _json({"outcome": outcome})

    def _name(self, request: Request, visitor: Visitor, scope: Scope) -> str:
        _allow(visitor, scope)
        name = str(request.path_params["tank"])
        if name not in self._desk.settings.tanks or not visitor.may(scope, name):
            raise Denied("There is no such tank.", 404)
        return name


def _allow(visitor: Visitor, scope: Scope) -> None:
    """To do something takes a token: a browser's cookie goes along with what other sites make it send."""
    if not visitor.may(scope) or (scope != "read" and (visitor.csrf or visitor is EVERYBODY)):
        raise Denied(f"Show a token with the scope {scope}.")


async def _body(request: Request, kind: type[Any]) -> Any:
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise Denied("Send JSON, as Content-Type: application/json.", 415)
    try:
        return msgspec.json.decode(await request.body(), type=kind)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        raise Denied(f"That body can't be read: {error}", 400) from None


def _whole(text: str | None, default: int, name: str) -> int:
    if text is None:
        return default
    if not text.isascii() or not text.isdigit() or len(text) > 15:
        raise Denied(f"{name}: a whole number", 400)
    return int(text)


def _json(body: Any, status: int = 200) -> Response:
    return Response(msgspec.json.encode(body), status, media_type="application/json")
