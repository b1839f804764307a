"""`rushlight status`: how the tanks are, on one screen, from the store alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TextIO

from rich.console import Console
from rich.text import Text

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.physics.carbon_dioxide import likely_text
from rushlight.analysis.views.cautions_beside import before_step, below_steps
from rushlight.analysis.views.fact_types import AlarmFacts, LinkFacts, NoticeFacts, TankFacts
from rushlight.analysis.views.facts import age_text, collect_facts
from rushlight.analysis.views.first_month import first_month_lines
from rushlight.analysis.views.in_flight import in_flight_lines
from rushlight.analysis.views.refused import RefusedFacts
from rushlight.collector.influx.state import DrainReport
from rushlight.collector.safe_text import safe_lines
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.units import shown, titles

__all__ = ["print_status", "status_lines"]

_STYLES = {"critical": "bold white on red", "high": "bold red", "medium": "yellow", "low": "cyan"}


def print_status(settings: Settings, store: EmbeddedStore, now_ms: int, out: TextIO) -> None:
    """Print the screen; in colour on a terminal, unless NO_COLOR is set."""
    console = Console(file=out, highlight=False)
    names = titles(settings.tanks)
    for line in status_lines(settings, store, now_ms):
        safe = safe_lines(shown(line.plain, settings.display.units, names))
        if safe != line.plain:
            # spans would be at the wrong places
            line = Text(safe, style=line.spans[0].style if line.spans else line.style)
        console.print(line, soft_wrap=not console.is_terminal)


def status_lines(settings: Settings, store: EmbeddedStore, now_ms: int) -> Iterator[Text]:
    """The lines of the screen."""
    facts = collect_facts(settings, store, now_ms)
    process = facts.process
    running = f"the service runs (process {process})" if process else "the service is not running"
    yield Text(f"{store.path}: {running}", style="" if process else "yellow")
    for tank in facts.tanks:
        yield Text()
        yield from _tank(tank)
        if tank.watched:
            log = store.log(tank.name)
            for text in first_month_lines(tank.name, settings.tanks[tank.name], log, now_ms):
                yield Text(f"  {text}")
    left = below_steps(alarm for tank in facts.tanks for alarm in tank.alarms)
    if left:
        yield Text()
    yield from map(Text, left)
    yield Text()
    for link in facts.links:
        yield _link(link)
    for line in in_flight_lines(settings):
        yield Text(f"weak: {line}", style="dim")
    for refused in facts.refused:
        yield from _refused(refused)
    yield _notices(facts.notices)
    if facts.server is not None:
        yield _server(facts.server, now_ms)


def _tank(tank: TankFacts) -> Iterator[Text]:
    title = f"{tank.title} ({tank.name})" if tank.title else tank.name
    rest = f", {tank.local_time}" if tank.watched else "  not in the settings: not watched"
    yield Text(title, style="bold") + Text(rest)
    yield from _readings(tank)
    if not tank.watched:
        return
    if tank.trouble:
        yield Text(f"  {tank.trouble}", style="yellow")
    found = tank.carbon_dioxide
    if found is not None:
        likely = likely_text(found.low_mg_l, found.high_mg_l)
        yield Text(
            f"  {'CO2, estimated from the pH':32} {found.mg_l:>7.0f} mg/L   {likely}, "
            f"limit {found.limit_mg_l:g}"
        )
        if found.doubt:
            yield Text("      a wide range, because " + found.doubt, style="yellow")
    if tank.failure is not None:
        yield Text(
            f"  {tank.failure.detector} could not be judged {age_text(tank.failure.age_ms)}: an error in "
            "Rushlight itself, see its log",
            style="yellow",
        )
    if tank.device is not None:
        yield Text(f"  device: {tank.device.word}, {age_text(tank.device.age_ms)}")
    if tank.counts:
        yield Text(f"  reports: {', '.join(tank.counts)}", style="dim")
    for line in tank.learnt:
        yield Text(f"  learnt: {line}", style="dim")
    for line in tank.weak:
        yield Text(f"  weak: {line}", style="dim")
    for line in (*(f"missing setting: {offer}" for offer in tank.offers), *tank.unnoted):
        yield Text(f"  {line}")
    for check in tank.checks:
        yield Text(f"  no alarm yet: {check.text}", style="bold yellow")
    if not tank.alarms and not tank.checks:
        yield Text("  no alarms", style="green")
    for alarm in tank.alarms:
        yield from _alarm(alarm)
    for line in tank.tests:
        yield Text(f"  TEST alarm, nothing is wrong: {line}", style="dim")


def _readings(tank: TankFacts) -> Iterator[Text]:
    if not tank.readings:
        yield Text("  no readings yet")
    for reading in tank.readings:
        line = f"  {reading.title:32} {reading.printed:>12}   {age_text(reading.age_ms)}"
        yield Text(line) + Text(f"   {reading.remark}" if reading.remark else "", style="yellow")
        if reading.doubt:
            yield Text(f"      {reading.doubt}", style="yellow")


def _alarm(alarm: AlarmFacts) -> Iterator[Text]:
    name = f"{alarm.alarm} --quantity {alarm.quantity}" if alarm.quantity else alarm.alarm
    style = _STYLES[alarm.priority] if alarm.raised else "dim"
    yield Text("  ") + Text(alarm.priority.upper(), style=style) + Text(f" {name}: {alarm.state_text}")
    yield Text(f"      {alarm.headline}")
    for text in before_step(alarm):
        yield Text(f"      {text}", style="bold")
    if alarm.raised:
        yield Text(f"      {alarm.time_left or 'time left unknown'}. First: {alarm.action[0]}")
        if alarm.observations:
            yield Text(f"      seen: {'; '.join(alarm.observations)}")
        yield Text(f"      what would rule it out: {alarm.rule_out}")
    if alarm.raised or alarm.away:
        yield Text(f"      all steps and the curve: rushlight explain {alarm.occurrence}", style="dim")


def _link(link: LinkFacts) -> Text:
    return Text(f"link {link.name}: {link.words}")


def _refused(refused: RefusedFacts) -> Iterator[Text]:
    often = "once" if refused.count == 1 else f"{refused.count} times, last"
    yield Text(
        f"refused {often} {age_text(refused.age_ms)}, {refused.where}: {refused.reason}", style="yellow"
    )
    yield Text(f"      the last one: {refused.example}", style="dim")
    if refused.mend:
        yield Text(f"      to fix it: {refused.mend}")


def _notices(notices: NoticeFacts) -> Text:
    line = f"notices: {notices.waiting} waiting" if notices.waiting else "notices: none waiting"
    if notices.refused:
        line += f", {notices.refused} of them not taken so far ({notices.error})"
    return Text(line, style="yellow" if notices.late else "")


def _server(server: DrainReport, now_ms: int) -> Text:
    line = f"InfluxDB {server.url}, bucket {server.bucket}: "
    if server.last_ms is None:
        line += "nothing written yet"
    else:
        line += f"last written {age_text(now_ms - server.last_ms)}"
    if server.waiting:
        line += f", {server.waiting} readings wait in the local file"
    if server.copying_from_ms is not None:
        line += f", older ones are being copied from {utc_text(server.copying_from_ms)} on"
    if server.refused:
        line += f", {server.refused} refused and kept in the local file"
    if server.too_old:
        line += f", {server.too_old} older than the bucket keeps"
    if server.away_since_ms is not None:
        line += f"; away since {utc_text(server.away_since_ms)}: {server.error}"
    troubled = server.away_since_ms is not None or server.refused
    return Text(line, style="yellow" if troubled else "")
