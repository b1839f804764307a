"""What is kept of whoever may come in. Secrets are kept as hashes only."""

from __future__ import annotations

import hashlib
import secrets
from typing import Final, Literal, NamedTuple

import msgspec

__all__ = [
    "EVERYBODY",
    "SCOPES",
    "Link",
    "Login",
    "Scope",
    "Session",
    "Token",
    "Visitor",
    "digest",
    "fresh_secret",
]

Scope = Literal["read", "acknowledge", "note", "keep"]
SCOPES: Final[dict[Scope, str]] = {
    "read": "see the tanks",
    "acknowledge": "answer alarms",
    "note": "write into the keeper's log",
    "keep": "shelve alarms, invite sitters and make tokens",
}
"""What somebody may do, in words. `keep` is for the keeper alone: no link and no token has it."""


class Login(msgspec.Struct, frozen=True, kw_only=True):
    """The keeper's password as Argon2 keeps it (RFC 9106), and since when (ms UTC)."""

    hash: str
    since_ms: int


class Session(msgspec.Struct, frozen=True, kw_only=True):
    """A browser that has come in; `link` is the sitter's link by which it came, "" for the keeper."""

    name: str
    until_ms: int
    csrf: str
    link: str = ""


class Link(msgspec.Struct, frozen=True, kw_only=True):
    """A sitter's invitation; ends at `until_ms` (ms UTC) whatever happens.

    `words`: what the keeper wants the sitter to know, a line each; `phone`: whom to call.
    """

    id: str
    secret: str
    name: str
    tanks: tuple[str, ...]
    answers: bool
    made_ms: int
    until_ms: int
    phone: str = ""
    words: str = ""


class Token(msgspec.Struct, frozen=True, kw_only=True):
    """What a program shows in place of a password."""

    id: str
    secret: str
    name: str
    scopes: tuple[Scope, ...]
    made_ms: int


class Visitor(NamedTuple):
    """Who asks, and what they may; `tanks` None: all. `csrf` "": comes without a browser's cookie."""

    name: str
    scopes: frozenset[str]
    tanks: frozenset[str] | None = None
    csrf: str = ""
    link: Link | None = None

    def may(self, scope: Scope, tank: str | None = None) -> bool:
        """Whether they may do that, to that tank."""
        return scope in self.scopes and (tank is None or self.tanks is None or tank in self.tanks)


EVERYBODY = Visitor("someone", frozenset({"read"}))
"""Whoever reaches the page while no login has been set: by default somebody at this machine."""


def fresh_secret() -> str:
    """A new secret of 256 bits."""
    return secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """What is kept of a secret of 256 bits: no guessing leads back, so it needs no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()
