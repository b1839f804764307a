"""The page's addresses: what each leads to, and who may see it."""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import logging
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import msgspec
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.views.access.records import Visitor
from rushlight.analysis.views.page.answer_forms import Answering
from rushlight.analysis.views.page.api import Api
from rushlight.analysis.views.page.desk import Denied, Desk
from rushlight.analysis.views.page.entry import Entry
from rushlight.analysis.views.page.errand_pages import ErrandPages
from rushlight.analysis.views.page.errands import Errands
from rushlight.analysis.views.page.guards import Guards
from rushlight.analysis.views.page.live import Live
from rushlight.analysis.views.page.metrics import metrics_text
from rushlight.analysis.views.page.pages import Shown
from rushlight.analysis.views.page.plots import SPANS, plot_of
from rushlight.analysis.views.page.shield import Shield
from rushlight.analysis.watch.saved import watch_of
from rushlight.collector.log import ClearLog

__all__ = ["PageApp"]

_log = logging.getLogger("rushlight.page")

_PICTURE_WAIT_S = 60.0
_RENEW_MS = 300_000  # a picture of what goes on
_SETTLED_MS = 3 * 3_600_000  # after which a picture stays as it is
_PLOT_MS = 20_000
_HERE = Path(__file__).parent
_STATIC = {
    "page.css": "text/css",
    "page.js": "text/javascript",
    "plots.js": "text/javascript",
    "uPlot.iife.min.js": "text/javascript",
    "uPlot.min.css": "text/css",
    "uPlot.LICENSE.txt": "text/plain",
    "icon.svg": "image/svg+xml",
    "manifest.webmanifest": "application/manifest+json",
}


class PageApp:
    """Answers what is asked for, on the one thread of the page's server.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._static = {name: (_HERE / "static" / name).read_bytes() for name in _STATIC}
        self._zipped = {name: gzip.compress(body, mtime=0) for name, body in self._static.items()}
        version = hashlib.sha256(b"".join(self._static.values())).hexdigest()[:10]
        self._shown = Shown(self.desk, version)
        self._guards = Guards(self.desk, self._shown, ClearLog(_log, desk.clock))
        self._entry = Entry(self.desk, self._shown)
        self._answering = Answering(self.desk, self._shown)
        self._live = Live(self.desk, self._shown)
        self._api = Api(self.desk, self._shown)
        self._errands = Errands(desk.settings.path, desk.clock)
        self._jobs = ErrandPages(self.desk, self._shown, self._errands)

    def asgi(self) -> ASGIApp:
        """The application for the server."""
        entry, shown, answering = self._entry, self._shown, self._answering
        guards = self._guards
        people, programs, anybody = guards.people, guards.programs, guards.anybody
        routes = [
            Route("/", people(shown.front)),
            Route("/tank/{tank}", people(shown.one_tank)),
            Route("/tank/{tank}/plot.json", programs(self._plot)),
            *(Route(path, people(make), methods=[method]) for method, path, make in self._jobs.ways()),
            Route("/alarm/{occurrence:path}.png", people(self._picture)),
            Route("/alarm/{occurrence:path}", people(self._alarm)),
            Route("/history", people(shown.history)),
            Route("/live", programs(self._live.stream)),
            Route("/do/{what}", people(answering.do), methods=["POST"]),
            Route("/people", people(answering.people)),
            Route("/people/invite", people(answering.invite), methods=["POST"]),
            Route("/people/token", people(answering.token), methods=["POST"]),
            Route("/logout", people(entry.logout), methods=["POST"]),
            Route("/login", anybody(entry.login_form), methods=["GET"]),
            Route("/login", anybody(entry.login), methods=["POST"]),
            Route("/setup", anybody(entry.setup_form), methods=["GET"]),
            Route("/setup", anybody(entry.setup), methods=["POST"]),
            Route("/visit/{secret}", anybody(entry.visit)),
            Route("/health", anybody(self._health)),
            Route("/status.json", programs(self._json)),
            Route("/metrics", programs(self._metrics)),
            *(
                Route(f"/api/v1{path}", programs(make), methods=[method])
                for method, path, make in self._api.ways()
            ),
            *(Route(f"/{name}", anybody(self._file)) for name in _STATIC),
        ]
        return Shield(Starlette(routes=routes), self.desk.settings.status_page)

    def close(self) -> None:
        """Let go of the store, and end what is being worked on."""
        self._errands.close()
        self.desk.close()

    # -- what is small -----------------------------------------------------------------------------------

    def _alarm(self, request: Request, visitor: Visitor) -> Response:
        return self._shown.alarm(request, visitor, str(request.path_params["occurrence"]))

    def _plot(self, request: Request, visitor: Visitor) -> Response:
        name = str(request.path_params["tank"])
        span = request.query_params.get("span", "day")
        tank = self.desk.settings.tanks.get(name)
        if tank is None or not visitor.may("read", name) or span not in SPANS:
            raise Denied("There is no such picture.", 404)

        def make(now_ms: int) -> bytes:
            store = self.desk.store()
            watch, _ = watch_of(name, tank, store)
            since_ms = now_ms - SPANS[span].length_ms
            events = store.events(tank=name, since_ms=since_ms)
            units = self.desk.settings.display.units
            plot = plot_of(store, watch, tank, span, now_ms, events, units)
            return gzip.compress(msgspec.json.encode(plot), 3, mtime=0)

        body = self.desk.once(("plot", name, span), make, _PLOT_MS)
        return _zipped(request, body, gzip.decompress, "application/json")

    def _health(self, request: Request) -> Response:
        """200 while readings arrive and the store keeps and can be read, else 503."""
        newest: list[int] = self.desk.once(
            "newest", lambda _: [r.time_ms for t in self.desk.settings.tanks for r in self._latest(t)]
        )
        well = self.desk.is_well()
        body = {"well": well, "newest_reading": utc_text(max(newest)) if newest else None}
        return _json(body, 200 if well else 503)

    def _latest(self, tank: str) -> Iterable[Any]:
        return self.desk.store().latest(tank).values()

    def _json(self, request: Request, visitor: Visitor) -> Response:
        _require_reading(visitor)
        facts = msgspec.to_builtins(self._shown.facts(visitor))
        events = self._shown.events(visitor)[:-21:-1]
        return _json({"well": self.desk.is_well(), **facts, "events": events})

    def _metrics(self, request: Request, visitor: Visitor) -> Response:
        _require_reading(visitor)
        text = metrics_text(self._shown.facts(visitor), self.desk.is_well())
        return Response(text, media_type="text/plain; version=0.0.4; charset=utf-8")

    async def _picture(self, request: Request, visitor: Visitor) -> Response:
        """The curve of one alarm. Another program draws it, and the page answers others meanwhile."""
        pictures = self.desk.pictures
        if pictures is None:
            return PlainTextResponse("There are no pictures: matplotlib is not installed.\n", 404)
        occurrence = str(request.path_params["occurrence"])
        events = self.desk.store().events(occurrence=occurrence)
        raised = [event for event in events if event.event == "raised" and not event.test]
        if not raised or not visitor.may("read", raised[0].tank):
            return PlainTextResponse("There is no such alarm.\n", 404)
        age_ms = self.desk.clock() - milliseconds(raised[0].time)
        stage = age_ms // _RENEW_MS if 0 <= age_ms < _SETTLED_MS else "settled"
        name = f"{occurrence} page {stage}"
        pictures.want(name, occurrence)
        path = await asyncio.to_thread(pictures.get, name, _PICTURE_WAIT_S)
        if path is None:
            return PlainTextResponse("The picture could not be made; the service's log says why.\n", 503)
        return Response(path.read_bytes(), media_type="image/png")

    def _file(self, request: Request) -> Response:
        name = request.url.path[1:]
        # their address has their version in it
        response = _zipped(request, self._zipped[name], lambda _: self._static[name], _STATIC[name])
        response.headers["cache-control"] = (
            "public, max-age=31536000, immutable" if request.url.query else "no-cache"
        )
        return response


def _require_reading(visitor: Visitor) -> None:
    if not visitor.may("read"):
        raise Denied("Your token is not for reading.")


def _zipped(request: Request, body: bytes, unzip: Callable[[bytes], bytes], kind: str) -> Response:
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(
            body, media_type=kind, headers={"content-encoding": "gzip", "vary": "accept-encoding"}
        )
    return Response(unzip(body), media_type=kind, headers={"vary": "accept-encoding"})


def _json(body: Any, status: int = 200) -> Response:
    return Response(msgspec.json.encode(body), status, media_type="application/json")
