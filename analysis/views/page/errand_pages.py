"""The keeper's jobs as pages: a form, how far it is, what came of it; and the sitter's sheet."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from rushlight.analysis.paper.document import Document
from rushlight.analysis.paper.kept import SHEET, kept_document, of_plain
from rushlight.analysis.views.access.records import Visitor
from rushlight.analysis.views.fact_types import TankFacts
from rushlight.analysis.views.page.desk import Denied, Desk
from rushlight.analysis.views.page.errand_forms import TITLES, Form, form_of, in_the_forms_words
from rushlight.analysis.views.page.errands import Errand, Errands
from rushlight.analysis.views.page.front_words import day_and_time
from rushlight.analysis.views.page.guards import Make
from rushlight.analysis.views.page.pages import Shown
from rushlight.analysis.views.page.visitors import fields_of, require_own

__all__ = ["ErrandPages"]

_KINDS = {".html": "text/html", ".pdf": "application/pdf", ".zip": "application/zip"}
_TITLES = {"report.html": "The report", "report.pdf": "The report as PDF", "sheet.pdf": "The sheet as PDF"}
_OWN_PAGE = (
    "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'; form-action "
    "'none'; sandbox"
)  # a file with its own style, and nothing that runs


class ErrandPages:
    """The views.

    Parameters
    ----------
    desk : Desk
    shown : Shown
    errands : Errands
    """

    def __init__(self, desk: Desk, shown: Shown, errands: Errands) -> None:
        self._desk, self._shown, self._errands = desk, shown, errands

    def ways(self) -> list[tuple[str, str, Make]]:
        """Method, path, and what answers."""
        return [
            ("GET", "/tank/{tank}/jobs", self.jobs),
            ("GET", "/tank/{tank}/jobs/{kind}", self.form),
            ("POST", "/tank/{tank}/jobs/{kind}", self.begin),
            ("GET", "/tank/{tank}/sheet", self.sheet),
            ("GET", "/tank/{tank}/sheet.pdf", self.sheet_pdf),
            ("GET", "/jobs/{id}", self.one),
            ("POST", "/jobs/{id}/reply", self.reply),
            ("POST", "/jobs/{id}/stop", self.reply),
            ("GET", "/jobs/{id}/{name}", self.file),
        ]

    # -- what there is, and a form ------------------------------------------------------------------------

    def jobs(self, request: Request, visitor: Visitor) -> Response:
        """GET /tank/TANK/jobs."""
        tank = self._keepers_tank(request, visitor)
        zone, now = self._zone(tank.name), self._desk.clock()
        lately = [
            (one, day_and_time(one.began_ms, zone, now), TITLES.get(_base(one.kind), ("",))[0])
            for one in self._errands.of_tank(tank.name)
        ]
        return self._shown.draw("jobs.html", request, visitor, tank=tank, titles=TITLES, lately=lately)

    async def form(self, request: Request, visitor: Visitor) -> Response:
        """GET /tank/TANK/jobs/KIND."""
        tank = self._keepers_tank(request, visitor)
        kind = _known(request)
        history: list[str] = []
        entries = []
        if kind == "calibrate":
            store = self._desk.store()
            entries = [one for one in store.log(tank.name) if one.calibration is not None][::-1]
            if entries:
                mark = store.last_log_change(), self._desk.clock() // 86_400_000
                history = (await self._made("calibrations", tank.name, {}, mark)).lines
        zone, now = self._zone(tank.name), self._desk.clock()
        return self._shown.draw(
            "job_form.html",
            request,
            visitor,
            tank=tank,
            title=TITLES[kind][0],
            words=TITLES[kind][1],
            kind=kind,
            forms=await self._forms(kind, tank.name, dict(request.query_params)),
            entries=[(one, day_and_time(one.time_ms, zone, now)) for one in entries],
            history=[line for line in history if not line.lstrip()[:1].isdigit()],
            local_now=_local(now, zone),
        )

    async def begin(self, request: Request, visitor: Visitor) -> Response:
        """POST /tank/TANK/jobs/KIND."""
        fields = await fields_of(request)
        require_own(request, fields, visitor)
        tank = self._keepers_tank(request, visitor)
        kind = _known(request)
        variant = fields.pop("form", kind)
        word, _, what = variant.partition(" ")
        if not any(variant in form.kinds for form in await self._forms(kind, tank.name, {})):
            raise Denied("There is no such form.", 404)
        fields.pop("csrf", None)
        if what:
            fields["what"] = what
        if kind == "away":
            fields["link"] = self._desk.settings.status_page.url or ""
        errand = self._errands.begin(word, tank.name, visitor.name, fields)
        return RedirectResponse(f"/jobs/{errand.id}", 303)

    # -- how far it is, and what came of it ---------------------------------------------------------------

    async def one(self, request: Request, visitor: Visitor) -> Response:
        """GET /jobs/ID."""
        errand = self._errand(request, visitor)
        if not errand.over:  # most are done in a moment: no need to look twice
            await asyncio.to_thread(errand.ended.wait, 0.5)
        kind = _base(errand.kind)
        variant = f"{errand.kind} {errand.fields['what']}" if "what" in errand.fields else errand.kind
        forms = [form for form in await self._forms(kind, errand.tank, {}) if variant in form.kinds]

        def worded(text: str) -> str:
            return in_the_forms_words(text, forms)

        return self._shown.draw(
            "job.html",
            request,
            visitor,
            tank=self._shown.tank(errand.tank, visitor),
            errand=errand,
            title=TITLES[kind][0],
            kind=kind,
            answer=worded(errand.answer),
            fault=worded(errand.fault),
            lines=[(line.startswith("  "), worded(line.strip())) for line in list(errand.lines)],
            points=[(title, word, worded(words)) for title, word, words in list(errand.points)],
            files=[(name, _TITLES.get(name, name)) for name in errand.files() if name != "sheet.html"],
        )

    async def reply(self, request: Request, visitor: Visitor) -> Response:
        """POST /jobs/ID/reply, and /jobs/ID/stop."""
        fields = await fields_of(request)
        require_own(request, fields, visitor)
        errand = self._errand(request, visitor)
        if request.url.path.endswith("/stop"):
            self._errands.stop(errand)
        else:
            self._errands.reply(errand, fields.get("text", "")[:200])
        await asyncio.to_thread(errand.ended.wait, 0.5)
        return RedirectResponse(f"/jobs/{errand.id}", 303)

    def file(self, request: Request, visitor: Visitor) -> Response:
        """GET /jobs/ID/NAME."""
        errand = self._errand(request, visitor)
        name = str(request.path_params["name"])
        if name not in errand.files():
            raise Denied("There is no such file.", 404)
        return _file(name, (errand.folder / name).read_bytes())

    # -- the sheet ----------------------------------------------------------------------------------------

    async def sheet(self, request: Request, visitor: Visitor) -> Response:
        """GET /tank/TANK/sheet, for the sitter too."""
        name = str(request.path_params["tank"])
        tank = self._shown.tank(name, visitor)
        document, _ = await self._sheet(name, visitor, paper=False)
        kept, now = kept_document(self._desk.store(), SHEET, name), self._desk.clock()
        today = datetime.fromtimestamp(now / 1000, ZoneInfo(self._zone(name))).date()
        ours = kept is not None and kept.until >= today
        return self._shown.draw(
            "sheet.html",
            request,
            visitor,
            tank=tank,
            document=document,
            kinds=[(type(block).__name__, block) for block in document.blocks],
            made=day_and_time(kept.made_ms, self._zone(name), now) if kept is not None and ours else "",
        )

    async def sheet_pdf(self, request: Request, visitor: Visitor) -> Response:
        """GET /tank/TANK/sheet.pdf."""
        name = str(request.path_params["tank"])
        self._shown.tank(name, visitor)
        _, pdf = await self._sheet(name, visitor, paper=True)
        if pdf is None:
            raise Denied("There is no PDF: the package fpdf2 is not installed. Print the page.", 404)
        return _file("sheet.pdf", pdf)

    async def _sheet(self, name: str, visitor: Visitor, paper: bool) -> tuple[Document, bytes | None]:
        """The sheet, and as PDF where that is wanted; what was made before, while it is the same one."""
        zone = ZoneInfo(self._zone(name))
        today = datetime.fromtimestamp(self._desk.clock() / 1000, zone).date()
        fields = {"paper": "yes" if paper else "no"}
        if visitor.link is not None:
            days = (datetime.fromtimestamp(ms / 1000, zone).date() for ms in _span(visitor))
            since, until = (f"{day}" for day in days)
            fields |= {"since": since, "until": until, "call": visitor.link.phone}
        kept = kept_document(self._desk.store(), SHEET, name)
        mark = (0 if kept is None else kept.made_ms, today)
        errand = await self._made("sheet", name, fields, mark)
        if errand.paper is None:
            raise Denied(f"The sheet can't be made: {errand.fault}", 503)
        return of_plain(errand.paper), errand.contents.get("sheet.pdf")

    # -- parts ----------------------------------------------------------------------------------------------

    async def _made(self, kind: str, tank: str, fields: Mapping[str, str], mark: object) -> Errand:
        return await asyncio.to_thread(self._errands.made, kind, tank, fields, mark)

    async def _forms(self, kind: str, tank: str, given: Mapping[str, str]) -> tuple[Form, ...]:
        species: list[tuple[str, str]] = []
        if kind == "move":
            own = Path(self._desk.settings.path).parent / "animals.toml"
            mark = own.stat().st_mtime_ns if own.exists() else 0
            species = (await self._made("species", tank, {}, mark)).choices
        return form_of(kind, self._desk.settings, tank, given, species)

    def _keepers_tank(self, request: Request, visitor: Visitor) -> TankFacts:
        if not visitor.may("keep"):
            raise Denied("This is for the keeper. Log in with the password, or set one.")
        name = str(request.path_params["tank"])
        if name not in self._desk.settings.tanks:
            raise Denied("There is no such tank.", 404)
        return self._shown.tank(name, visitor)

    def _errand(self, request: Request, visitor: Visitor) -> Errand:
        if not visitor.may("keep"):
            raise Denied("This is for the keeper.")
        errand = self._errands.of(str(request.path_params["id"]))
        if errand is None or not errand.who:
            raise Denied("It is not kept any more; begin it again.", 404)
        return errand

    def _zone(self, tank: str) -> str:
        settings = self._desk.settings.tanks.get(tank)
        return "UTC" if settings is None else settings.timezone


def _known(request: Request) -> str:
    kind = str(request.path_params["kind"])
    if kind not in TITLES:
        raise Denied("There is no such job.", 404)
    return kind


def _base(kind: str) -> str:
    """Following a move live is of the same form."""
    return "move" if kind == "follow" else kind


def _span(visitor: Visitor) -> tuple[int, int]:
    """When a sitter's link was made, and the last moment of it, ms UTC."""
    assert visitor.link is not None
    return visitor.link.made_ms, visitor.link.until_ms - 1


def _local(now_ms: int, zone: str) -> str:
    return f"{datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone)):%Y-%m-%dT%H:%M}"


def _file(name: str, body: bytes) -> Response:
    suffix = Path(name).suffix
    headers = {"content-disposition": f'{"inline" if suffix != ".zip" else "attachment"}; filename="{name}"'}
    if suffix == ".html":
        headers["content-security-policy"] = _OWN_PAGE
    return Response(body, media_type=_KINDS.get(suffix, "application/octet-stream"), headers=headers)
