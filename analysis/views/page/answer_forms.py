"""What people do from the page: each a form that is sent, done by the service, and said in words."""

from __future__ import annotations

import math
import re
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.states import MAX_SHELF_MS
from rushlight.analysis.views.access.keys import Keys
from rushlight.analysis.views.access.records import Scope, Visitor
from rushlight.analysis.views.page.desk import Denied, Desk, Unanswered
from rushlight.analysis.views.page.pages import Shown
from rushlight.analysis.views.page.visitors import fields_of, local_path, require_own
from rushlight.collector.errors import AlarmError, LogError, RushlightError, SettingsError
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.log_entry import LogEntry
from rushlight.collector.store.log_words import DONE, TESTS

__all__ = ["Answering", "alarm_parts", "entry_of"]

_Fields = dict[str, str]


class Answering:
    """The forms."""

    def __init__(self, desk: Desk, shown: Shown) -> None:
        self._desk = desk
        self._shown = shown
        self._ways: dict[str, tuple[Scope, Callable[[_Fields, Visitor], Awaitable[str]]]] = {
            "acknowledge": ("acknowledge", partial(self._alarm, "acknowledge")),
            "shelve": ("keep", partial(self._alarm, "shelve")),
            "unshelve": ("keep", partial(self._alarm, "unshelve")),
            "out-of-service": ("keep", partial(self._alarm, "out-of-service")),
            "return-to-service": ("keep", partial(self._alarm, "return-to-service")),
            "verdict": ("acknowledge", partial(self._alarm, "verdict")),
            "hands": ("note", partial(self._hands, "hands")),
            "hands-over": ("note", partial(self._hands, "hands-over")),
            "note": ("note", self._note),
            "undo": ("note", self._undo),
            "revoke": ("keep", self._revoke),
        }

    async def do(self, request: Request, visitor: Visitor) -> Response:
        """POST /do/WHAT; goes back to where the form was."""
        fields = await fields_of(request)
        require_own(request, fields, visitor)
        scope, way = self._ways.get(str(request.path_params["what"]), (None, None))
        if scope is None or way is None:
            raise Denied("There is no such thing to do.", 404)
        if not visitor.may(scope):
            raise Denied("Your link is for looking; ask the keeper for one that can answer.")
        try:
            good, said = True, await way(fields, visitor)
        except (AlarmError, LogError, SettingsError, Unanswered) as error:
            good, said = False, str(error)
        self._desk.flash(visitor, good, said)
        return RedirectResponse(local_path(fields.get("back", "/")), 303)

    # -- alarms ---------------------------------------------------------------------------------------

    async def _alarm(self, kind: str, fields: _Fields, visitor: Visitor) -> str:
        occurrence = fields.get("alarm", "")
        tank, alarm, quantity, named = alarm_parts(occurrence)
        if not visitor.may("read", tank) or tank not in self._desk.settings.tanks:
            raise Denied("There is no such tank.", 404)
        arguments: dict[str, Any] = {}
        if kind in ("acknowledge", "verdict") and named:
            arguments["occurrence"] = occurrence
        if kind == "shelve":
            arguments["for_ms"] = _span_ms(fields.get("hours", ""))
        if kind == "verdict":
            arguments |= {"verdict": fields.get("verdict", ""), "was": fields.get("was", "")}
            if not self._desk.store().events(occurrence=occurrence):
                raise Denied("There is no such alarm.", 404)
        return await self._desk.ask(kind, tank, alarm, quantity, arguments, visitor)

    async def _hands(self, kind: str, fields: _Fields, visitor: Visitor) -> str:
        tank = self._tank(fields, visitor)
        return await self._desk.ask(kind, tank, "", "", {}, visitor)

    # -- the keeper's log -----------------------------------------------------------------------------

    async def _note(self, fields: _Fields, visitor: Visitor) -> str:
        name = self._tank(fields, visitor)
        now = self._desk.clock()
        entry = entry_of(name, self._desk.settings.tanks[name], fields, now)
        kept = await self._desk.write(lambda store: store.add_log(entry, visitor.name, now))
        return f"Noted: {kept.words()}. It can be undone below."

    async def _undo(self, fields: _Fields, visitor: Visitor) -> str:
        tank = self._tank(fields, visitor)
        number = fields.get("entry", "")
        if not number.isascii() or not number.isdigit() or len(number) > 12:
            raise LogError("there is no such entry")
        now = self._desk.clock()
        entry = await self._desk.write(lambda store: store.undo_log(tank, int(number), now))
        return f"Undone: {entry.words()}."

    # -- who may come in --------------------------------------------------------------------------------

    def people(self, request: Request, visitor: Visitor, **shown: str) -> Response:
        """GET /people: invitations and tokens."""
        if not visitor.may("keep"):
            raise Denied("This is for the keeper.")
        now, zone = self._desk.clock(), self._zone()
        links = [link for link in self._desk.keys.links() if link.until_ms > now]
        said: dict[str, Any] = {"made": "", "why": "", "what": "", **shown}
        return self._shown.draw(
            "people.html",
            request,
            visitor,
            links=[(link, _day(link.until_ms - 1, zone)) for link in links],
            tokens=[(token, _day(token.made_ms, zone)) for token in self._desk.keys.tokens()],
            tanks={name: tank.title or name for name, tank in self._desk.settings.tanks.items()},
            url=self._desk.settings.status_page.url or "",
            ends=f"{datetime.fromtimestamp(now / 1000, self._zone()) + timedelta(days=14):%Y-%m-%d}",
            **said,
        )

    async def invite(self, request: Request, visitor: Visitor) -> Response:
        """POST /people/invite; its link is shown this once."""
        fields = await self._keepers_form(request, visitor)
        now = self._desk.clock()
        tanks = [name for name in self._desk.settings.tanks if fields.get(f"tank-{name}")]
        try:
            ends = datetime.fromisoformat(fields.get("until", ""))
            until = ends.replace(tzinfo=ends.tzinfo or self._zone()) + timedelta(days=1)
            until_ms = round(until.timestamp() * 1000)
            link, secret = await self._desk.write(
                lambda store: Keys(store).invite(
                    fields.get("name", ""),
                    tanks,
                    bool(fields.get("answers")),
                    until_ms,
                    now,
                    fields.get("phone", ""),
                    fields.get("words", ""),
                )
            )
        except (ValueError, OverflowError):
            return self.people(request, visitor, why="Give the last day as a date.")
        except RushlightError as error:
            return self.people(request, visitor, why=f"{error}")
        base = (self._desk.settings.status_page.url or "").rstrip("/") or str(request.base_url).rstrip("/")
        return self.people(request, visitor, made=f"{base}/visit/{secret}", what=f"The link for {link.name}")

    async def token(self, request: Request, visitor: Visitor) -> Response:
        """POST /people/token; it is shown this once."""
        fields = await self._keepers_form(request, visitor)
        now = self._desk.clock()
        scopes: list[Scope] = [scope for scope in _TOKEN_SCOPES if fields.get(scope)]
        try:
            token, secret = await self._desk.write(
                lambda store: Keys(store).make_token(fields.get("name", ""), scopes, now)
            )
        except RushlightError as error:
            return self.people(request, visitor, why=f"{error}")
        return self.people(request, visitor, made=secret, what=f"The token for {token.name}")

    async def _revoke(self, fields: _Fields, visitor: Visitor) -> str:
        number = fields.get("id", "")
        if not await self._desk.write(lambda store: Keys(store).revoke(number)):
            raise SettingsError("it was revoked before")
        return "Revoked: it lets nobody in any more."

    async def _keepers_form(self, request: Request, visitor: Visitor) -> _Fields:
        fields = await fields_of(request)
        require_own(request, fields, visitor)
        if not visitor.may("keep"):
            raise Denied("This is for the keeper.")
        return fields

    def _tank(self, fields: _Fields, visitor: Visitor) -> str:
        name = fields.get("tank", "")
        if name not in self._desk.settings.tanks or not visitor.may("read", name):
            raise Denied("There is no such tank.", 404)
        return name

    def _zone(self) -> ZoneInfo:
        return ZoneInfo(next((tank.timezone for tank in self._desk.settings.tanks.values()), "UTC"))


_TOKEN_SCOPES: tuple[Scope, ...] = ("read", "acknowledge", "note")


def alarm_parts(occurrence: str) -> tuple[str, str, str, bool]:
    """Tank, alarm, quantity of an ALARM-ID, and whether it names one raising.

    Raises
    ------
    Denied
        It is none.
    """
    parts = occurrence.split("/")
    if len(parts) < 2 or parts[1] not in RATIONALE:
        raise Denied("There is no such alarm.", 404)
    quantity = parts[2] if len(parts) > 2 and re.fullmatch(r"[a-z_]+", parts[2]) else ""
    return parts[0], parts[1], quantity, len(parts) > (3 if quantity else 2)


def entry_of(name: str, tank: TankSettings, fields: _Fields, now_ms: int) -> LogEntry:
    """An entry of the keeper's log out of a form.

    Raises
    ------
    LogError
        A figure or time that is none. `EmbeddedStore.add_log` looks at the rest.
    """
    tests = {test: _number(fields[test], TESTS[test].title) for test in TESTS if fields.get(test, "").strip()}
    share: float | None = None
    if fields.get("changed", "").strip():
        share = _number(fields["changed"], "water changed")
        share = share / tank.volume_litres if fields.get("changed_unit") == "L" else share / 100
    time_ms = now_ms
    if fields.get("at", "").strip():
        try:
            moment = datetime.fromisoformat(fields["at"].strip())
            time_ms = round(
                moment.replace(tzinfo=moment.tzinfo or ZoneInfo(tank.timezone)).timestamp() * 1000
            )
        except (ValueError, OverflowError):
            raise LogError("that is no date and time") from None
        if now_ms < time_ms < now_ms + 60_000:
            time_ms = now_ms  # a form knows no seconds
    done = tuple(word for word in DONE if fields.get(word))
    return LogEntry(
        tank=name,
        time_ms=time_ms,
        tests=tests,
        changed_share=share,
        done=done,
        text=" ".join(fields.get("text", "").split()),
    )


def _number(text: str, what: str) -> float:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise LogError(f"{what}: {text.strip()[:40]!r} is no number")
    return value


def _span_ms(text: str) -> int:
    try:
        hours = float(text)
    except ValueError:
        hours = math.nan
    if not 0 < hours * 3_600_000 <= MAX_SHELF_MS:
        raise AlarmError("say for how long: a shelf lasts 7 days at most")
    return round(hours * 3_600_000)


def _day(time_ms: int, zone: ZoneInfo) -> str:
    moment = datetime.fromtimestamp(time_ms / 1000, zone)
    return f"{moment.day} {moment:%B %Y}"
