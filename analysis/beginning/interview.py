"""The questions of `rushlight init`, with a sensible answer offered for each."""

from __future__ import annotations

import datetime
import os
import re
import shlex
import socket
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.beginning.heard_devices import Heard, hear, serial_ports
from rushlight.analysis.beginning.settings_text import Answers, settings_text
from rushlight.collector.errors import LinkLost, SettingsError
from rushlight.collector.readings import QUANTITIES, TANK_NAME
from rushlight.collector.settings import MqttLink, SerialLink, parse_settings
from rushlight.collector.store.files import open_private

__all__ = ["Desk", "interview"]

_PORT = 1883


class Desk(NamedTuple):
    """`say` shows a line; `ask` asks with an answer offered ("" for none); `secret` asks without showing."""

    say: Callable[[str], None]
    ask: Callable[[str, str], str]
    secret: Callable[[str], str]


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
    offered = ports[0] if ports else "localhost" if broker else ""
    while True:
        where = desk.ask("Where does your board report? A serial port, or the name of a broker", offered)
        if not where:
            continue
        serial = "/" in where or where.upper().startswith("COM")
        link = SerialLink(port=where) if serial else _broker(desk, where)
        desk.say(f"Listening for up to {seconds:.0f} s …")
        try:
            heard = hear(link, seconds, desk.say, base)
        except (LinkLost, SettingsError) as error:
            desk.say(f"{error}")
            continue
        if heard.tanks or heard.topics:
            return link, heard
        desk.say(heard.wrong or "nothing came; is the board on, and its cable in?")
        if desk.ask("Go on without it (yes or no)?", "no").lower().startswith("y"):
            return link, heard


def _broker(desk: Desk, where: str) -> MqttLink:
    host, _, number = where.partition(":")
    link = MqttLink(host=host, port=int(number) if number.isdigit() else _PORT)
    user = desk.ask("The broker's user name, if it wants one", "")
    if user:
        link.username, link.password_env = user, "RUSHLIGHT_MQTT_PASSWORD"
        os.environ.setdefault(
            "RUSHLIGHT_MQTT_PASSWORD", desk.secret("Its password (not written into the settings)")
        )
    return link


def _answers(host: str, port: int) -> bool:
    try:
        with socket.create_connection((host, port), timeout=0.5):
            return True
    except OSError:
        return False


def _about(desk: Desk, link: SerialLink | MqttLink, heard: Heard, today: datetime.date) -> Answers:
    names = sorted(heard.tanks)
    for name in names:
        for quantity, value in heard.tanks[name].items():
            info = QUANTITIES[quantity]
            shown = "no value" if value is None else f"{value:.{info.decimals}f} {info.printed_unit}".rstrip()
            desk.say(f"  {name}: {info.title} {shown}")
    name = _checked(
        desk, "The tank's name, as the board sends it", names[0] if names else "tank", TANK_NAME.fullmatch
    )
    mapped = {} if names else _mapped(desk, heard)
    seen = set(heard.tanks.get(name, {})) | set(mapped)
    title = desk.ask("Its name for people", name)
    litres = _number(desk, "Litres of water in it", "60", 0.1, 100_000)
    timezone = _checked(desk, "Time zone", _local_zone(), lambda text: text in available_timezones())
    low = _number(desk, "The coldest that the animals bear, °C", "20", -2, 45)
    high = _number(desk, "The warmest, °C", "27", low + 0.1, 45)
    new = desk.ask("Is it a new tank (yes or no)?", "no").lower().startswith("y")
    started = None
    if new:
        text = _checked(desk, "Started on which day?", today.isoformat(), _is_day)
        started = datetime.date.fromisoformat(text)
    soil = (
        desk.ask("Does its soil take up hardness: an active soil (yes or no)?", "no").lower().startswith("y")
    )
    kh = None
    if seen & {"ph", "ph_probe"}:
        kh = _optional(desk, "KH by a drop test, dKH (leave empty if not known)", 0.01, 40)
    heater = _optional(desk, "The heater's setpoint, °C (empty: no heater)", 0.1, 44.9)
    watts = None if heater is None else _optional(desk, "Its watts (empty if not known)", 0.1, 20_000)
    on = off = None
    if "light" in seen:
        on = _checked(desk, "The lamp's timer: on at", "12:00", _is_time)
        off = _checked(desk, "off at", "20:00", _is_time)
    co2 = desk.ask("CO2: none, cylinder, yeast or citric-acid", "none").lower()
    known = co2 if co2 in ("cylinder", "yeast", "citric-acid") else None
    if known:
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
        known,
        map=mapped,
    )


def _mapped(desk: Desk, heard: Heard) -> dict[str, tuple[str, str]]:
    """Firmware with topics of its own: which is which?"""
    found: dict[str, tuple[str, str]] = {}
    for (topic, field), value in sorted(heard.topics.items())[:40]:
        where = f"{topic} {field}".strip()
        said = desk.ask(f"{where} = {value:g}: which of {', '.join(QUANTITIES)}, or none", "none")
        if said in QUANTITIES:
            found[said] = (topic, field)
    return found


def _checked(desk: Desk, text: str, offered: str, right: Callable[[str], object]) -> str:
    while True:
        said = desk.ask(text, offered).strip()
        if right(said):
            return said
        desk.say(f"{said!r} can't be; try again, as {offered}")


def _number(desk: Desk, text: str, offered: str, low: float, high: float) -> float:
    while True:
        try:
            value = float(desk.ask(text, offered).replace(",", "."))
        except ValueError:
            desk.say("write a number")
            continue
        if low <= value <= high:
            return value
        desk.say(f"from {low:g} to {high:g}")


def _optional(desk: Desk, text: str, low: float, high: float) -> float | None:
    while True:
        said = desk.ask(text, "").strip().replace(",", ".")
        if not said:
            return None
        try:
            value = float(said)
        except ValueError:
            desk.say("write a number, or nothing")
            continue
        if low <= value <= high:
            return value
        desk.say(f"from {low:g} to {high:g}, or nothing")


def _is_day(text: str) -> bool:
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _is_time(text: str) -> bool:
    return re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text) is not None


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
    """The address holds a secret: it goes into a file for this user alone."""
    desk.say(
        "Where shall alarms go? An address as the apprise library has it: mailto://…, tgram://… "
        "(docs/notices.md)"
    )
    address = desk.secret("Address (empty: later)").strip()
    if not address:
        desk.say("Without an address nobody is told of an alarm; set RUSHLIGHT_NOTICE_URLS later.")
        return None
    path = target.with_name("rushlight.env")
    kept = {"RUSHLIGHT_NOTICE_URLS": address}
    if os.environ.get("RUSHLIGHT_MQTT_PASSWORD"):
        kept["RUSHLIGHT_MQTT_PASSWORD"] = os.environ["RUSHLIGHT_MQTT_PASSWORD"]
    lines = [f"{name}={shlex.quote(value)}" for name, value in kept.items()]  # a shell reads it, too
    try:
        handle = open_private(path)
    except OSError as error:
        raise SettingsError(f"{path}: can't be written ({error.strerror}); is it there already?") from None
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
    os.environ["RUSHLIGHT_NOTICE_URLS"] = address
    desk.say(f"{path}: written, for you alone.")
    return path
