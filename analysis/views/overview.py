"""`rushlight check`: what the settings mean, in words; what they leave out; what doesn't answer just now."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.notices.channels import address_fault, masked, split_urls
from rushlight.analysis.notices.quiet_hours import quiet_lines
from rushlight.analysis.views.access.certificate import tls_fault
from rushlight.analysis.views.access.openness import open_without_login
from rushlight.analysis.views.gas_words import gas_lines
from rushlight.analysis.views.in_flight import in_flight_lines
from rushlight.analysis.views.lamp_words import lamp_lines, watched_hours
from rushlight.analysis.views.weak_series import rare_lines
from rushlight.collector.electrode import doubtful_electrodes, electrode_health
from rushlight.collector.errors import RushlightError, StoreError
from rushlight.collector.readings import HEATER_POWER, LIGHT, PH, PH_PROBE, ROOM_TEMPERATURE, TEMPERATURE
from rushlight.collector.settings import MqttLink, SerialLink, Settings, TankSettings

__all__ = ["hints", "overview"]

_ANSWER_S = 2.0


def overview(settings: Settings) -> str:
    """A friendly summary: links, store, and for each tank what is watched, learnt and left out."""
    doubtful = dict(doubtful_electrodes(settings.tanks))
    keys = ", ".join(f"tanks.{name}.ph_calibration" for name in doubtful)
    said = f"read; not right, see 'to fix' below: {keys}" if doubtful else "read, nothing wrong in it"
    lines = [f"{settings.path}: {said}."]
    for link in settings.links:
        if isinstance(link, SerialLink):
            lines.append(f"Collects from the serial port {link.port} at {link.baud} baud.")
        else:
            count = len(link.map)
            maps = f", {count} {'topic' if count == 1 else 'topics'} mapped" if count else ""
            lines.append(
                f"Collects from the MQTT broker {link.host}:{link.port}, MQTT {link.protocol}{maps}."
            )
    lines += [f"  weak: {line}." for line in in_flight_lines(settings)]
    if not settings.links:
        lines.append("Collects nothing: add [[links]].")
    lines.append(f"Keeps readings in {settings.store_path()}.")
    if settings.store.kind == "influxdb":
        lines.append(
            f"Copies them to InfluxDB at {settings.store.url}, bucket {settings.store.bucket}; "
            f"the file keeps them for {settings.store.keep_local_days:g} days."
        )
    seen = _probes(settings)
    for name, tank in settings.tanks.items():
        lines += ["", f"{name}: {tank.title or name}, {tank.volume_litres:g} L, {tank.timezone}"]
        for heading, entries in zip(
            ("watched", "learnt", "left out"), _tank(tank, seen.get(name)), strict=True
        ):
            lines += [f"  {heading:9} {entry}" for entry in entries]
        if name in doubtful:
            words = doubtful[name].words
            lines.append(f"  {'to fix':9} pH electrode (tanks.{name}.ph_calibration): {words}")
    if not settings.tanks:
        lines.append("Watches nothing: add [tanks.NAME].")
    fault = open_without_login(settings, settings.store_path())
    if fault:
        lines += ["", f"To fix, or `rushlight run` does not start: {fault}."]
    no_page = tls_fault(settings) if settings.status_page.enabled else ""
    if no_page:
        lines += ["", f"To fix, or there is no status page: {no_page}."]
    zone = next((tank.timezone for tank in settings.tanks.values()), "UTC")
    lines += ["", *quiet_lines(settings.notices, zone)]
    return "\n".join(lines)


def _probes(settings: Settings) -> dict[str, set[str]]:
    """Probes that have ever reported, where there is a store to look into."""
    path = settings.store_path()
    if not path.exists():
        return {}
    from rushlight.collector.store.embedded import EmbeddedStore

    try:
        with closing(EmbeddedStore(path, read_only=True)) as store:
            return {name: set(store.quantities(name)) for name in store.tanks()}
    except StoreError:
        return {}  # `hints` says so


def _tank(tank: TankSettings, probes: set[str] | None) -> tuple[list[str], list[str], list[str]]:
    """What is watched, what is learnt first, what is left out and why."""
    watched: list[str] = []
    learnt: list[str] = []
    missing: list[str] = []

    def there(quantity: str, *others: str) -> bool:
        return probes is None or bool(probes & {quantity, *others})

    _heat(tank, there(TEMPERATURE), watched, learnt, missing)
    _gas(tank, there(PH, PH_PROBE), watched, learnt, missing)
    _lamp(tank, there(LIGHT), watched, learnt, missing)
    watched.append(
        f"its device: silence, power cuts, probe faults (a report is due every {tank.report_every_s:g} s)"
    )
    missing += rare_lines(tank.report_every_s)
    if probes is not None:
        if ROOM_TEMPERATURE not in probes:
            missing.append("room_temperature never reported: heat is judged without it, a little later")
        if tank.heater and HEATER_POWER not in probes:
            missing.append("heater_power never reported: the heater is judged by the water alone")
    if PH_PROBE in (probes or ()) and not tank.ph_calibration.points:
        missing.append("a raw pH electrode without [ph_calibration]: the slope of a new electrode is taken")
    return watched, learnt, missing


def _heat(tank: TankSettings, probe: bool, watched: list[str], learnt: list[str], missing: list[str]) -> None:
    live = tank.livestock
    if not probe:
        missing.append("heat: no temperature has ever been reported; check the probe")
        return
    watched.append(
        f"temperature within {live.temperature_low_c:g} to {live.temperature_high_c:g} °C, and when it is on "
        "its way out"
    )
    learnt.append("how fast this tank warms and cools: from the first day on, better after a week")
    if tank.heater is None:
        missing.append("heater stuck on or not heating: no [heater]")
    elif tank.heater.setpoint_c is None:
        learnt.append("what the heater holds (no heater.setpoint_c): some days")
    else:
        watched.append(
            f"heater set to {tank.heater.setpoint_c:g} °C: whether it is stuck on or does not heat"
        )
    if tank.cooler is not None and tank.cooler.setpoint_c is not None:
        watched.append(f"{tank.cooler.kind} set to {tank.cooler.setpoint_c:g} °C: whether it cools")
    elif tank.cooler is not None:
        missing.append("cooler not cooling: no cooler.setpoint_c")


def _gas(tank: TankSettings, probe: bool, watched: list[str], learnt: list[str], missing: list[str]) -> None:
    water = tank.water
    if not probe:
        missing.append("pH and CO2: no pH has ever been reported; check the probe")
        return
    low = 5.8 if water.ph_low is None else water.ph_low
    high = 8.6 if water.ph_high is None else water.ph_high
    unset = [key for key in ("ph_low", "ph_high") if getattr(water, key) is None]
    usual = f" (water.{' and '.join(unset)} not set: the usual)" if unset else ""
    watched.append(f"pH within {low:g} to {high:g}{usual}, unless CO2 explains it")
    electrode = electrode_health(tank.ph_calibration.points)
    if electrode.slope_percent is not None and electrode.verdict == "good":
        watched.append(f"pH electrode by its calibration: {electrode.words}")
    for said, lines in zip((watched, learnt, missing), gas_lines(tank), strict=True):
        said += lines


def _lamp(tank: TankSettings, probe: bool, watched: list[str], learnt: list[str], missing: list[str]) -> None:
    if not probe:
        missing.append("lamp: no light has ever been reported; check the sensor")
        return
    watched += lamp_lines(tank.light)
    if not watched_hours(tank.light):
        learnt.append("the lamp's times (no light.on and off, no light.periods): from three days on")
    learnt.append("the lamp's full brightness, to see it fade: over weeks")


def hints(settings: Settings) -> Iterator[str]:
    """What is right in the settings but would not work just now."""
    for number, link in enumerate(settings.links, 1):
        found = _broker(link) if isinstance(link, MqttLink) else _port(link)
        if found:
            yield f"links[{number}]: {found}"
    notices = settings.notices
    if not os.environ.get(notices.urls_env):
        yield (
            f"{notices.urls_env} is not set in this terminal: alarms would be kept but sent to nobody; "
            f"export {notices.urls_env}='…' sets it (docs/notices.md, 'Targets')"
        )
    for url in split_urls(os.environ.get(notices.urls_env, "")):
        if fault := address_fault(url):
            yield f"{notices.urls_env}: target {masked(url)}: {fault}; nothing can be sent there"
    if not os.environ.get(notices.heartbeat_url_env):
        yield (
            f"{notices.heartbeat_url_env} is not set in this terminal: nobody would notice if this computer "
            "stopped (docs/notices.md, 'Targets')"
        )
    for name in notices.wake_for:
        if name not in RATIONALE:
            yield f"notices.wake_for: there is no alarm {name!r}; known are {', '.join(RATIONALE)}"
    folder = settings.store_path().parent
    if not folder.is_dir():
        yield f"store.path: the folder {folder} is not there; make it"
    elif not os.access(folder, os.W_OK):
        yield f"store.path: this user can't write to {folder}"
    yield from _learnt(settings)
    if settings.store.kind == "influxdb":
        yield from _server(settings)


def _learnt(settings: Settings) -> Iterator[str]:
    """What the tanks have taught where a setting is missing."""
    path = settings.store_path()
    if not path.exists():
        return
    from rushlight.analysis.views.learnt_text import offers
    from rushlight.analysis.watch.learnt import learnt
    from rushlight.analysis.watch.saved import watch_of
    from rushlight.collector.store.embedded import EmbeddedStore

    try:
        with closing(EmbeddedStore(path, read_only=True)) as store:
            for name, tank in settings.tanks.items():
                # what can't be read has taught nothing: the service learns anew
                watch, _ = watch_of(name, tank, store)
                for offer in offers(tank, learnt(watch)):
                    yield f"tanks.{name}: {offer}"
    except StoreError:
        return  # no store that can be read


def _server(settings: Settings) -> Iterator[str]:
    from rushlight.collector.influx.reader import InfluxReadings

    try:
        with closing(InfluxReadings(settings.store)) as server:
            server.tanks()
    except RushlightError as error:
        yield f"store: {error}; until then readings wait in {settings.store_path()}"


def _port(link: SerialLink) -> str | None:
    if "://" in link.port or os.name != "posix":
        return None
    if not Path(link.port).exists():
        return f"{link.port} is not there now; not plugged in, or another name? See /dev/serial/by-id/"
    if not os.access(link.port, os.R_OK | os.W_OK):
        return f"{link.port}: this user has no right to it; add the user to the port's group, often 'dialout'"
    return None


def _broker(link: MqttLink) -> str | None:
    for name in (link.username_env, link.password_env):
        if name is not None and name not in os.environ:
            return f"{name} is not set in this terminal, and `run` needs it: export {name}='…'"
    try:
        with socket.create_connection((link.host, link.port), _ANSWER_S):
            return None
    except OSError as error:
        return f"no broker answers at {link.host}:{link.port} ({error.strerror or error}); is it running?"
