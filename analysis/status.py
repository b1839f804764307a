"""`rushlight status`: how the tanks are, on one screen, from the store alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TextIO

import msgspec
from rich.console import Console
from rich.text import Text

from analysis.alarm_states import AlarmRecord, AlarmState
from analysis.alarm_texts import duration_text, headline, time_left_text, utc_text
from analysis.live import ANALYSIS_STATE, DEVICE_META
from analysis.rationale import rationale_for
from analysis.types import PRIORITY_RANK
from analysis.watch import TankWatch
from collector.errors import StoreError
from collector.readings import PH, QUANTITIES, TEMPERATURE, Flag, Reading
from collector.service import LINKS_META, LinkReport
from collector.service_lock import ServiceLock
from collector.settings import Settings
from collector.store.embedded import EmbeddedStore

__all__ = ["print_status", "status_lines"]

_STYLES = {"critical": "bold white on red", "high": "bold red", "medium": "yellow", "low": "cyan"}
_FLAGS = {Flag.SUSPECT: "suspect", Flag.FAIL: "failed its check", Flag.MISSING: "could not be read"}
_FAULT_COUNTERS = ("failed", "lost", "refused", "garbled", "overlong", "torn", "oversize")


def print_status(settings: Settings, store: EmbeddedStore, now_ms: int, out: TextIO) -> None:
    """Print the screen; in colour on a terminal, unless NO_COLOR is set."""
    console = Console(file=out, highlight=False)
    for line in status_lines(settings, store, now_ms):
        console.print(line, soft_wrap=not console.is_terminal)


def status_lines(settings: Settings, store: EmbeddedStore, now_ms: int) -> Iterator[Text]:
    """The lines of the screen."""
    process = ServiceLock(store.path).running()
    running = f"the service runs (process {process})" if process else "the service is not running"
    yield Text(f"{store.path} at {utc_text(now_ms)}: {running}", style="" if process else "yellow")
    for name in [*settings.tanks, *(name for name in store.tanks() if name not in settings.tanks)]:
        yield Text()
        yield from _tank(name, settings, store, now_ms)
    yield Text()
    yield from _links(store, now_ms)
    yield from _notices(store, now_ms)


def _tank(name: str, settings: Settings, store: EmbeddedStore, now_ms: int) -> Iterator[Text]:
    tank = settings.tanks.get(name)
    title = f"{tank.title} ({name})" if tank is not None and tank.title else name
    yield Text(title, style="bold") + Text("" if tank is not None else "  not in the settings: not watched")
    latest = store.latest(name)
    if not latest:
        yield Text("  no readings yet")
    for quantity in [q for q in QUANTITIES if q in latest]:
        yield _reading(latest[quantity], now_ms)
    if tank is None:
        return
    watch = TankWatch(name, tank)
    saved = store.load_state(ANALYSIS_STATE, name)
    if saved is not None:
        try:
            watch.restore(saved[0])
        except StoreError as error:
            yield Text(f"  {error}", style="yellow")
            watch = TankWatch(name, tank)
    yield from _carbon_dioxide(watch, latest)
    device = store.get_meta(DEVICE_META + name)
    if device is not None:
        word, _, since = device.partition(" ")
        yield Text(f"  its device says {word}, {_ago(now_ms - int(since))}")
    yield from _alarms(watch, now_ms)


def _reading(reading: Reading, now_ms: int) -> Text:
    info = QUANTITIES[reading.quantity]
    value = (
        "–" if reading.value is None else f"{reading.value:.{info.decimals}f} {info.printed_unit}".rstrip()
    )
    remark = _FLAGS.get(Flag(reading.flag), "")
    line = f"  {info.title:32} {value:>12}   {_ago(now_ms - reading.time_ms)}"
    return Text(line) + Text(f"   {remark}" if remark else "", style="yellow")


def _carbon_dioxide(watch: TankWatch, latest: dict[str, Reading]) -> Iterator[Text]:
    """As the detector reckons it, so that status and alarms say the same."""
    ph, celsius = latest.get(PH), latest.get(TEMPERATURE)
    if ph is None or ph.value is None or ph.flag > Flag.NOT_EVALUATED:
        return
    warm = celsius.value if celsius is not None and celsius.flag <= Flag.NOT_EVALUATED else None
    found = watch.state.carbon_dioxide.estimate(watch.tank, ph.value, warm)
    if found is None:
        return
    mg_l, error = found
    factor = 2.718281828459045**error
    limit = watch.tank.settings.livestock.co2_limit_mg_l
    yield Text(
        f"  {'CO2, reckoned from the pH':32} {mg_l:>7.0f} mg/L   likely {mg_l / factor:.0f} to "
        f"{mg_l * factor:.0f}, limit {limit:g}"
    )


def _alarms(watch: TankWatch, now_ms: int) -> Iterator[Text]:
    records = sorted(
        watch.book.records().values(), key=lambda r: (-PRIORITY_RANK[r.priority], r.raised_ms or 0)
    )
    shown = [r for r in records if r.occurrence or r.state is not AlarmState.NORMAL]
    if not shown:
        yield Text("  no alarm stands", style="green")
    for record in shown:
        yield from _alarm(record, watch, now_ms)


def _alarm(record: AlarmRecord, watch: TankWatch, now_ms: int) -> Iterator[Text]:
    row = rationale_for(record.alarm)
    title = watch.tank.settings.title or watch.tank.name
    name = f"{record.alarm} --quantity {record.quantity}" if record.quantity else record.alarm
    state = str(record.state)
    if record.state is AlarmState.SHELVED and record.shelf_end_ms is not None:
        state = f"shelved for {duration_text(max(0, record.shelf_end_ms - now_ms) / 1000)} more"
    elif record.raised_ms is not None:
        state += f", raised {_ago(now_ms - record.raised_ms)}"
    left = time_left_text(record.finding.time_left_s if record.finding is not None else None)
    raised = record.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    style = _STYLES[record.priority] if raised else "dim"
    yield Text("  ") + Text(record.priority.upper(), style=style) + Text(f" {name}: {state}")
    yield Text(f"      {headline(record.alarm, title, record.finding, record.quantity)}")
    if raised:
        yield Text(f"      time left: {left or 'can’t be said'}. First: {row.action[0]}")


def _links(store: EmbeddedStore, now_ms: int) -> Iterator[Text]:
    try:
        links = msgspec.json.decode(store.get_meta(LINKS_META) or "[]", type=list[LinkReport])
    except msgspec.MsgspecError:
        return  # from another version: the service writes it anew
    for link in links:
        last = (
            f"last report {_ago(now_ms - link.last_ms)}" if link.last_ms else "nothing came since its start"
        )
        faults = [f"{link.counters[key]} {key}" for key in _FAULT_COUNTERS if link.counters.get(key)]
        delivered = link.counters.get("delivered", 0)
        yield Text(f"link {link.name}: {delivered} delivered, {last}" + "".join(f", {f}" for f in faults))


def _notices(store: EmbeddedStore, now_ms: int) -> Iterator[Text]:
    waiting = store.pending_notices()
    late = [notice for notice in waiting if notice.next_attempt_ms <= now_ms or notice.attempts]
    line = f"notices: {len(waiting)} waiting" if waiting else "notices: none waiting"
    failing = [notice.error for notice in waiting if notice.error]
    if failing:
        line += f", {len(failing)} of them not taken so far ({failing[-1]})"
    yield Text(line, style="yellow" if late else "")


def _ago(span_ms: int) -> str:
    """An age as a person says it."""
    seconds = span_ms / 1000
    if seconds < 0:
        return "just now"
    if seconds < 90:
        return f"{seconds:.0f} s ago"
    return f"{duration_text(seconds)} ago"
