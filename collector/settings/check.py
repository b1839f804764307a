"""Whether settings make sense together: times of day, names and limits that belong to each other.

What one value may be is declared with the tables. A check here names the keys it looked at, so that a value
that is wrong already is not found fault with twice.
"""

from __future__ import annotations

import ipaddress
import pathlib
import re
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from rushlight.collector.electrode import calibration_fault
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings.convert import Fault, guess
from rushlight.collector.settings.gas_check import gas_faults
from rushlight.collector.settings.light_check import light_faults
from rushlight.collector.settings.lines import Path
from rushlight.collector.settings.link_check import link_faults
from rushlight.collector.settings.tables import (
    MqttLink,
    NoticeSettings,
    PageSettings,
    Settings,
    StoreSettings,
    TankSettings,
    TopicMap,
)
from rushlight.collector.settings.time_of_day import parse_time_of_day
from rushlight.collector.settings.topic_filters import filter_fault
from rushlight.collector.settings.topic_units import unit_fault

__all__ = ["check"]

_HOST_NAME = re.compile(
    r"[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?(\.[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?)*\.?"
)


class _Found(NamedTuple):
    """A fault at a table or key, and the keys beneath it that were looked at; none: itself."""

    path: Path
    text: str
    keys: tuple[str, ...] = ()

    def rests_on(self, wrong: Path) -> bool:
        """Whether the value at `wrong` was among what was looked at."""
        places = [(*self.path, key) for key in self.keys] or [self.path]
        return any(_overlap(place, wrong) for place in places)


def check(settings: Settings, wrong: tuple[Path, ...] = ()) -> Iterator[Fault]:
    """Faults of settings as a whole; `wrong` are the places with a stand-in in them, which aren't judged."""
    for found in _all(settings):
        if not any(found.rests_on(path) for path in wrong):
            yield Fault(found.path, found.text)


def _overlap(one: Path, other: Path) -> bool:
    shorter = min(len(one), len(other))
    return one[:shorter] == other[:shorter]


def _all(settings: Settings) -> Iterator[_Found]:
    for number, link in enumerate(settings.links, 1):
        if isinstance(link, MqttLink):
            for entry, mapped in enumerate(link.map, 1):
                yield from _check_map(("links", number, "map", entry), mapped, settings)
    for place, text in link_faults(settings.links):
        yield _Found(place, text)
    yield from _check_store(settings.store)
    yield from _check_notices(settings.notices)
    yield from _check_page(settings.status_page)
    for name, tank in settings.tanks.items():
        for tank_check in _TANK_CHECKS:
            yield from tank_check(("tanks", name), tank)


def _check_map(where: Path, mapped: TopicMap, settings: Settings) -> Iterator[_Found]:
    if mapped.quantity not in QUANTITIES:
        hint = guess(mapped.quantity, list(QUANTITIES))
        yield _Found((*where, "quantity"), f"unknown quantity {mapped.quantity!r}{hint}")
    if mapped.tank not in settings.tanks:
        yield _Found((*where, "tank"), f"there is no [tanks.{mapped.tank}]; add it or name one that is there")
    wrong = unit_fault(mapped.quantity, mapped.unit)
    if wrong is not None:
        yield _Found((*where, "unit"), wrong)
    fault = filter_fault(mapped.topic)
    if fault is not None:
        yield _Found((*where, "topic"), f"{safe_text(mapped.topic, 80)!r} {fault}")


def _check_store(store: StoreSettings) -> Iterator[_Found]:
    if not pathlib.Path(store.path).name.strip("."):
        yield _Found(("store", "path"), f'{store.path!r} names no file; write one, as in "rushlight.db"')
    if store.kind == "influxdb":
        for name in ("url", "bucket"):
            if not getattr(store, name):
                yield _Found(("store", name), "must be given for an InfluxDB store")
        yield from _check_url(store.url or "")
    for quantity in store.keep_days:
        if quantity not in QUANTITIES:
            hint = guess(quantity, list(QUANTITIES))
            yield _Found(("store", "keep_days", quantity), f"unknown quantity {quantity!r}{hint}")


def _check_url(url: str) -> Iterator[_Found]:
    if re.match(r"[^/]*//[^/]*@", url):
        yield _Found(
            ("store", "url"),
            "has a login in it, which every log would show; leave it out, and name the "
            'variable that holds the token: token_env = "…"',
        )
    elif url and not re.match(r"https?://[^/]", url):
        yield _Found(("store", "url"), f'{url!r} must begin with http://, as in "http://localhost:8086"')


def _check_notices(notices: NoticeSettings) -> Iterator[_Found]:
    where = ("notices",)
    yield from _check_pair(where, notices, ("quiet_from", "quiet_to"))
    if notices.quiet_timezone is not None:
        yield from _check_zone((*where, "quiet_timezone"), notices.quiet_timezone)


def _check_page(page: PageSettings) -> Iterator[_Found]:
    for number, name in enumerate(page.hosts, 1):
        if not _is_host(name):
            yield _Found(
                ("status_page", "hosts", number),
                f"{name!r} is no name of a machine; write it as browsers do, "
                'without http:// and port: "tanks.local" or "192.0.2.7"; * is not taken',
            )
    if page.url is not None and not re.fullmatch(r"https?://[^/@?#\s]+/?", page.url):
        yield _Found(
            ("status_page", "url"),
            f"{safe_text(page.url, 80)!r} is not the address of a page; write it as a browser shows it, "
            'without a path behind it: "https://tanks.example" or "http://192.0.2.7:8742"',
        )
    for number, name in enumerate(page.proxies, 1):
        if not _is_network(name):
            yield _Found(
                ("status_page", "proxies", number),
                f"{safe_text(name, 80)!r} is not the address of a proxy; write it as "
                '"192.0.2.7", or its network as "172.18.0.0/16"; a network of all addresses is not taken',
            )
    if (page.tls_certificate is None) != (page.tls_key is None):
        keys = ("tls_certificate", "tls_key")
        yield _Found(("status_page",), "tls_certificate and tls_key go together; give both or neither", keys)


def _is_network(text: str) -> bool:
    try:
        return ipaddress.ip_network(text, strict=False).prefixlen > 0
    except ValueError:
        return False


def _is_host(name: str) -> bool:
    """A host name (RFC 1123, section 2.1; with _ as many home networks have it) or an IP address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return bool(_HOST_NAME.fullmatch(name)) and len(name) <= 253
    return True


def _tank_zone(where: Path, tank: TankSettings) -> Iterator[_Found]:
    yield from _check_zone((*where, "timezone"), tank.timezone)


def _tank_limits(where: Path, tank: TankSettings) -> Iterator[_Found]:
    live, water = tank.livestock, tank.water
    if live.temperature_low_c >= live.temperature_high_c:
        keys = ("temperature_low_c", "temperature_high_c")
        yield _Found((*where, "livestock"), "temperature_low_c must be below temperature_high_c", keys)
    if water.ph_low is not None and water.ph_high is not None and water.ph_low >= water.ph_high:
        yield _Found((*where, "water"), "ph_low must be below ph_high", ("ph_low", "ph_high"))


def _tank_heater(where: Path, tank: TankSettings) -> Iterator[_Found]:
    live = tank.livestock
    warm_to = tank.heater.setpoint_c if tank.heater else None
    cool_to = tank.cooler.setpoint_c if tank.cooler else None
    if warm_to is None:
        return
    if cool_to is not None and warm_to >= cool_to:
        yield _Found(
            (*where, "cooler", "setpoint_c"),
            "is not above the heater's setpoint, so the two would work against each other; set them at "
            "least 1 °C apart",
        )
    if warm_to < live.temperature_low_c or warm_to > live.temperature_high_c:
        yield _Found(
            (*where, "heater", "setpoint_c"),
            f"{warm_to:g} °C is outside the livestock's limits "
            f"({live.temperature_low_c:g} to {live.temperature_high_c:g} °C)",
        )


def _tank_times(where: Path, tank: TankSettings) -> Iterator[_Found]:
    for part, table in (("light", tank.light), ("co2", tank.co2)):
        if table is not None:
            yield from _check_pair((*where, part), table, ("on", "off"))
            if table.on is not None and table.on == table.off:
                yield _Found((*where, part, "off"), "is the same as on; give two different times")


def _tank_periods(where: Path, tank: TankSettings) -> Iterator[_Found]:
    if tank.light is not None:
        for fault in light_faults((*where, "light"), tank.light):
            yield _Found(*fault)


def _tank_gas(where: Path, tank: TankSettings) -> Iterator[_Found]:
    for fault in gas_faults(where, tank):
        yield _Found(*fault)


def _tank_calibration(where: Path, tank: TankSettings) -> Iterator[_Found]:
    fault = calibration_fault(tank.ph_calibration.points)
    if fault is not None:
        yield _Found((*where, "ph_calibration", "points"), fault)


_TANK_CHECKS: tuple[Callable[[Path, TankSettings], Iterator[_Found]], ...] = (
    _tank_zone,
    _tank_limits,
    _tank_heater,
    _tank_times,
    _tank_periods,
    _tank_gas,
    _tank_calibration,
)


def _check_pair(where: Path, table: Any, keys: tuple[str, str]) -> Iterator[_Found]:
    """Two times of day, of which neither says anything without the other."""
    for key in keys:
        text = getattr(table, key)
        if text is not None:
            try:
                parse_time_of_day(text)
            except ValueError as error:
                yield _Found((*where, key), str(error))
    first, second = (getattr(table, key) for key in keys)
    if (first is None) != (second is None):
        yield _Found(where, f"{keys[0]} and {keys[1]} go together; give both or neither", keys)


def _check_zone(where: Path, name: str) -> Iterator[_Found]:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        yield _Found(where, f"{name!r} is no IANA time zone; write one such as 'Europe/Lisbon'")
