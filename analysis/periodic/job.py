"""What `rushlight report` does: the readings of the span through the analysis, then the pages."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.verdicts import verdicts
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.paper.files import write_paper
from rushlight.analysis.periodic.alarm_load import alarm_load
from rushlight.analysis.periodic.before import Before, longest_before_days
from rushlight.analysis.periodic.sheet import COMPARED, Span, report_document, short_text
from rushlight.analysis.physics.numbers import ELECTRODE
from rushlight.analysis.replay.beliefs import Sample
from rushlight.analysis.replay.sources import open_readings
from rushlight.analysis.replay.store import replay_store
from rushlight.analysis.service.log_input import log_store
from rushlight.analysis.views.electrode_drift import due_words
from rushlight.analysis.views.first_month import first_month_lines
from rushlight.collector.errors import SettingsError
from rushlight.collector.readings import PH, PH_PROBE
from rushlight.collector.service import listener
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import time_text
from rushlight.collector.units import shown, titles

__all__ = ["report_lines"]

_DAY_MS = 86_400_000
_THIN_MS = 60_000
_TEST_DAYS = 30  # a KH test is no older; common practice, no source


def report_lines(
    settings: Settings, name: str, days: int, to_day: str | None, paper: str, lamp: str, send: bool
) -> Iterator[str]:
    """Write the pages; the short form and where they are.

    Raises
    ------
    SettingsError
        No such tank, or a day that can't be read; with `send`, no address.
    StoreError
        There are no readings of that time.
    RushlightError
        A file can't be written.
    """
    with log_store(settings, name, read_only=True) as store:
        span = _span(settings, store, name, days, to_day, lamp)
    text, units, names = short_text(span), settings.display.units, titles(settings.tanks)
    yield from text.splitlines()
    yield from write_paper(report_document(span), paper, units, names)
    if send:
        yield from _send(
            settings, f"{span.tank.title or name}: the last {days} days", shown(text, units, names)
        )


def _span(
    settings: Settings, store: EmbeddedStore, name: str, days: int, to_day: str | None, lamp: str
) -> Span:
    tank = settings.tanks[name]
    now_ms = listener.system_clock()
    to_ms = now_ms if to_day is None else _end_of(to_day, tank.timezone, now_ms)
    from_ms = to_ms - days * _DAY_MS
    clock = LocalClock(tank.timezone)
    before = Before(COMPARED, from_ms, days, lambda ms: clock.local(ms)[0])
    now: list[Sample] = []

    def keep(sample: Sample) -> None:
        if sample.time_ms < from_ms:
            before.take(sample)
        else:
            now.append(sample)

    before_ms = from_ms - longest_before_days(days) * _DAY_MS
    whole = store.log(name, until_ms=to_ms)
    with open_readings(settings, store, sys.stderr) as source:
        replay_store(settings, source, name, before_ms, to_ms, thin_ms=_THIN_MS, log=whole, keep=keep)
    log = [entry for entry in whole if entry.time_ms >= from_ms]
    calibrated = [entry.time_ms for entry in whole if "calibrated" in entry.done]
    tests = [entry.time_ms for entry in whole if "kh" in entry.tests]
    quantities = store.quantities(name)
    events = store.events(tank=name)  # what is still active may be older than the span
    said = verdicts(
        store,
        {
            event.occurrence
            for event in events
            if event.event == "raised" and event.time >= time_text(from_ms)
        },
    )
    load = alarm_load(events, from_ms, to_ms, said)
    due = []
    if PH in quantities or PH_PROBE in quantities:
        drifts = due_words(whole, now_ms)
        if drifts:
            due.append(f"{drifts} (rushlight calibrate {name} ph)")
        elif not calibrated or now_ms - calibrated[-1] > ELECTRODE.keeps_days * _DAY_MS:
            due.append(f"calibrate the pH electrode (rushlight calibrate {name} ph)")
        if not tests or now_ms - tests[-1] > _TEST_DAYS * _DAY_MS:
            due.append("test KH and note it: CO2 is estimated with it")
    due += [f"{rationale_for(one).title}: active for more than a day" for one in load.stale]
    due += first_month_lines(name, tank, whole, now_ms)
    return Span(
        name,
        tank,
        from_ms,
        to_ms,
        now,
        before,
        log,
        load,
        tuple(due),
        lamp,
    )


def _end_of(day: str, timezone: str, now_ms: int) -> int:
    try:
        date = datetime.fromisoformat(day).date()
    except ValueError:
        raise SettingsError(f"--to: {day!r} is no day; write it as 2026-03-01") from None
    clock = LocalClock(timezone)
    noon = datetime(date.year, date.month, date.day, 12, tzinfo=UTC)
    at_ms = round(noon.timestamp() * 1000)
    local_day, minute = clock.local(at_ms)
    wanted = date.toordinal() - datetime(1970, 1, 1).toordinal()
    end = at_ms + round(((wanted - local_day) * 1440 - minute + 1440) * 60_000)
    if end - _DAY_MS > now_ms:
        raise SettingsError(f"--to: {day} is yet to come")
    return min(end, now_ms)


def _send(settings: Settings, title: str, text: str) -> Iterator[str]:
    from rushlight.analysis.notices.channels import WrongAddress, masked, send_by_apprise, split_urls
    from rushlight.analysis.notices.workers import LIMIT_S, PatientSender, SlowTarget

    urls = split_urls(os.environ.get(settings.notices.urls_env, ""))
    if not urls:
        raise SettingsError(
            f"{settings.path}: notices.urls_env: environment variable {settings.notices.urls_env} "
            f"is not set, so "
            "there is nowhere to send to"
        )
    send = PatientSender(send_by_apprise, patience_s=LIMIT_S)
    for url in urls:
        try:
            taken = send(url, title, text, "low")
        except (WrongAddress, SlowTarget):
            taken = False
        yield f"target {masked(url)}: {'taken' if taken else 'not taken'}"
