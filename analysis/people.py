"""What people may ask of an alarm: acknowledge, shelve, unshelve; the same for service and command."""

from __future__ import annotations

import re

from analysis.alarm_texts import utc_text
from analysis.alarms import AlarmBook
from analysis.rationale import RATIONALE
from analysis.types import AlarmKey, Event
from collector.errors import AlarmError
from collector.store.base import Request

__all__ = ["carry_out", "parse_span_ms"]

_SPAN = re.compile(r"(?:(\d+)d)?(?:(\d+)h)?(?:(\d+)m(?:in)?)?")


def parse_span_ms(text: str) -> int:
    """ "2h", "90min", "1d12h" into ms; ValueError otherwise."""
    match = _SPAN.fullmatch(text.strip().lower().replace(" ", ""))
    days, hours, minutes = (int(part or 0) for part in match.groups()) if match else (0, 0, 0)
    span = ((days * 24 + hours) * 60 + minutes) * 60_000
    if span <= 0:
        raise ValueError(f"{text!r} is no span of time; write 2h, 90min or 1d12h")
    return span


def carry_out(book: AlarmBook, request: Request, now_ms: int) -> tuple[list[Event], str]:
    """Do to `book` what was asked for; the events of it and the outcome in words.

    Raises
    ------
    AlarmError
        It can't be done; the message says why.
    """
    if request.alarm not in RATIONALE:
        raise AlarmError(f"{request.alarm!r} is no alarm; known are {', '.join(RATIONALE)}")
    key = _key(book, request)
    name = "/".join(part for part in key if part)
    if request.kind == "acknowledge":
        events = book.acknowledge(key, now_ms, request.actor)
        return events, f"{name} acknowledged" if events else f"{name} was acknowledged already"
    if request.kind == "shelve":
        until = now_ms + int(request.arguments["for_ms"])
        return book.shelve(key, until, now_ms, request.actor), f"{name} shelved until {utc_text(until)}"
    if request.kind == "unshelve":
        events = book.unshelve(key, now_ms, request.actor)
        return events, f"{name} unshelved" if events else f"{name} was not shelved"
    raise AlarmError(f"{request.kind!r} can't be done to an alarm")


def _key(book: AlarmBook, request: Request) -> AlarmKey:
    """The alarm that is meant: where no probe is named and only one probe's alarm is there, that one."""
    if not request.quantity:
        there = [key for key in book.records() if key[1] == request.alarm]
        if len(there) == 1:
            return there[0]
        if len(there) > 1 and all(key[2] for key in there):
            probes = ", ".join(key[2] for key in there)
            raise AlarmError(f"{request.tank}/{request.alarm}: is there for {probes}; say which: --quantity")
    return book.tank, request.alarm, request.quantity
