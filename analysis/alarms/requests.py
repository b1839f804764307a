"""What people may ask of an alarm: acknowledge it, shelve it, take it out of service, and end those.

The same for the service and the commands.
"""

from __future__ import annotations

from collections.abc import Collection

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.states import SILENCED_STATES, AlarmRecord, AlarmState
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import AlarmKey, Event
from rushlight.collector.readings import LIGHT, PH, QUANTITIES, TEMPERATURE
from rushlight.collector.store.records import Request

__all__ = ["carry_out", "quantities_of", "wrong_quantity"]

_BY_QUANTITY: dict[str, tuple[str, ...]] = {
    "probe-fault": tuple(QUANTITIES),
    "setting-doubtful": (TEMPERATURE, PH, LIGHT),
}


def quantities_of(alarm: str) -> tuple[str, ...]:
    """What an alarm may be about where it names one quantity; empty for an alarm of the whole tank."""
    return _BY_QUANTITY.get(alarm, ())


def wrong_quantity(alarm: str, quantity: str) -> str:
    """Why an alarm can't be about this quantity, in words; "" where it can."""
    known = quantities_of(alarm)
    if not quantity or quantity in known:
        return ""
    if known:
        return f"there is no {alarm} about {quantity!r}; it may be about {', '.join(known)}"
    return f"{alarm} is about the whole tank and no single probe; leave the quantity {quantity!r} out"


def carry_out(
    book: AlarmBook,
    request: Request,
    now_ms: int,
    probes: Collection[str] = (),
    unseen: Collection[str] = (),
) -> tuple[list[Event], str]:
    """Do to `book` what was asked for; the events of it and the outcome in words.

    A request that names no quantity means every one: of `probes`, those that have ever reported (all that
    there can be where none has), and of what is in the book. `unseen` are occurrences that nobody can have
    heard of when it was asked for: they are acknowledged by their ALARM-ID only.

    Raises
    ------
    AlarmError
        Nothing could be done; the message says why.
    """
    if request.alarm not in RATIONALE:
        raise AlarmError(f"{request.alarm!r} is no alarm; known are {', '.join(RATIONALE)}")
    wrong = wrong_quantity(request.alarm, request.quantity)
    if wrong:
        raise AlarmError(wrong)
    if request.kind == "acknowledge":
        return _acknowledge(book, request, now_ms, unseen)
    if request.kind == "shelve":
        return _shelve(book, request, now_ms, probes)
    if request.kind == "unshelve":
        return _unshelve(book, request, now_ms)
    if request.kind == "out-of-service":
        return _remove(book, request, now_ms, probes)
    if request.kind == "return-to-service":
        return _return(book, request, now_ms)
    raise AlarmError(f"{request.kind!r} can't be done to an alarm")


def _acknowledge(
    book: AlarmBook, request: Request, now_ms: int, unseen: Collection[str]
) -> tuple[list[Event], str]:
    there = _there(book, request)
    wanted = str(request.arguments.get("occurrence", ""))
    if wanted:
        others = [record.occurrence for record in there.values() if record.open]
        there = {key: record for key, record in there.items() if record.occurrence == wanted}
        if not there:
            since = f"; raised now is {', '.join(others)}" if others else ""
            raise AlarmError(
                f"{wanted}: is over or was never raised, so there is nothing to acknowledge{since}"
            )
    if not there:
        raise AlarmError(
            f"{_asked(request)}: is not raised, so there is nothing to acknowledge{_raised(book)}"
        )
    events: list[Event] = []
    words: list[str] = []
    done = False
    for key, record in sorted(there.items()):
        if record.state in SILENCED_STATES:
            words.append(f"{_name(key)} is {_silence(book, record)}, so there is nothing to acknowledge")
            continue
        if record.occurrence in unseen and not wanted:
            words.append(f"{_name(key)} was raised only after that was asked for: look at it and ask again")
            continue
        found = book.acknowledge(key, now_ms, request.actor)
        events += found
        done = True
        words.append(f"{_name(key)} acknowledged" if found else f"{_name(key)} was acknowledged already")
    if not done:
        raise AlarmError("; ".join(words))
    return events, "; ".join(words)


def _shelve(
    book: AlarmBook, request: Request, now_ms: int, probes: Collection[str]
) -> tuple[list[Event], str]:
    # a service that hung or was down must not begin a person's two hours when it is back
    until = min(request.created_ms, now_ms) + int(request.arguments["for_ms"])
    if until <= now_ms:
        raise AlarmError(
            f"{_asked(request)}: the shelf was over by {book.clock.moment_text(until)}, before the service "
            "could do it, so nothing is shelved; ask again if it is still wanted"
        )
    records = book.records()
    events: list[Event] = []
    done: list[AlarmKey] = []
    words: list[str] = []
    for key in _wanted(book, request, probes):
        record = records.get(key)
        if record is not None and record.state is AlarmState.OUT_OF_SERVICE:
            words.append(f"{_name(key)} is {_silence(book, record)}: return it to service first")
            continue
        events += book.shelve(key, until, now_ms, request.actor)
        done.append(key)
    if not done:
        raise AlarmError("; ".join(words))
    return events, "; ".join([_said(request, done, f"shelved until {book.clock.moment_text(until)}"), *words])


def _unshelve(book: AlarmBook, request: Request, now_ms: int) -> tuple[list[Event], str]:
    there = sorted(_there(book, request).items())
    shelved = [key for key, r in there if r.state is AlarmState.SHELVED]
    if not shelved:
        removed = ", ".join(_name(key) for key, r in there if r.state is AlarmState.OUT_OF_SERVICE)
        if removed:
            raise AlarmError(f"{removed}: is out of service, not shelved; return it to service instead")
        return [], f"{_asked(request)} was not shelved"
    events = [event for key in shelved for event in book.unshelve(key, now_ms, request.actor)]
    return events, "; ".join(f"{_name(key)} unshelved" for key in shelved)


def _remove(
    book: AlarmBook, request: Request, now_ms: int, probes: Collection[str]
) -> tuple[list[Event], str]:
    keys = _wanted(book, request, probes)
    events = [event for key in keys for event in book.out_of_service(key, now_ms, request.actor)]
    if not events:
        return [], _said(request, keys, "was out of service already")
    return events, _said(request, keys, "is out of service until a person returns it to service")


def _return(book: AlarmBook, request: Request, now_ms: int) -> tuple[list[Event], str]:
    removed = [
        key for key, r in sorted(_there(book, request).items()) if r.state is AlarmState.OUT_OF_SERVICE
    ]
    if not removed:
        return [], f"{_asked(request)} was not out of service"
    events = [event for key in removed for event in book.return_to_service(key, now_ms, request.actor)]
    return events, "; ".join(f"{_name(key)} returned to service" for key in removed)


def _wanted(book: AlarmBook, request: Request, probes: Collection[str]) -> list[AlarmKey]:
    """What is to be silenced: the quantity that was named, or all that there can be."""
    keys = {(book.tank, request.alarm, request.quantity)}
    known = quantities_of(request.alarm)
    if known and not request.quantity:
        named = [name for name in known if name in probes] or known
        keys = {(book.tank, request.alarm, name) for name in named}
    return sorted(keys | {key for key in _there(book, request) if key[2] or not known})


def _said(request: Request, done: list[AlarmKey], what: str) -> str:
    if len(done) == 1:
        return f"{_name(done[0])} {what}"
    return f"{_asked(request)} {what} for {', '.join(key[2] for key in done)}"


def _there(book: AlarmBook, request: Request) -> dict[AlarmKey, AlarmRecord]:
    """What the book has of the alarm that is meant."""
    return {
        key: record
        for key, record in book.records().items()
        if key[1] == request.alarm and request.quantity in ("", key[2])
    }


def _raised(book: AlarmBook) -> str:
    raised = [_name(key)[len(book.tank) + 1 :] for key, r in book.records().items() if r.open]
    return f"; raised here: {', '.join(sorted(raised))}" if raised else "; nothing is raised here"


def _silence(book: AlarmBook, record: AlarmRecord) -> str:
    if record.state is AlarmState.SHELVED and record.shelf_end_ms is not None:
        return f"shelved until {book.clock.moment_text(record.shelf_end_ms)}"
    return "out of service"


def _asked(request: Request) -> str:
    return _name((request.tank, request.alarm, request.quantity))


def _name(key: AlarmKey) -> str:
    return "/".join(part for part in key if part)
