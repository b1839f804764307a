"""The commented settings file that `rushlight init` writes."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from rushlight.collector.settings import MqttLink, SerialLink
from rushlight.collector.units import GALLON_L, Display, fahrenheit

__all__ = ["Answers", "settings_text"]


class Answers(NamedTuple):
    """What was asked; None where it was left open. `map`: quantity -> (topic, field)."""

    link: SerialLink | MqttLink
    name: str
    title: str
    litres: float
    timezone: str
    low_c: float
    high_c: float
    started: datetime.date | None = None
    active_soil: bool = False
    kh: float | None = None
    heater_c: float | None = None
    heater_watts: float | None = None
    lamp_on: str | None = None
    lamp_off: str | None = None
    co2: str | None = None
    co2_limit: float = 30.0
    map: Mapping[str, tuple[str, str]] = {}
    units: Display = "metric"


def settings_text(answers: Answers) -> str:
    """TOML with a word beside each key."""
    return "\n".join([*_link(answers), *_display(answers), *_tank(answers)]) + "\n"


def _display(answers: Answers) -> Iterator[str]:
    if answers.units == "us":
        yield ""
        yield "[display]"
        yield 'units = "us"                # °F and gallons, shown and typed'


def _celsius(answers: Answers, value: float) -> str:
    """As it was typed: a key takes "75 F", too."""
    return f'"{fahrenheit(value):.4g} F"' if answers.units == "us" else f"{value:g}"


def _litres(answers: Answers) -> str:
    return f'"{answers.litres / GALLON_L:.4g} gal"' if answers.units == "us" else f"{answers.litres:g}"


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _link(answers: Answers) -> Iterator[str]:
    link = answers.link
    yield "# Rushlight's settings. `rushlight check` says what is wrong in them; all keys: docs/settings.md"
    yield ""
    yield "[[links]]"
    if isinstance(link, SerialLink):
        yield 'kind = "serial"'
        yield f"port = {_text(link.port)}"
        yield f"baud = {link.baud}"
        return
    yield 'kind = "mqtt"'
    yield f"host = {_text(link.host)}"
    yield f"port = {link.port}"
    if link.username:
        yield f"username = {_text(link.username)}"
    if link.password_env:
        yield f"password_env = {_text(link.password_env)}   # the password itself stays in the environment"
    for quantity, (topic, field) in answers.map.items():
        yield "[[links.map]]"
        yield f"topic = {_text(topic)}"
        yield f"tank = {_text(answers.name)}"
        yield f"quantity = {_text(quantity)}"
        if field:
            yield f"field = {_text(field)}"


def _tank(answers: Answers) -> Iterator[str]:
    path = f"tanks.{_text(answers.name)}" if not answers.name.isalnum() else f"tanks.{answers.name}"
    yield ""
    yield f"[{path}]"
    yield f"title = {_text(answers.title)}"
    yield f"volume_litres = {_litres(answers)}          # the water in it"
    yield f"timezone = {_text(answers.timezone)}   # all times of day below are by it"
    if answers.started is not None:
        yield f"started = {answers.started}      # a new tank: `rushlight status` says what is due"
    yield ""
    yield f"[{path}.livestock]"
    yield f"temperature_low_c = {_celsius(answers, answers.low_c)}      # what the animals bear"
    yield f"temperature_high_c = {_celsius(answers, answers.high_c)}"
    yield f"co2_limit_mg_l = {answers.co2_limit:g}"
    if answers.kh is not None or answers.active_soil:
        yield ""
        yield f"[{path}.water]"
        if answers.kh is not None:
            yield f"carbonate_hardness_dkh = {answers.kh:g} # KH by a drop test: CO2 is estimated with it"
        if answers.active_soil:
            yield "active_soil = true          # it takes up hardness: test KH often"
    if answers.heater_c is not None:
        yield ""
        yield f"[{path}.heater]"
        yield f"setpoint_c = {_celsius(answers, answers.heater_c)}             # what its dial is set to"
        if answers.heater_watts is not None:
            yield f"watts = {answers.heater_watts:g}"
    if answers.lamp_on and answers.lamp_off:
        yield ""
        yield f"[{path}.light]"
        yield f"on = {_text(answers.lamp_on)}                # what its timer is set to"
        yield f"off = {_text(answers.lamp_off)}"
    if answers.co2:
        yield ""
        yield f"[{path}.co2]"
        yield f"source = {_text(answers.co2)}"
