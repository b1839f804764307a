"""The keeper's login, sessions, links and tokens in the store, and who shows one of them."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from typing import Any, TypeVar

import msgspec

from rushlight.analysis.views.access.records import (
    SCOPES,
    Link,
    Login,
    Scope,
    Session,
    Token,
    Visitor,
    digest,
    fresh_secret,
)
from rushlight.collector.errors import SettingsError
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["LEAST_PASSWORD", "LONGEST_LINK_MS", "SESSION_MS", "Keys", "has_login"]

SESSION_MS = 60 * 86_400_000
"""A browser stays in for so long. Common practice, no source."""
LONGEST_LINK_MS = 366 * 86_400_000
LEAST_PASSWORD = 10
"""Characters. NIST SP 800-63B (section 5.1.1.2) wants 8 at least, and no rules on which."""
_MOST_SESSIONS = 100
_MOST_OF_LINK = 10  # whoever opens a link again and again must not crowd the keeper out
_LONGEST = 200
_LOGIN, _SESSION, _LINK, _TOKEN = "page-login", "page-session", "page-link", "page-token"
_KEEPER = "keeper"

_Kind = TypeVar("_Kind")


def has_login(store: EmbeddedStore) -> bool:
    """Whether the page of this store has a password."""
    return store.load_state(_LOGIN, _KEEPER) is not None


class Keys:
    """Reads and writes who may come in.

    Parameters
    ----------
    store : EmbeddedStore
        For asking alone it may be open for reading only.
    """

    def __init__(self, store: EmbeddedStore) -> None:
        self._store = store

    # -- the keeper -----------------------------------------------------------------------------------

    def set_password(self, password: str, now_ms: int) -> None:
        """A new password; every session ends.

        Raises
        ------
        SettingsError
            It is too short, or longer than any password.
        """
        from rushlight.analysis.views.access.passwords import hashed

        if not LEAST_PASSWORD <= len(password) <= _LONGEST:
            raise SettingsError(
                f"a password has from {LEAST_PASSWORD} to {_LONGEST} characters; several words are easiest"
            )
        login = Login(hash=hashed(password), since_ms=now_ms)
        with self._store.transaction():
            self._keep(_LOGIN, _KEEPER, login)
            for key in self._store.states(_SESSION):
                self._store.delete_state(_SESSION, key)

    def right(self, password: str) -> bool:
        """Whether that is the password; takes as long where there is none."""
        from rushlight.analysis.views.access.passwords import matches

        login = self._load(_LOGIN, _KEEPER, Login)
        return matches(None if login is None else login.hash, password[:_LONGEST])

    # -- sessions -------------------------------------------------------------------------------------

    def begin(self, name: str, now_ms: int, link: Link | None = None) -> str:
        """A new session; its secret, for the browser's cookie."""
        secret = fresh_secret()
        until_ms = now_ms + SESSION_MS if link is None else link.until_ms
        session = Session(
            name=name, until_ms=until_ms, csrf=fresh_secret(), link="" if link is None else link.id
        )
        with self._store.transaction():
            sessions = self._all(_SESSION, Session)
            old = [(found.until_ms, key) for key, found in sessions]
            over = [key for until, key in old if until <= now_ms]
            same = [key for key, found in sessions if link is not None and found.link == link.id]
            over += same[: max(0, len(same) - _MOST_OF_LINK + 1)]
            over += [key for _, key in sorted(old)[: max(0, len(old) - _MOST_SESSIONS + 1)]]
            for key in over:
                self._store.delete_state(_SESSION, key)
            self._keep(_SESSION, digest(secret), session)
        return secret

    def end(self, secret: str) -> None:
        """Log out."""
        self._store.delete_state(_SESSION, digest(secret))

    def by_session(self, secret: str, now_ms: int) -> Visitor | None:
        """Who has that cookie; None for nobody, or where the session or its link is over."""
        session = self._load(_SESSION, digest(secret), Session)
        if session is None or session.until_ms <= now_ms:
            return None
        if not session.link:
            return Visitor(session.name, frozenset(SCOPES), None, session.csrf)
        link = self._load(_LINK, session.link, Link)
        if link is None or link.until_ms <= now_ms:
            return None
        scopes = {"read", "acknowledge"} if link.answers else {"read"}
        return Visitor(link.name, frozenset(scopes), frozenset(link.tanks), session.csrf, link)

    # -- sitters --------------------------------------------------------------------------------------

    def invite(
        self,
        name: str,
        tanks: Iterable[str],
        answers: bool,
        until_ms: int,
        now_ms: int,
        phone: str = "",
        words: str = "",
    ) -> tuple[Link, str]:
        """A new link and its secret, which is shown this once.

        Raises
        ------
        SettingsError
            It would end in the past or too late, or says nothing.
        """
        if not name.strip():
            raise SettingsError("an invitation needs the name of who it is for")
        if not now_ms < until_ms <= now_ms + LONGEST_LINK_MS:
            raise SettingsError("an invitation ends at a time to come, within a year; give another end")
        chosen = tuple(tanks)
        if not chosen:
            raise SettingsError("an invitation is for one tank at least; name it")
        secret = fresh_secret()
        link = Link(
            id=secrets.token_hex(4),
            secret=digest(secret),
            name=name.strip()[:_LONGEST],
            tanks=chosen,
            answers=answers,
            made_ms=now_ms,
            until_ms=until_ms,
            phone=phone.strip()[:_LONGEST],
            words=words.strip()[:4000],
        )
        with self._store.transaction():
            self._keep(_LINK, link.id, link)
        return link, secret

    def links(self) -> list[Link]:
        """All that are kept, the newest first."""
        return sorted((link for _, link in self._all(_LINK, Link)), key=lambda link: -link.made_ms)

    def by_link(self, secret: str, now_ms: int) -> Link | None:
        """The link with that secret; None where there is none, or it is over."""
        wanted = digest(secret)
        for link in self.links():
            if secrets.compare_digest(link.secret, wanted) and link.until_ms > now_ms:
                return link
        return None

    # -- programs -------------------------------------------------------------------------------------

    def make_token(self, name: str, scopes: Iterable[Scope], now_ms: int) -> tuple[Token, str]:
        """A new token and its secret, which is shown this once.

        Raises
        ------
        SettingsError
            No name, or a scope that no token can have.
        """
        chosen = tuple(scope for scope in SCOPES if scope in set(scopes) and scope != "keep")
        if not name.strip() or not chosen:
            raise SettingsError("a token needs a name and one of read, acknowledge, note")
        secret = fresh_secret()
        token = Token(
            id=secrets.token_hex(4),
            secret=digest(secret),
            name=name.strip()[:_LONGEST],
            scopes=chosen,
            made_ms=now_ms,
        )
        with self._store.transaction():
            self._keep(_TOKEN, token.id, token)
        return token, secret

    def tokens(self) -> list[Token]:
        """All that are kept, the newest first."""
        return sorted((token for _, token in self._all(_TOKEN, Token)), key=lambda token: -token.made_ms)

    def by_token(self, secret: str) -> Visitor | None:
        """Who shows that token; None for nobody."""
        wanted = digest(secret)
        for token in self.tokens():
            if secrets.compare_digest(token.secret, wanted):
                return Visitor(token.name, frozenset(token.scopes))
        return None

    def revoke(self, number: str) -> bool:
        """End a link or token by its id; False where there is none."""
        with self._store.transaction():
            for kind in (_LINK, _TOKEN):
                if self._store.load_state(kind, number) is not None:
                    self._store.delete_state(kind, number)
                    return True
        return False

    # -- in the store ---------------------------------------------------------------------------------

    def _keep(self, kind: str, key: str, what: msgspec.Struct) -> None:
        self._store.save_state(kind, key, msgspec.json.encode(what), None)

    def _load(self, kind: str, key: str, type_: type[_Kind]) -> _Kind | None:
        saved = self._store.load_state(kind, key)
        return None if saved is None else _read(saved[0], type_)

    def _all(self, kind: str, type_: type[_Kind]) -> list[tuple[str, _Kind]]:
        found: list[tuple[str, Any]] = [
            (key, self._load(kind, key, type_)) for key in self._store.states(kind)
        ]
        return [(key, what) for key, what in found if what is not None]


def _read(blob: bytes, type_: type[_Kind]) -> _Kind | None:
    try:
        return msgspec.json.decode(blob, type=type_)
    except msgspec.MsgspecError:
        return None  # of another version: whoever had it comes in anew
