"""The page: `/`, `/health`, `/status.json`, `/alarm/ALARM-ID.png`. Reads the store by its own connection."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.physics.carbon_dioxide import likely_text
from rushlight.analysis.views.fact_types import AlarmFacts, Facts, TankFacts
from rushlight.analysis.views.facts import age_text, collect_facts
from rushlight.analysis.views.page.shield import Shield
from rushlight.analysis.views.page.sparkline import Drawing, Trace, draw
from rushlight.collector.errors import StoreError
from rushlight.collector.events import PRIORITY_RANK, Event
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.readings import PH, TEMPERATURE
from rushlight.collector.safe_text import safe_lines
from rushlight.collector.settings import Settings, TankSettings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["REFRESH_S", "PageApp"]

_log = logging.getLogger("rushlight.page")

REFRESH_S = 15
_KEEP_MS = 2_000  # many windows, or a greedy program, cost no more than one
_EVENTS = 20
_PICTURE_WAIT_S = 60.0
_RENEW_MS = 300_000  # a picture of what goes on
_SETTLED_MS = 3 * 3_600_000  # after which a picture stays as it is
_HERE = Path(__file__).parent
_STATIC = {"page.css": "text/css", "page.js": "text/javascript"}


class PageApp:
    """Draws what is asked for, on the one thread of the page's server.

    Parameters
    ----------
    settings : Settings
    store_path : Path
    clock : callable
        Milliseconds since 1970, UTC.
    is_well : callable
        Whether readings arrive and the store keeps them.
    pictures : PictureMaker, optional
        Where the pictures of alarms come from; without it none is offered.
    """

    def __init__(
        self,
        settings: Settings,
        store_path: Path,
        clock: Clock,
        is_well: Callable[[], bool],
        pictures: PictureMaker | None = None,
    ) -> None:
        self._settings = settings
        self._path = store_path
        self._clock = clock
        self._is_well = is_well
        self._pictures = pictures
        self._say = ClearLog(_log, clock)
        self._store: EmbeddedStore | None = None
        self._traces: dict[tuple[str, str], Trace] = {}
        self._kept: dict[str, tuple[int, Any]] = {}
        environment = Environment(
            loader=FileSystemLoader(_HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            finalize=_without_control,
        )
        environment.filters["age"] = age_text
        environment.filters["utc"] = utc_text
        environment.globals["likely_text"] = likely_text
        self._template = environment.get_template("status.html")
        self._static = {name: (_HERE / "static" / name).read_bytes() for name in _STATIC}

    def asgi(self) -> ASGIApp:
        """The application for the server."""
        routes = [
            Route("/", self._answering(self._page)),
            Route("/health", self._answering(self._health)),
            Route("/status.json", self._answering(self._json)),
            Route("/alarm/{occurrence:path}.png", self._picture),
            *(Route(f"/{name}", self._answering(self._file)) for name in _STATIC),
        ]
        return Shield(Starlette(routes=routes), self._settings.status_page)

    def close(self) -> None:
        """Let go of the store."""
        if self._store is not None:
            self._store.close()
            self._store = None

    # async and yet blocking on purpose: one request after the other on one thread keeps memory and the
    # collector's share of the processor where they are
    def _answering(self, make: Callable[[Request], Response]) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            try:
                response = make(request)
            except StoreError as error:
                self.close()
                self._say.say("store", f"the page can't be shown: {error}")
                return PlainTextResponse(f"The store can't be read: {error}\n", 503)
            except Exception as error:
                self.close()
                if self._say.say("fault", f"the page failed: {error!r}"):
                    _log.exception("where it failed")
                return PlainTextResponse("The page failed; the service's log says where.\n", 500)
            self._say.over("store", "the page can be shown again")
            self._say.over("fault", "the page can be shown again")
            return response

        return answer

    def _open(self) -> EmbeddedStore:
        if self._store is None:
            self._store = EmbeddedStore(self._path, read_only=True, busy_ms=2_000)
        return self._store

    def _once(self, name: str, make: Callable[[int], Any]) -> Any:
        """What was made a moment ago, or made anew."""
        now = self._clock()
        kept = self._kept.get(name)
        if kept is None or not 0 <= now - kept[0] < _KEEP_MS:
            kept = self._kept[name] = (now, make(now))
        return kept[1]

    def _facts(self) -> Facts:
        facts: Facts = self._once("facts", lambda now: collect_facts(self._settings, self._open(), now))
        return facts

    def _events(self) -> list[Event]:
        events: list[Event] = self._once("events", lambda _: self._open().events(limit=_EVENTS)[::-1])
        return events

    def _drawings(self, now_ms: int) -> dict[tuple[str, str], Drawing]:
        found = {}
        for tank in self._facts().tanks:
            for reading in tank.readings:
                key = (tank.name, reading.quantity)
                trace = self._traces.get(key)
                if trace is None:
                    trace = self._traces[key] = Trace(*key)
                trace.update(self._open(), now_ms)
                limits = _limits(self._settings.tanks.get(tank.name), reading.quantity)
                drawing = draw(trace, reading.quantity, now_ms, limits)
                if drawing is not None:
                    found[key] = drawing
        return found

    def _page(self, request: Request) -> Response:
        def make(now_ms: int) -> str:
            facts = self._facts()
            return self._template.render(
                facts=facts,
                well=self._is_well(),
                summary=_summary(facts),
                as_of=next((t.local_time for t in facts.tanks if t.local_time), utc_text(facts.time_ms)),
                raised=_raised(facts),
                events=[(self._local(event), event) for event in self._events()],
                titles={name: tank.title or name for name, tank in self._settings.tanks.items()},
                drawings=self._drawings(now_ms),
                pictured=self._pictures is not None,
                refresh_s=REFRESH_S,
            )

        return Response(self._once("page", make), media_type="text/html")

    def _local(self, event: Event) -> str:
        """An event's time by the tank's own clock."""
        tank = self._settings.tanks.get(event.tank)
        moment = datetime.fromisoformat(event.time)
        if tank is None:
            return f"{moment:%a %d %b %H:%M} UTC"
        return f"{moment.astimezone(ZoneInfo(tank.timezone)):%a %d %b %H:%M}"

    def _health(self, request: Request) -> Response:
        """200 while readings arrive and the store keeps and can be read, else 503."""
        newest: list[int] = self._once(
            "newest", lambda _: [r.time_ms for t in self._settings.tanks for r in self._latest(t)]
        )
        well = self._is_well()
        body = {"well": well, "newest_reading": utc_text(max(newest)) if newest else None}
        return _json(body, 200 if well else 503)

    def _latest(self, tank: str) -> Iterable[Any]:
        return self._open().latest(tank).values()

    def _json(self, request: Request) -> Response:
        facts = msgspec.to_builtins(self._facts())
        return _json({"well": self._is_well(), **facts, "events": self._events()})

    async def _picture(self, request: Request) -> Response:
        """The curve of one alarm. Another program draws it, and the page answers others meanwhile."""
        pictures = self._pictures
        if pictures is None:
            return PlainTextResponse("There are no pictures: matplotlib is not installed.\n", 404)
        occurrence = str(request.path_params["occurrence"])
        try:
            raised = [
                e for e in self._open().events(occurrence=occurrence) if e.event == "raised" and not e.test
            ]
        except StoreError as error:
            self.close()
            return PlainTextResponse(f"The store can't be read: {error}\n", 503)
        if not raised:
            return PlainTextResponse("There is no such alarm.\n", 404)
        age_ms = self._clock() - milliseconds(raised[0].time)
        stage = age_ms // _RENEW_MS if 0 <= age_ms < _SETTLED_MS else "settled"
        name = f"{occurrence} page {stage}"
        pictures.want(name, occurrence)
        path = await asyncio.to_thread(pictures.get, name, _PICTURE_WAIT_S)
        if path is None:
            return PlainTextResponse("The picture could not be made; the service's log says why.\n", 503)
        return Response(path.read_bytes(), media_type="image/png")

    def _file(self, request: Request) -> Response:
        name = request.url.path[1:]
        return Response(self._static[name], media_type=_STATIC[name])


def _without_control(value: Any) -> Any:
    """What a template prints: a name may have come from a device or a file."""
    return safe_lines(value) if isinstance(value, str) and not hasattr(value, "__html__") else value


def _json(body: Any, status: int = 200) -> Response:
    return Response(msgspec.json.encode(body), status, media_type="application/json")


def _limits(tank: TankSettings | None, quantity: str) -> tuple[float | None, ...]:
    if tank is None:
        return ()
    if quantity == TEMPERATURE:
        return (tank.livestock.temperature_low_c, tank.livestock.temperature_high_c)
    return (tank.water.ph_low, tank.water.ph_high) if quantity == PH else ()


def _raised(facts: Facts) -> list[tuple[TankFacts, AlarmFacts]]:
    """What asks for something to be done in any tank, the most urgent first."""
    found = [(tank, alarm) for tank in facts.tanks for alarm in tank.alarms if alarm.raised]
    return sorted(found, key=lambda pair: -PRIORITY_RANK[pair[1].priority])


def _summary(facts: Facts) -> str:
    """One sentence for the top of the page and the window's title."""
    raised = [alarm for _, alarm in _raised(facts)]
    if not raised:
        checked = sum(len(tank.checks) for tank in facts.tanks)
        return f"No alarm yet, {checked} being checked" if checked else "No alarms"
    counts = [
        f"{sum(alarm.priority == word for alarm in raised)} {word}"
        for word in ("critical", "high", "medium", "low")
        if any(alarm.priority == word for alarm in raised)
    ]
    return f"{'1 alarm' if len(raised) == 1 else f'{len(raised)} alarms'}: {', '.join(counts)}"
