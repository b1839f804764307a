"""Who may see what: people are led to the login, programs told to show a token; and what fails is said."""

from __future__ import annotations

import functools
import logging
from collections.abc import Awaitable, Callable
from urllib.parse import quote

import msgspec
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from rushlight.analysis.views.access.records import Visitor
from rushlight.analysis.views.page.desk import Denied, Desk
from rushlight.analysis.views.page.pages import Shown
from rushlight.analysis.views.page.visitors import visitor_of
from rushlight.collector.errors import StoreError
from rushlight.collector.log import ClearLog

__all__ = ["Guards", "Make"]

_log = logging.getLogger("rushlight.page")

Make = Callable[[Request, Visitor], Response | Awaitable[Response]]
"""What answers a request of a visitor who is known."""


class Guards:
    """Wraps what answers.

    Parameters
    ----------
    desk : Desk
    shown : Shown
        Draws what is said to people.
    say : ClearLog
        One line a cause.
    """

    def __init__(self, desk: Desk, shown: Shown, say: ClearLog) -> None:
        self._desk = desk
        self._shown = shown
        self._say = say

    def people(self, make: Make) -> Callable[[Request], Awaitable[Response]]:
        """Whoever is not known is led to the login, and from there back."""

        async def answer(request: Request) -> Response:
            visitor = visitor_of(self._desk, request)
            if visitor is None:
                if request.method != "GET":
                    raise Denied("You are not logged in any more; log in and repeat it.", 401)
                onward = request.url.path
                return RedirectResponse(f"/login?next={quote(onward)}", 303)
            if not visitor.may("read"):
                raise Denied("Your token is not for reading.")
            return await _made(make(request, visitor))

        return self._guarded(answer)

    def programs(self, make: Make) -> Callable[[Request], Awaitable[Response]]:
        """Whoever is not known gets status 401."""

        async def answer(request: Request) -> Response:
            visitor = visitor_of(self._desk, request)
            if visitor is None:
                return Response(
                    msgspec.json.encode({"error": "Show a token: Authorization: Bearer …"}),
                    401,
                    {"www-authenticate": "Bearer"},
                    "application/json",
                )
            return await _made(make(request, visitor))

        return self._guarded(answer, plain=True)

    def anybody(
        self, make: Callable[[Request], Response | Awaitable[Response]]
    ) -> Callable[[Request], Awaitable[Response]]:
        """Whoever asks."""

        async def answer(request: Request) -> Response:
            return await _made(make(request))

        return self._guarded(answer)

    # blocking on purpose where it only reads: one request after the other on one thread keeps memory and the
    # collector's share of the processor where they are
    def _guarded(
        self, make: Callable[[Request], Awaitable[Response]], plain: bool = False
    ) -> Callable[[Request], Awaitable[Response]]:
        @functools.wraps(make)
        async def answer(request: Request) -> Response:
            try:
                response = await make(request)
            except Denied as denied:
                return self._denied(request, denied, plain)
            except StoreError as error:
                self._desk.close()
                self._say.say("store", f"the page can't be shown: {error}")
                return PlainTextResponse(f"The store can't be read: {error}\n", 503)
            except Exception as error:
                self._desk.close()
                if self._say.say("fault", f"the page failed: {error!r}"):
                    _log.exception("where it failed")
                return PlainTextResponse("The page failed; the service's log says where.\n", 500)
            self._say.over("store", "the page can be shown again")
            self._say.over("fault", "the page can be shown again")
            return response

        return answer

    def _denied(self, request: Request, denied: Denied, plain: bool) -> Response:
        headers = {"retry-after": "900"} if denied.status == 429 else None
        if plain:
            body = msgspec.json.encode({"error": str(denied)})
            return Response(body, denied.status, headers, "application/json")
        try:
            visitor = visitor_of(self._desk, request)
            response = self._shown.draw("denied.html", request, visitor, denied.status, why=str(denied))
        except StoreError:
            response = PlainTextResponse(f"{denied}\n", denied.status)
        response.headers.update(headers or {})
        return response


async def _made(response: Response | Awaitable[Response]) -> Response:
    return response if isinstance(response, Response) else await response
