"""The questions of `rushlight init`, with a sensible answer offered for each."""

from __future__ import annotations

import datetime
import os
import shlex
import socket
from pathlib import Path

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.beginning.heard_devices import Heard, hear, is_usb, serial_ports
from rushlight.analysis.beginning.questions import (
    Amount,
    Desk,
    amount,
    choice,
    day,
    named,
    number,
    time_of_day,
    time_zone,
    yes,
)
from rushlight.analysis.beginning.settings_text import Answers, settings_text
from rushlight.collector.errors import LinkLost, SettingsError
from rushlight.collector.readings import QUANTITIES, TANK_NAME
from rushlight.collector.settings import MqttLink, SerialLink, parse_settings
from rushlight.collector.store.files import open_private

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
        where = desk.ask(
            "Where does your board report? A serial port, or the name of a broker (HOST or HOST:PORT)",
            offered,
        ).strip()
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
    host, _, port = where.partition(":")
    link = MqttLink(host=host, port=int(port) if port.isdigit() else _PORT)
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
    names = sorted(heard.tanks)
    for name in names:
        for quantity, value in heard.tanks[name].items():
            info = QUANTITIES[quantity]
            shown = "no value" if value is None else f"{value:.{info.decimals}f} {info.printed_unit}".rstrip()
            desk.say(f"  {name}: {info.title} {shown}")
    tank = named(
        desk,
        "The tank's name, as the board sends it",
        names[0] if names else "tank",
        TANK_NAME.fullmatch,
        "letters, digits, _ - and . only",
    )
    mapped = {} if names else _mapped(desk, heard)
    seen = set(heard.tanks.get(tank, {})) | set(mapped)
    title = desk.ask("Its name for people", tank)
    litres = _given(desk, 'Litres of water in it, or as "20 gal"', "60", "L", 0.1, 100_000)
    timezone = time_zone(desk, "Time zone")
    low = _given(desk, 'The coldest that the animals bear, °C, or as "68 F"', "20", "°C", -2, 45)
    high = _given(desk, "The warmest, °C", "27", "°C", low.value + 0.1, 45)
    started = None
    if yes(desk, "Is it a new tank"):
        started = day(desk, "Started on which day?", today)
    soil = yes(desk, "Does its soil take up hardness: an active soil")
    kh = None
    if seen & {"ph", "ph_probe"}:
        kh = amount(desk, 'KH by a drop test, dKH, or as "71 ppm" (empty: not known)', "", "dKH", 0.01, 40)
    heater = amount(desk, "The heater's setpoint, °C (empty: no heater)", "", "°C", 0.1, 44.9)
    watts = None if heater is None else number(desk, "Its watts (empty: not known)", 0.1, 20_000)
    on = off = None
    if "light" in seen:
        on = time_of_day(desk, "The lamp's timer: on at", "12:00")
        off = time_of_day(desk, "off at", "20:00")
    co2 = choice(desk, "CO2", ("none", "cylinder", "yeast", "citric-acid"))
    if co2 != "none":
        desk.say(CAUTIONS["gas"])
    return Answers(
        link,
        tank,
        title,
        litres.value,
        timezone,
        low.value,
        high.value,
        started,
        soil,
        None if kh is None else kh.value,
        None if heater is None else heater.value,
        watts,
        on,
        off,
        None if co2 == "none" else co2,
        map=mapped,
        us=litres.us or low.us or high.us or (heater is not None and heater.us),
    )


def _given(desk: Desk, text: str, offered: str, unit: str, low: float, high: float) -> Amount:
    """One that can't be left open."""
    while True:
        found = amount(desk, text, offered, unit, low, high)
        if found is not None:
            return found


def _mapped(desk: Desk, heard: Heard) -> dict[str, tuple[str, str]]:
    """Firmware with topics of its own: which is which?"""
    found: dict[str, tuple[str, str]] = {}
    for (topic, field), value in sorted(heard.topics.items())[:40]:
        said = choice(desk, f"{f'{topic} {field}'.strip()} = {value:g}: which is it", ("none", *QUANTITIES))
        if said != "none":
            found[said] = (topic, field)
    return found


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
