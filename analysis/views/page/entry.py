"""Coming in and going out: the first password, the login, a sitter's link."""

from __future__ import annotations

import asyncio
import secrets

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from rushlight.analysis.views.access.attempts import Attempts
from rushlight.analysis.views.access.keys import LEAST_PASSWORD, SESSION_MS, Keys
from rushlight.analysis.views.access.records import Link, Visitor
from rushlight.analysis.views.page.desk import Denied, Desk
from rushlight.analysis.views.page.pages import Shown
from rushlight.analysis.views.page.visitors import (
    address_of,
    cookie_name,
    fields_of,
    forget_cookie,
    local_path,
    require_own,
    set_cookie,
)
from rushlight.collector.errors import SettingsError
from rushlight.collector.safe_text import has_control
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Entry"]

_LONGEST_NAME = 60


class Entry:
    """The door for people."""

    def __init__(self, desk: Desk, shown: Shown) -> None:
        self._desk = desk
        self._shown = shown

    def login_form(self, request: Request) -> Response:
        """GET /login."""
        if not self._desk.has_login():
            return RedirectResponse("/setup", 303)
        return self._form("login.html", request, next=local_path(request.query_params.get("next", "/")))

    async def login(self, request: Request) -> Response:
        """POST /login."""
        fields = await fields_of(request)
        require_own(request, fields, None)
        onward = local_path(fields.get("next", "/"))
        name = _name(fields)
        self._patience(request, self._desk.attempts)
        # the failure is counted before the slow look: many at once must not all pass
        self._desk.attempts.failed(address_of(self._desk, request), self._desk.clock())
        keys = self._desk.keys
        if not await asyncio.to_thread(keys.right, fields.get("password", "")):
            return self._form(
                "login.html", request, "That is not the password.", status=403, next=onward, name=name
            )
        self._desk.attempts.succeeded(address_of(self._desk, request))
        return await self._let_in(request, name, onward)

    def setup_form(self, request: Request) -> Response:
        """GET /setup."""
        if self._desk.has_login():
            return RedirectResponse("/login", 303)
        return self._form("setup.html", request)

    async def setup(self, request: Request) -> Response:
        """POST /setup: the first password, by the code that `run` has printed."""
        fields = await fields_of(request)
        require_own(request, fields, None)
        if self._desk.has_login():
            raise Denied("A password has been set already; log in with it.", 409)
        self._patience(request, self._desk.attempts)
        self._desk.attempts.failed(address_of(self._desk, request), self._desk.clock())
        given = fields.get("code", "").strip().upper().replace(" ", "").replace("-", "")
        wanted = self._desk.code.replace("-", "")
        name = _name(fields)
        if not wanted or not secrets.compare_digest(given.encode(), wanted.encode()):
            why = "That is not the code. It is in the log of `rushlight run`, new at each start."
            return self._form("setup.html", request, why, status=403, name=name)
        password, now = fields.get("password", ""), self._desk.clock()
        try:
            await self._desk.write(lambda store: Keys(store).set_password(password, now))
        except SettingsError as error:
            self._desk.attempts.succeeded(address_of(self._desk, request))
            return self._form("setup.html", request, f"{error}", status=422, name=name)
        self._desk.code = ""
        self._desk.attempts.succeeded(address_of(self._desk, request))
        return await self._let_in(request, name, "/")

    async def visit(self, request: Request) -> Response:
        """GET /visit/SECRET: a sitter comes in by their link."""
        self._patience(request, self._desk.visits)
        now = self._desk.clock()
        link = self._desk.keys.by_link(str(request.path_params["secret"]), now)
        if link is None:
            self._desk.visits.failed(address_of(self._desk, request), now)
            raise Denied("This link is not valid, or no longer. Ask the keeper for a new one.", 404)
        return await self._let_in(request, link.name, "/", link)

    async def logout(self, request: Request, visitor: Visitor) -> Response:
        """POST /logout."""
        require_own(request, await fields_of(request), visitor)
        secret = request.cookies.get(cookie_name(request), "")
        await self._desk.write(lambda store: Keys(store).end(secret))
        response = RedirectResponse("/login", 303)
        forget_cookie(self._desk, request, response)
        return response

    async def _let_in(self, request: Request, name: str, onward: str, link: Link | None = None) -> Response:
        now = self._desk.clock()
        until = now + SESSION_MS if link is None else link.until_ms

        def begin(store: EmbeddedStore) -> str:
            return Keys(store).begin(name, now, link)

        response = RedirectResponse(onward, 303)
        set_cookie(self._desk, request, response, await self._desk.write(begin), (until - now) // 1000)
        return response

    def _patience(self, request: Request, attempts: Attempts) -> None:
        wait_ms = attempts.wait_ms(address_of(self._desk, request), self._desk.clock())
        if wait_ms:
            raise Denied(f"Too many wrong tries from here. Try again in {wait_ms // 60_000 + 1} min.", 429)

    def _form(
        self, template: str, request: Request, why: str = "", status: int = 200, **what: str
    ) -> Response:
        given = {"name": "", "next": "/", **what}
        return self._shown.draw(template, request, None, status, why=why, least=LEAST_PASSWORD, **given)


def _name(fields: dict[str, str]) -> str:
    name = fields.get("name", "").strip()[:_LONGEST_NAME]
    return "the keeper" if not name or has_control(name) else name
