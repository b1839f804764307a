"""The questions of `rushlight init`, with a sensible answer offered for each."""

from __future__ import annotations

import datetime
import os
import shlex
import socket
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.beginning.asking import (
    Desk,
    checked,
    choice,
    is_day,
    is_units,
    local_units,
    number,
    optional,
    time_of_day,
    time_zone,
    yes,
)
from rushlight.analysis.beginning.heard_devices import Heard, hear, is_usb, serial_ports
from rushlight.analysis.beginning.settings_text import Answers, settings_text
from rushlight.collector.errors import LinkLost, SettingsError
from rushlight.collector.readings import QUANTITIES, TANK_NAME
from rushlight.collector.settings import MqttLink, SerialLink, parse_settings
from rushlight.collector.store.files import open_private
from rushlight.collector.units import shown

__all__ = ["Desk", "interview"]

_PORT = 1883
_PASSWORD = "RUSHLIGHT_MQTT_PASSWORD"


def interview(
    target: Path, desk: Desk, port: str | None, seconds: float, today: datetime.date
) -> Path | None:
    """Ask, listen, and write the settings; the file with the notice address where one was given.

    Raises
    ------
    SettingsError
        The file is there already, or can't be written. Nothing is overwritten.
    """
    if target.exists():
        raise SettingsError(f"{target}: is there already; edit it, or name another with --config")
    desk.say("A few questions; Enter takes the answer in brackets. Nothing is switched, only watched.")
    desk.say(CAUTIONS["electrical"])
    link, heard = _device(desk, port, seconds, target.parent)
    answers = _about(desk, link, heard, today)
    text = settings_text(answers)
    parse_settings(text, str(target))  # what was asked for is checked as any settings are
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise SettingsError(f"{target}: can't be written ({error.strerror}); name another folder") from None
    desk.say(f"{target}: written.")
    return _notices(desk, target)


def _device(desk: Desk, port: str | None, seconds: float, base: Path) -> tuple[SerialLink | MqttLink, Heard]:
    ports = [port] if port else serial_ports()
    for one in ports:
        desk.say(f"found the serial port {one}")
    broker = _answers("localhost", _PORT)
    if broker:
        desk.say("found a broker on this machine")
    first = ports[0] if ports and (port or is_usb(ports[0])) else ""
    offered = first or ("localhost" if broker else "")
    while True:
        question = "Where does your board report? A serial port, or a broker as HOST or HOST:PORT"
        where = desk.ask(question, offered).strip()
        if not where:
            continue
        serial = "/" in where or where.upper().startswith("COM")
        link = SerialLink(port=where) if serial else _broker(desk, where)
        desk.say(f"Listening for up to {seconds:.0f} s …")
        said: list[str] = []

        def once(text: str, said: list[str] = said) -> None:
            if text not in said:  # a broker that refuses does so at each new try
                said.append(text)
                desk.say(text)

        try:
            heard = hear(link, seconds, once, base)
        except (LinkLost, SettingsError) as error:
            desk.say(f"{error}")
            continue
        if heard.tanks or heard.topics:
            return link, heard
        if heard.refused:
            continue
        desk.say(heard.wrong or "nothing came; is the board on, and its cable in?")
        if yes(desk, "Go on without it"):
            return link, heard


def _broker(desk: Desk, where: str) -> MqttLink:
    host, _, number = where.partition(":")
    link = MqttLink(host=host, port=int(number) if number.isdigit() else _PORT)
    user = desk.ask("The broker's user name (empty: it wants none)", "").strip()
    if user:
        link.username, link.password_env = user, _PASSWORD
        password = desk.secret("Its password (not shown while you type; not written into the settings)")
        if password:
            os.environ[_PASSWORD] = password
    return link


def _answers(host: str, port: int) -> bool:
    try:
        with socket.create_connection((host, port), timeout=0.5):
            return True
    except OSError:
        return False


def _about(desk: Desk, link: SerialLink | MqttLink, heard: Heard, today: datetime.date) -> Answers:
    us = checked(desk, "Units: metric (°C, litres) or us (°F, gallons)", local_units(), is_units) == "us"
    degree, offered = ("°F", ("68", "81")) if us else ("°C", ("20", "27"))
    names = sorted(heard.tanks)
    for name in names:
        for quantity, value in heard.tanks[name].items():
            info = QUANTITIES[quantity]
            text = "no value" if value is None else f"{value:.{info.decimals}f} {info.printed_unit}".rstrip()
            desk.say(shown(f"  {name}: {info.title} {text}", "us" if us else "metric"))
    name = checked(
        desk, "The tank's name, as the board sends it", names[0] if names else "tank", TANK_NAME.fullmatch
    )
    mapped = {} if names else _mapped(desk, heard)
    seen = set(heard.tanks.get(name, {})) | set(mapped)
    title = desk.ask("Its name for people", name)
    litres = number(
        desk,
        "Gallons of water in it" if us else "Litres of water in it",
        "15" if us else "60",
        (0.1, 100_000),
        "L",
        us,
    )
    timezone = time_zone(desk, "Time zone", _local_zone())
    low = number(desk, f"The coldest that the animals bear, {degree}", offered[0], (-2, 45), "°C", us)
    high = number(desk, f"The warmest, {degree}", offered[1], (low + 0.1, 45), "°C", us)
    started = None
    if yes(desk, "Is it a new tank"):
        text = checked(desk, "Started on which day?", today.isoformat(), is_day)
        started = datetime.date.fromisoformat(text)
    soil = yes(desk, "Does its soil take up hardness: an active soil")
    kh = None
    if seen & {"ph", "ph_probe"}:
        kh = optional(
            desk, "KH by a drop test, dKH or as 71 ppm (leave empty if not known)", (0.01, 40), "dKH", us
        )
    heater = optional(desk, f"The heater's setpoint, {degree} (empty: no heater)", (0.1, 44.9), "°C", us)
    watts = None
    if heater is not None:
        watts = optional(desk, "Its watts (empty if not known)", (0.1, 20_000), "", us)
    on = off = None
    if "light" in seen:
        on = time_of_day(desk, "The lamp's timer: on at", "12:00")
        off = time_of_day(desk, "off at", "20:00")
    co2 = choice(desk, "CO2", ("none", "cylinder", "yeast", "citric-acid"))
    if co2 != "none":
        desk.say(CAUTIONS["gas"])
    return Answers(
        link,
        name,
        title,
        litres,
        timezone,
        low,
        high,
        started,
        soil,
        kh,
        heater,
        watts,
        on,
        off,
        None if co2 == "none" else co2,
        map=mapped,
        units="us" if us else "metric",
    )


def _mapped(desk: Desk, heard: Heard) -> dict[str, tuple[str, str]]:
    """Firmware with topics of its own: which is which?"""
    found: dict[str, tuple[str, str]] = {}
    for (topic, field), value in sorted(heard.topics.items())[:40]:
        said = choice(desk, f"{f'{topic} {field}'.strip()} = {value:g}: which is it", ("none", *QUANTITIES))
        if said != "none":
            found[said] = (topic, field)
    return found


def _local_zone() -> str:
    """The computer's own."""
    place = str(Path("/etc/localtime").resolve()).partition("zoneinfo/")[2]
    for name in (os.environ.get("TZ", ""), place):
        try:
            if name and name in available_timezones():
                return ZoneInfo(name).key
        except (OSError, ValueError):
            continue
    return "UTC"


def _notices(desk: Desk, target: Path) -> Path | None:
    """The address and the broker's password are secrets: they go into a file for this user alone."""
    desk.say(
        "Where shall alarms go? An address as the apprise library has it: mailto://…, tgram://… "
        "(docs/notices.md)"
    )
    address = desk.secret("Address (not shown while you type; empty: later)").strip()
    kept = {"RUSHLIGHT_NOTICE_URLS": address} if address else {}
    if os.environ.get(_PASSWORD):
        kept[_PASSWORD] = os.environ[_PASSWORD]
    if address:
        os.environ["RUSHLIGHT_NOTICE_URLS"] = address
    path = _secrets(desk, target.with_name("rushlight.env"), kept) if kept else None
    if not address:
        where = path or target.with_name("rushlight.env")
        desk.say(
            f"Without an address nobody is told of an alarm. Later: "
            f"the line RUSHLIGHT_NOTICE_URLS='…' in {where}"
        )
    return path


def _secrets(desk: Desk, path: Path, kept: dict[str, str]) -> Path | None:
    lines = [f"{key}={shlex.quote(value)}" for key, value in kept.items()]  # a shell reads it, too
    try:
        handle = open_private(path)
    except OSError as error:
        desk.say(
            f"{path}: can't be written ({error.strerror}). Set these yourself before `rushlight run`: "
            f"{', '.join(kept)}"
        )
        return None
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
    desk.say(f"{path}: written, for you alone.")
    return path
