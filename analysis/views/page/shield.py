"""Who may ask the page: this machine and the names of the settings, by reading only."""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rushlight.collector.settings import PageSettings

__all__ = ["Shield", "is_loopback"]

_WRONG_NAME = (
    "This page does not answer to the name it was called by. If the name is yours, add it to the settings:\n"
    '[status_page] hosts = ["NAME"], without http:// and port.\n'
)

_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self' data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Shield:
    """Puts the safety headers on every answer, and answers to no name but those that the page has.

    Without the second, a website could point a name of its own at this machine's address and read the page
    from the browser of whoever visits it (DNS rebinding). Names of the machine itself, the address that the
    page is bound to and the one that it was reached by can't be had that way; others are in the settings.

    Parameters
    ----------
    app : ASGI application
    settings : PageSettings
        Its `host` and `hosts`.
    """

    def __init__(self, app: ASGIApp, settings: PageSettings) -> None:
        self._app = app
        own = ("localhost", "127.0.0.1", "::1", settings.host)
        self._names = {name.lower().rstrip(".") for name in (*own, *settings.hosts)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, as ASGI has it."""
        if scope["type"] != "http":
            return

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message.get("headers", ()),
                    *((name.encode(), value.encode()) for name, value in _HEADERS.items()),
                ]
            await send(message)

        app: ASGIApp = self._app
        name = _name(scope)
        reached = (scope.get("server") or ("",))[0]
        if name is None or (name.rstrip(".") not in self._names and name != reached):
            app = PlainTextResponse(_WRONG_NAME, 421)
        elif _has_body(scope):
            app = PlainTextResponse("this page takes nothing in\n", 413, {"connection": "close"})
        await app(scope, receive, dressed)


def _has_body(scope: Scope) -> bool:
    """Whether the request brings something along: nothing here reads it."""
    headers = Headers(scope=scope)
    return "transfer-encoding" in headers or headers.get("content-length", "0").strip() != "0"


def is_loopback(host: str) -> bool:
    """Whether an address (or "localhost") can be reached from this machine only."""
    try:
        return host == "localhost" or ipaddress.ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return False


def _name(scope: Scope) -> str | None:
    """The host asked for. Not by Starlette's URL: that one is silent about a name that is none."""
    try:
        return urlsplit(f"//{Headers(scope=scope).get('host', '')}").hostname
    except ValueError:
        return None
