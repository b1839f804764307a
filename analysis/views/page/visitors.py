"""Who asks: by a browser's cookie or a program's token; and whether the request is their own."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from urllib.parse import parse_qsl, urlsplit

from starlette.requests import Request
from starlette.responses import Response

from rushlight.analysis.views.access.forwarded import visitor_address
from rushlight.analysis.views.access.records import EVERYBODY, Visitor
from rushlight.analysis.views.page.desk import Denied, Desk

__all__ = [
    "address_of",
    "cookie_name",
    "fields_of",
    "forget_cookie",
    "local_path",
    "require_own",
    "set_cookie",
    "visitor_of",
]

_MOST_FIELDS = 40


def cookie_name(request: Request) -> str:
    """Cookies are for a name, whatever the port: two pages on one machine must not take each other's."""
    server = request.scope.get("server") or ("", 0)
    return f"rushlight-{server[1]}"


def visitor_of(desk: Desk, request: Request) -> Visitor | None:
    """Who asks; None for somebody who is not known, where one has to be."""
    kind, _, secret = request.headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer":
        return desk.keys.by_token(secret.strip())
    cookie = request.cookies.get(cookie_name(request))
    if cookie:
        found = desk.keys.by_session(cookie, desk.clock())
        if found is not None:
            return found
    return None if desk.has_login() else EVERYBODY


def set_cookie(desk: Desk, request: Request, response: Response, secret: str, max_age_s: int) -> None:
    """Let a browser come in. Lax: a link in a notice must lead to the alarm, not to the login."""
    response.set_cookie(
        cookie_name(request),
        secret,
        max_age=max_age_s,
        httponly=True,
        samesite="lax",
        secure=desk.secure,
        path="/",
    )


def forget_cookie(desk: Desk, request: Request, response: Response) -> None:
    """Let it go."""
    response.delete_cookie(cookie_name(request), httponly=True, samesite="lax", secure=desk.secure, path="/")


async def fields_of(request: Request) -> dict[str, str]:
    """The fields of a form.

    Raises
    ------
    Denied
        It is none, or has too many.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Denied("This takes forms only.", 415)
    body = await request.body()
    try:
        pairs = parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="strict")
    except ValueError:
        raise Denied("That form can't be read.", 400) from None
    fields: dict[str, str] = {}
    for name, value in pairs:
        fields[name] = f"{fields[name]},{value}" if name in fields else value
    return fields


def require_own(request: Request, fields: Mapping[str, str], visitor: Visitor | None) -> None:
    """That the page itself has sent this, and no other site in its visitor's name.

    Raises
    ------
    Denied
        It hasn't.
    """
    origin = request.headers.get("origin")
    site = request.headers.get("sec-fetch-site")
    if origin is not None and urlsplit(origin).netloc != request.headers.get("host", ""):
        raise Denied("That came from another site, so it was not done.")
    if site not in (None, "same-origin"):
        raise Denied("That came from another site, so it was not done.")
    if visitor is not None and (
        not visitor.csrf or not secrets.compare_digest(fields.get("csrf", "").encode(), visitor.csrf.encode())
    ):
        raise Denied("This page is too old to be sent; go back, load it again and repeat it.")


def address_of(desk: Desk, request: Request) -> str:
    """Where the request comes from; behind a proxy of the settings, whom that has it from."""
    peer = request.client.host if request.client else ""
    return visitor_address(peer, request.headers.getlist("x-forwarded-for"), desk.proxies)


def local_path(text: str) -> str:
    """A place on this page to go on to; the front where it leads elsewhere."""
    plain = text.startswith("/") and not text.startswith(("//", "/\\"))
    return text if plain and text.isprintable() and len(text) < 500 and "\\" not in text else "/"
