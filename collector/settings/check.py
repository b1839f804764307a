"""Whether settings make sense together: ports, times of day, limits, names that belong to each other."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rushlight.collector.electrode import calibration_fault
from rushlight.collector.readings import QUANTITIES, TANK_NAME
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings.convert import guess
from rushlight.collector.settings.tables import (
    KEEP_DAYS,
    LOOK_BACK_DAYS,
    SerialLink,
    Settings,
    TankSettings,
    parse_time_of_day,
)
from rushlight.collector.settings.topic_filters import filter_fault

__all__ = ["check"]

_HOST_NAME = re.compile(
    r"[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?(\.[A-Za-z0-9_]([A-Za-z0-9_-]*[A-Za-z0-9_])?)*\.?"
)


def check(settings: Settings) -> Iterator[str]:
    from rushlight.collector.intake.topic_maps import unit_fault  # which imports the settings

    for index, link in enumerate(settings.links, 1):
        where = f"links[{index}]"
        if isinstance(link, SerialLink):
            if link.baud <= 0:
                yield f"{where}.baud: must be more than 0, as in 115200"
            continue
        for key in ("host", "client_id"):
            if not getattr(link, key).strip():
                yield f"{where}.{key}: is empty; write one, or leave the key out"
        for number, mapped in enumerate(link.map, 1):
            place = f"{where}.map[{number}]"
            if mapped.quantity not in QUANTITIES:
                hint = guess(mapped.quantity, list(QUANTITIES))
                yield f"{place}.quantity: unknown quantity {mapped.quantity!r}{hint}"
            if mapped.tank not in settings.tanks:
                yield f"{place}.tank: there is no [tanks.{mapped.tank}]; add it or name one that is there"
            wrong = unit_fault(mapped.quantity, mapped.unit)
            if wrong is not None:
                yield f"{place}.unit: {wrong}"
            fault = filter_fault(mapped.topic)
            if fault is not None:
                yield f"{place}.topic: {safe_text(mapped.topic, 80)!r} {fault}"
    if not Path(settings.store.path).name.strip("."):
        yield f'store.path: {settings.store.path!r} names no file; write one, as in "rushlight.db"'
    if settings.store.kind == "influxdb":
        for name in ("url", "bucket"):
            if not getattr(settings.store, name):
                yield f"store.{name}: must be given for an InfluxDB store"
        if re.match(r"[^/]*//[^/]*@", settings.store.url or ""):
            yield (
                "store.url: has a login in it, which every log would show; leave it out, and name the "
                'variable that holds the token: token_env = "…"'
            )
        elif settings.store.url and not re.match(r"https?://[^/]", settings.store.url):
            yield f'store.url: {settings.store.url!r} must begin with http://, as in "http://localhost:8086"'
        if not LOOK_BACK_DAYS < settings.store.keep_local_days <= KEEP_DAYS[1]:
            yield (
                f"store.keep_local_days: must be from {LOOK_BACK_DAYS + 1} to {KEEP_DAYS[1]}; the analysis "
                f"looks back as far as {LOOK_BACK_DAYS} days"
            )
    for quantity, days in settings.store.keep_days.items():
        if quantity not in QUANTITIES:
            hint = guess(quantity, list(QUANTITIES))
            yield f"store.keep_days.{quantity}: unknown quantity {quantity!r}{hint}"
        if not KEEP_DAYS[0] <= days <= KEEP_DAYS[1]:
            yield (
                f"store.keep_days.{quantity}: must be from {KEEP_DAYS[0]} day to {KEEP_DAYS[1]} days; "
                "leave it out to keep all"
            )
    notices = settings.notices
    if not 0 <= notices.picture_wait_s <= 300:
        yield "notices.picture_wait_s: must be from 0 to 300 seconds; the notice is held back for so long"
    if (notices.quiet_from is None) != (notices.quiet_to is None):
        yield "notices: quiet_from and quiet_to go together; give both or neither"
    yield from _check_times("notices", notices, ("quiet_from", "quiet_to"))
    if notices.quiet_timezone is not None:
        yield from _check_zone("notices.quiet_timezone", notices.quiet_timezone)
    for number, name in enumerate(settings.status_page.hosts, 1):
        if not _is_host(name):
            yield (
                f"status_page.hosts[{number}]: {name!r} is no name of a machine; write it as browsers do, "
                'without http:// and port: "tanks.local" or "192.0.2.7"; * is not taken'
            )
    for name, tank in settings.tanks.items():
        yield from _check_tank(f"tanks.{name}", name, tank)


def _is_host(name: str) -> bool:
    """A host name (RFC 1123, section 2.1; with _ as many home networks have it) or an IP address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return bool(_HOST_NAME.fullmatch(name)) and len(name) <= 253
    return True


def _check_tank(where: str, name: str, tank: TankSettings) -> Iterator[str]:
    if not TANK_NAME.fullmatch(name):
        yield f"{where}: a tank's name is letters, digits, '_', '-', '.' or ':', so that it fits into a topic"
    if not 0 < tank.volume_litres <= 100_000:
        yield f"{where}.volume_litres: {tank.volume_litres:g} L can't be right; give the water in litres"
    yield from _check_zone(f"{where}.timezone", tank.timezone)
    if not 0 < tank.report_every_s <= 3600:
        yield f"{where}.report_every_s: must be between 0 and 3600 seconds"
    live = tank.livestock
    for key in ("temperature_low_c", "temperature_high_c"):
        value = getattr(live, key)
        if not -2 <= value <= 45:
            yield f"{where}.livestock.{key}: {value:g} °C is no water for fish; is it in °F? Give °C"
    if live.temperature_low_c >= live.temperature_high_c:
        yield f"{where}.livestock: temperature_low_c must be below temperature_high_c"
    if live.co2_limit_mg_l <= 0:
        yield f"{where}.livestock.co2_limit_mg_l: must be more than 0 mg/L; 20 to 30 is common practice"
    water = tank.water
    kh = water.carbonate_hardness_dkh
    if kh is not None and not 0 < kh <= 40:
        yield (
            f"{where}.water.carbonate_hardness_dkh: {kh:g} dKH can't be right; is it in mg/L as CaCO3? "
            "Divide by 17.85"
        )
    for key in ("degassed_ph", "ph_low", "ph_high"):
        value = getattr(water, key)
        if value is not None and not 3 <= value <= 11:
            yield f"{where}.water.{key}: {value:g} is no pH of a tank; give a value from 3 to 11"
    if water.ph_low is not None and water.ph_high is not None and water.ph_low >= water.ph_high:
        yield f"{where}.water: ph_low must be below ph_high"
    heater, cooler = tank.heater, tank.cooler
    if heater and heater.watts is not None and not 0 < heater.watts <= 20_000:
        yield f"{where}.heater.watts: {heater.watts:g} W can't be right; read it off the heater's plate"
    for part, table in (("heater", heater), ("cooler", cooler)):
        if table and table.setpoint_c is not None and not 0 < table.setpoint_c < 45:
            yield f"{where}.{part}.setpoint_c: {table.setpoint_c:g} °C can't be right; is it in °F? Give °C"
    warm_to = heater.setpoint_c if heater else None
    cool_to = cooler.setpoint_c if cooler else None
    if warm_to is not None and cool_to is not None and warm_to >= cool_to:
        yield (
            f"{where}.cooler.setpoint_c: is not above the heater's setpoint, so the two would work "
            "against each other; set them at least 1 °C apart"
        )
    if (
        heater
        and heater.setpoint_c is not None
        and not (live.temperature_low_c <= heater.setpoint_c <= live.temperature_high_c)
    ):
        yield (
            f"{where}.heater.setpoint_c: {heater.setpoint_c:g} °C is outside the livestock's limits "
            f"({live.temperature_low_c:g} to {live.temperature_high_c:g} °C)"
        )
    for part, pair in (("light", tank.light), ("co2", tank.co2)):
        if pair is None:
            continue
        yield from _check_times(f"{where}.{part}", pair, ("on", "off"))
        if (pair.on is None) != (pair.off is None):
            yield f"{where}.{part}: on and off go together; give both or neither"
        elif pair.on is not None and pair.on == pair.off:
            yield f"{where}.{part}.off: is the same as on; give two different times"
    if tank.light:
        if tank.light.tolerance_min <= 0:
            yield f"{where}.light.tolerance_min: must be more than 0 minutes"
        if tank.light.ramp_min is not None and not 0 <= tank.light.ramp_min <= 240:
            yield f"{where}.light.ramp_min: must be from 0 to 240 minutes"
    if len(tank.ph_calibration.points) > 3:
        yield f"{where}.ph_calibration.points: at most three buffers"
    else:
        fault = calibration_fault(tank.ph_calibration.points)
        if fault is not None:
            yield f"{where}.ph_calibration.points: {fault}"


def _check_times(where: str, table: Any, keys: tuple[str, ...]) -> Iterator[str]:
    for key in keys:
        text = getattr(table, key)
        if text is not None:
            try:
                parse_time_of_day(text)
            except ValueError as error:
                yield f"{where}.{key}: {error}"


def _check_zone(where: str, name: str) -> Iterator[str]:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        yield f"{where}: {name!r} is no IANA time zone; write one such as 'Europe/Lisbon'"
