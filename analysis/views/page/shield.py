"""Which requests come in at all: by the page's own names, and short."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rushlight.collector.settings import PageSettings

__all__ = ["LONGEST_FORM", "Shield"]

_WRONG_NAME = (
    "This page does not answer to the name it was called by. If the name is yours, add it to the settings:\n"
    '[status_page] hosts = ["NAME"], without http:// and port.\n'
)

LONGEST_FORM = 16_384
"""Bytes. Common practice, no source."""

_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self' data:; "
        "manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
_RAW = [(name.encode(), value.encode()) for name, value in _HEADERS.items()]


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
        named = urlsplit(settings.url or "").hostname or ""
        self._names = {name.lower().rstrip(".") for name in (*own, *settings.hosts, named) if name}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, as ASGI has it."""
        if scope["type"] != "http":
            return

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = list(message.get("headers", ()))
                there = {name.lower() for name, _ in given}
                message["headers"] = given + [pair for pair in _RAW if pair[0] not in there]
            await send(message)

        app: ASGIApp = self._app
        name = _name(scope)
        reached = (scope.get("server") or ("",))[0]
        if name is None or (name.rstrip(".") not in self._names and name != reached):
            app = PlainTextResponse(_WRONG_NAME, 421)
        elif not _fitting(scope):
            app = PlainTextResponse("this page takes short forms only\n", 413, {"connection": "close"})
        await app(scope, receive, dressed)


def _fitting(scope: Scope) -> bool:
    """Whether what the request brings along is short, says how long it is, and is asked for at all."""
    headers = Headers(scope=scope)
    length = headers.get("content-length", "0").strip()
    if "transfer-encoding" in headers or not length.isascii() or not length.isdigit():
        return False
    return int(length) <= (LONGEST_FORM if scope["method"] in ("POST", "DELETE") else 0)


def _name(scope: Scope) -> str | None:
    """The host asked for. Not by Starlette's URL: that one is silent about a name that is none."""
    try:
        return urlsplit(f"//{Headers(scope=scope).get('host', '')}").hostname
    except ValueError:
        return None
