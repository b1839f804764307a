"""Every key of the settings file, from its types: for docs/settings.md."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from typing import Any

import msgspec

from rushlight.collector.settings import MqttLink, SerialLink, Settings

MEANINGS: dict[str, str] = {
    "links.serial.port": "the port: `/dev/ttyUSB0` or any pyserial URL",
    "links.serial.baud": "its speed",
    "links.mqtt.host": "the broker",
    "links.mqtt.port": "its port; 8883 is taken as TLS",
    "links.mqtt.username": "who logs in",
    "links.mqtt.username_env": "or the environment variable that holds it",
    "links.mqtt.password_env": "the environment variable that holds the password",
    "links.mqtt.tls_ca": "PEM file of who signs the broker's certificate",
    "links.mqtt.tls_certificate": "PEM file of this client's own certificate",
    "links.mqtt.tls_key": "PEM file of its key",
    "links.mqtt.protocol": "MQTT's version",
    "links.mqtt.client_id": "its name at the broker; each collector needs one of its own",
    "links.mqtt.alarms": "publish each alarm's state there, under `rushlight/TANK/alarms`",
    "links.mqtt.map.topic": "topic of firmware with topics of its own; `+` is allowed",
    "links.mqtt.map.tank": "whose value it is",
    "links.mqtt.map.quantity": "`temperature`, `room_temperature`, `ph`, `ph_probe`, `light`, "
    "`heater_power`, `source_temperature` or `source_ph`",
    "links.mqtt.map.field": "dotted path to the number in a JSON payload; left out: the payload itself",
    "links.mqtt.map.unit": "unit of the number where it is not the quantity's own",
    "store.kind": "`influxdb` copies to a server too",
    "store.path": "the local file",
    "store.url": "the server",
    "store.org": "its organisation (InfluxDB 2)",
    "store.bucket": "its bucket or database",
    "store.token_env": "the environment variable that holds its token",
    "store.keep_days.QUANTITY": "how long readings of a quantity are kept; left out: for ever",
    "store.keep_local_days": "how long readings stay in the local file once they are on the server",
    "tanks.NAME.title": "its name for people",
    "tanks.NAME.volume_litres": "the water in it",
    "tanks.NAME.timezone": "IANA name, as `Europe/Lisbon`: all its times of day are local",
    "tanks.NAME.report_every_s": "how often its device reports",
    "tanks.NAME.started": "the day it was set up: for a month `status` and report say what is due",
    "tanks.NAME.water.carbonate_hardness_dkh": "KH by a drop test (1 dKH is 17.85 mg/L as CaCO3)",
    "tanks.NAME.water.tap_hardness_dkh": "KH of the water that is poured in, where it differs",
    "tanks.NAME.water.tap_temperature_c": "how warm it is poured in: the report shows changes by it",
    "tanks.NAME.water.general_hardness_dgh": "GH, for the ionic strength",
    "tanks.NAME.water.conductivity_us_cm": "or the conductivity, for the same",
    "tanks.NAME.water.active_soil": "the soil takes up hardness: KH falls between water changes",
    "tanks.NAME.water.degassed_ph": "pH of tank water left open for a day, or as it is before CO2 comes on",
    "tanks.NAME.water.ph_low": "the lowest pH that is right",
    "tanks.NAME.water.ph_high": "the highest",
    "tanks.NAME.livestock.temperature_low_c": "the coldest that the animals bear",
    "tanks.NAME.livestock.temperature_high_c": "the warmest",
    "tanks.NAME.livestock.co2_limit_mg_l": "the most CO2",
    "tanks.NAME.heater.setpoint_c": "what its dial is set to",
    "tanks.NAME.heater.watts": "its power",
    "tanks.NAME.cooler.setpoint_c": "where the cooler comes on",
    "tanks.NAME.cooler.kind": "a fan or a chiller",
    "tanks.NAME.light.on": "when the lamp comes on, HH:MM",
    "tanks.NAME.light.off": "when it goes off",
    "tanks.NAME.light.tolerance_min": "how far off its timer may be",
    "tanks.NAME.light.ramp_min": "how long it takes to brighten; left out: seen from the readings",
    "tanks.NAME.light.periods": "pairs of on and off, in place of `on` and `off`: several a day",
    "tanks.NAME.light.weekend": "the same for Saturday and Sunday",
    "tanks.NAME.light.night_light": "a weak light by night is meant",
    "tanks.NAME.co2.source": "a reactor (yeast, citric acid) can't be turned off",
    "tanks.NAME.co2.on": "when a valve or timer opens it, HH:MM",
    "tanks.NAME.co2.off": "when it closes it",
    "tanks.NAME.co2.control": "a valve by the clock, never switched, or a pH controller",
    "tanks.NAME.co2.ph_setpoint": "what the pH controller is set to",
    "tanks.NAME.ph_calibration.calibrated": "day of the electrode's last calibration",
    "tanks.NAME.ph_calibration.points.ph": "a buffer's pH at that temperature",
    "tanks.NAME.ph_calibration.points.mv": "what the electrode gave in it",
    "tanks.NAME.ph_calibration.points.temperature_c": "the buffer's temperature",
    "notices.urls_env": "the environment variable with the addresses that alarms go to",
    "notices.resend_min": "when an alarm that nobody acknowledged (high or critical) is sent again",
    "notices.heartbeat_url_env": "the environment variable with the address that is called while all is well",
    "notices.heartbeat_min": "how often it is called",
    "notices.quiet_from": "from when to be quiet, HH:MM; what can kill before the end is sent all the same",
    "notices.quiet_to": "until when",
    "notices.quiet_timezone": "whose HH:MM; left out: the first tank's",
    "notices.wake_for": "alarms that are sent in the quiet hours whatever they are",
    "notices.picture": "send the alarm's curve along where the channel takes one",
    "notices.picture_wait_s": "how long a notice waits for it at most",
    "display.units": "what people are shown: °C and litres, or °F, gallons and ppm beside degrees",
    "notices.second_urls_env": "the environment variable with the addresses of who is asked next",
    "notices.second_min": "after so long without an answer to a high or critical alarm",
    "status_page.enabled": "serve the page",
    "status_page.host": "for whom: this machine only, or `0.0.0.0` for all that reach it",
    "status_page.port": "its port; 0: any that is free",
    "status_page.hosts": "other names by which a browser may open it",
    "status_page.url": "the address that people use, as `https://tanks.example`: notices link to it",
    "status_page.tls_certificate": "PEM file of its certificate, with those that signed it: https",
    "status_page.tls_key": "PEM file of the certificate's key",
    "status_page.proxies": "addresses or networks of proxies before it, whose `X-Forwarded-For` is believed",
}
"""Dotted key: what it is, for who writes the file."""


def keys() -> dict[str, tuple[Any, Any]]:
    """Dotted key: its type, and its default (`msgspec.NODEFAULT` where it must be given)."""
    found: dict[str, tuple[Any, Any]] = {}
    for kind, name in ((SerialLink, "serial"), (MqttLink, "mqtt")):
        found |= dict(_fields(kind, f"links.{name}"))
    found |= {key: value for key, value in _fields(Settings, "") if not key.startswith(("links", "path"))}
    return found


def _fields(kind: type[msgspec.Struct], prefix: str) -> Iterator[tuple[str, tuple[Any, Any]]]:
    hints = typing.get_type_hints(kind, include_extras=True)
    for field in msgspec.structs.fields(kind):
        key = f"{prefix}.{field.encode_name}" if prefix else field.encode_name
        default = field.default if field.default_factory is msgspec.NODEFAULT else field.default_factory()
        yield from _below(key, hints[field.name], default)


def _below(key: str, hint: Any, default: Any) -> Iterator[tuple[str, tuple[Any, Any]]]:
    inner = _bare(hint)
    arguments = typing.get_args(inner)
    if isinstance(inner, type) and issubclass(inner, msgspec.Struct):
        yield from _fields(inner, key)
    elif typing.get_origin(inner) is list and _is_table(arguments[0]):
        yield from _fields(_bare(arguments[0]), key)
    elif typing.get_origin(inner) is dict:
        name = "NAME" if _is_table(arguments[1]) else "QUANTITY"
        yield from _below(f"{key}.{name}", arguments[1], msgspec.NODEFAULT)
    else:
        yield key, (hint, default)


def _is_table(hint: Any) -> bool:
    bare = _bare(hint)
    return isinstance(bare, type) and issubclass(bare, msgspec.Struct)


def _bare(hint: Any) -> Any:
    """Without bounds and without "or None"."""
    if typing.get_origin(hint) is typing.Annotated:
        return _bare(typing.get_args(hint)[0])
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        rest = [one for one in typing.get_args(hint) if one is not type(None)]
        return _bare(rest[0]) if len(rest) == 1 else hint
    return hint


def _allowed(hint: Any) -> str:
    """Its bounds and unit, or its words."""
    parts: list[str] = []
    for found in _annotations(hint):
        low = next((v for v in (found.ge, found.gt) if v is not None), None)
        high = next((v for v in (found.le, found.lt) if v is not None), None)
        unit = (found.extra or {}).get("unit", "")
        if low is not None and high is not None:
            over = "over " if found.gt is not None else ""
            parts.append(f"{over}{_number(low)} to {_number(high)} {unit}".rstrip())
    bare = _bare(hint)
    if typing.get_origin(bare) is typing.Literal:
        parts.append(", ".join(f"`{word}`" for word in typing.get_args(bare)))
    elif not parts:
        parts.append({bool: "true or false", str: "text", float: "a number"}.get(bare, "list"))
    return "; ".join(parts) if "date" not in str(bare) else "a date"


def _number(value: float) -> str:
    return f"{value:.0f}" if value == int(value) else f"{value:g}"


def _annotations(hint: Any) -> Iterator[msgspec.Meta]:
    if typing.get_origin(hint) is typing.Annotated:
        yield from (one for one in typing.get_args(hint)[1:] if isinstance(one, msgspec.Meta))
    for inner in typing.get_args(hint):
        if typing.get_origin(hint) in (typing.Union, types.UnionType, typing.Annotated):
            yield from _annotations(inner)


def _default(default: Any) -> str:
    if default is msgspec.NODEFAULT:
        return "must be given"
    if default is None or default == [] or default == "":
        return ""
    if isinstance(default, bool):
        return str(default).lower()
    return ", ".join(map(str, default)) if isinstance(default, list) else f"{default}"


def settings_table() -> str:
    """One Markdown table for each table of the file; no line end at the end."""
    tables: dict[str, list[str]] = {}
    for key, (hint, default) in keys().items():
        head, _, name = key.rpartition(".")
        said = "" if name == "QUANTITY" else _default(default)
        rows = tables.setdefault(head, ["| key | allowed | if left out | what it is |", "|---|---|---|---|"])
        rows.append(f"| `{name}` | {_allowed(hint)} | {said} | {MEANINGS[key]} |")
    return "\n\n".join("\n".join([f"## {_title(head)}", "", *rows]) for head, rows in tables.items())


def _title(head: str) -> str:
    if head.startswith("links."):
        _, kind, *rest = head.split(".")
        return f"`[[links.{rest[0]}]]`" if rest else f'`[[links]]` with `kind = "{kind}"`'
    return f"`[[{head}]]`" if head.endswith(".points") else f"`[{head}]`"
