"""Every key of the settings file, from its types: for docs/settings.md."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from typing import Any

import msgspec

from rushlight.collector.settings import MqttLink, SerialLink, Settings

MEANINGS: dict[str, str] = {
    "links.serial.port": "the port, by a name that stays when it is plugged in again (`ls "
    "/dev/serial/by-id/`), or a pyserial URL",
    "links.serial.baud": "its speed; the boards here send at 115200",
    "links.mqtt.host": "name or address of the broker",
    "links.mqtt.port": "its port; 8883 is taken as TLS",
    "links.mqtt.username": "the user name at the broker",
    "links.mqtt.username_env": "in its place: the environment variable that holds the user name",
    "links.mqtt.password_env": "the environment variable that holds the password",
    "links.mqtt.tls_ca": "PEM file of the authority that signed the broker's certificate",
    "links.mqtt.tls_certificate": "PEM file of this client's own certificate",
    "links.mqtt.tls_key": "PEM file of that certificate's key",
    "links.mqtt.protocol": "MQTT's version; with 5 the broker hands on more while the disk is full",
    "links.mqtt.client_id": "its name at the broker; each collector needs one of its own",
    "links.mqtt.alarms": "publish each alarm's state there, under `rushlight/TANK/alarms`",
    "links.mqtt.map.topic": "topic of firmware with topics of its own; `+` is allowed",
    "links.mqtt.map.tank": "the tank that the value belongs to",
    "links.mqtt.map.quantity": "`temperature`, `room_temperature`, `ph`, `ph_probe`, `light`, "
    "`heater_power`, `source_temperature` or `source_ph`",
    "links.mqtt.map.field": "dotted path to the number in a JSON payload; left out: the payload itself",
    "links.mqtt.map.unit": "unit of the number where it is not the quantity's own",
    "store.kind": "`influxdb`: the readings are copied to a server, too",
    "store.path": "the local file; from the folder of the settings",
    "store.url": "address of the server",
    "store.org": "organisation at the server (InfluxDB 2)",
    "store.bucket": "its bucket (InfluxDB 1: database)",
    "store.token_env": "the environment variable that holds its token",
    "store.keep_days.QUANTITY": "how long readings of a quantity are kept; left out: for ever",
    "store.keep_local_days": "how long readings stay in the local file once they are on the server",
    "tanks.NAME.title": "its name for people",
    "tanks.NAME.volume_litres": "the water in the tank",
    "tanks.NAME.timezone": "IANA name; all times of day of this tank are by it",
    "tanks.NAME.report_every_s": "how often its device reports",
    "tanks.NAME.started": "the day it was set up: for a month `status` and report say what is due",
    "tanks.NAME.water.carbonate_hardness_dkh": "KH by a drop test (1 dKH is 17.85 mg/L as CaCO3)",
    "tanks.NAME.water.tap_hardness_dkh": "KH of the water that is poured in, where it differs",
    "tanks.NAME.water.tap_temperature_c": "how warm that water is: the report then sees water changes by it",
    "tanks.NAME.water.general_hardness_dgh": "GH by a drop test: makes the CO2 estimate a little better",
    "tanks.NAME.water.conductivity_us_cm": "in place of GH: the conductivity at 25 °C",
    "tanks.NAME.water.active_soil": "the soil takes up hardness: KH falls between water changes",
    "tanks.NAME.water.degassed_ph": "pH of tank water left open for a day, or as it is before CO2 comes on",
    "tanks.NAME.water.ph_low": "the lowest pH that the animals bear; left out: 5.8",
    "tanks.NAME.water.ph_high": "the highest; left out: 8.6",
    "tanks.NAME.livestock.temperature_low_c": "the coldest that the animals bear",
    "tanks.NAME.livestock.temperature_high_c": "the warmest that they bear",
    "tanks.NAME.livestock.co2_limit_mg_l": "the most CO2 that they bear",
    "tanks.NAME.heater.setpoint_c": "what its dial is set to",
    "tanks.NAME.heater.watts": "its power, as printed on it",
    "tanks.NAME.cooler.setpoint_c": "water temperature at which it comes on",
    "tanks.NAME.cooler.kind": "a fan or a chiller",
    "tanks.NAME.light.on": "when the lamp's timer switches it on",
    "tanks.NAME.light.off": "and off",
    "tanks.NAME.light.tolerance_min": "how far off its timer may be",
    "tanks.NAME.light.ramp_min": "how long it takes to brighten; left out: seen from the readings",
    "tanks.NAME.light.periods": "in place of `on` and `off`, for several times a day: pairs of on and off",
    "tanks.NAME.light.weekend": "the same for Saturday and Sunday",
    "tanks.NAME.light.night_light": "a weak light by night is no fault",
    "tanks.NAME.co2.source": "what gives the gas; yeast and citric acid can't be turned off, which "
    "changes what to do",
    "tanks.NAME.co2.on": "when its timer opens the valve",
    "tanks.NAME.co2.off": "and closes it",
    "tanks.NAME.co2.control": "what switches it: a timer, nothing, or a pH controller",
    "tanks.NAME.co2.ph_setpoint": "what the pH controller is set to",
    "tanks.NAME.ph_calibration.calibrated": "day of the electrode's last calibration",
    "tanks.NAME.ph_calibration.points.ph": "pH of the buffer at its temperature",
    "tanks.NAME.ph_calibration.points.mv": "what the electrode gave in it, mV",
    "tanks.NAME.ph_calibration.points.temperature_c": "the buffer's temperature, °C",
    "notices.urls_env": "the environment variable with the addresses that alarms go to",
    "notices.resend_min": "after so long a high or critical alarm that nobody acknowledged is sent again",
    "notices.heartbeat_url_env": "the environment variable with the address that is called while all is well",
    "notices.heartbeat_min": "how often it is called",
    "notices.quiet_from": "from when to be quiet; what can kill before the end is sent all the same",
    "notices.quiet_to": "until when; the two are given together",
    "notices.quiet_timezone": "time zone of these two; left out: the first tank's",
    "notices.wake_for": "alarms that are sent in the quiet hours whatever they are",
    "notices.picture": "send the alarm's curve along where the channel takes one",
    "notices.picture_wait_s": "how long a notice waits for its picture at most",
    "display.units": "what people are shown: °C and litres, or °F, gallons and ppm beside degrees",
    "notices.second_urls_env": "the environment variable with the addresses of those who are asked next",
    "notices.second_min": "they are asked after so long without an answer to a high or critical alarm",
    "status_page.enabled": "serve the page",
    "status_page.host": "`127.0.0.1`: this computer only; `0.0.0.0`: all in the network, and a "
    "password must be set",
    "status_page.port": "its port; 0: any that is free",
    "status_page.hosts": "other names by which browsers open it",
    "status_page.url": "the address that people use; notices link to it",
    "status_page.tls_certificate": "PEM file of the page's certificate, with those that signed it; "
    "the page is then https",
    "status_page.tls_key": "PEM file of the certificate's key",
    "status_page.proxies": "addresses or networks of proxies before the page; "
    "their `X-Forwarded-For` is believed",
}
"""Dotted key: what it is, for who writes the file."""

EXAMPLES: dict[str, str] = {
    "links.serial.port": '"/dev/serial/by-id/usb-your-board"',
    "links.serial.baud": "115200",
    "links.mqtt.host": '"broker.lan"',
    "links.mqtt.port": "8883",
    "links.mqtt.username": '"collector"',
    "links.mqtt.username_env": '"RUSHLIGHT_MQTT_USER"',
    "links.mqtt.password_env": '"RUSHLIGHT_MQTT_PASSWORD"',
    "links.mqtt.tls_ca": '"ca.pem"',
    "links.mqtt.tls_certificate": '"collector.pem"',
    "links.mqtt.tls_key": '"collector-key.pem"',
    "links.mqtt.client_id": '"collector-upstairs"',
    "links.mqtt.map.topic": '"shed/probe1/t"',
    "links.mqtt.map.tank": '"porch"',
    "links.mqtt.map.quantity": '"temperature"',
    "links.mqtt.map.field": '"reading.value"',
    "store.path": '"/var/lib/rushlight/rushlight.db"',
    "store.url": '"http://localhost:8086"',
    "store.org": '"home"',
    "store.bucket": '"tanks"',
    "store.token_env": '"RUSHLIGHT_INFLUX_TOKEN"',
    "store.keep_days.QUANTITY": "400",
    "store.keep_local_days": "60",
    "tanks.NAME.title": '"Tank on the porch"',
    "tanks.NAME.volume_litres": '60, or "20 gal"',
    "tanks.NAME.timezone": '"Europe/Helsinki"',
    "tanks.NAME.report_every_s": "30",
    "tanks.NAME.started": "2026-03-01",
    "tanks.NAME.water.carbonate_hardness_dkh": '4.0, or "71 ppm"',
    "tanks.NAME.water.tap_hardness_dkh": "9",
    "tanks.NAME.water.tap_temperature_c": '12, or "54 F"',
    "tanks.NAME.water.general_hardness_dgh": '8, or "143 ppm"',
    "tanks.NAME.water.conductivity_us_cm": "320",
    "tanks.NAME.water.degassed_ph": "7.6",
    "tanks.NAME.water.ph_low": "6.2",
    "tanks.NAME.water.ph_high": "7.8",
    "tanks.NAME.livestock.temperature_low_c": '20, or "68 F"',
    "tanks.NAME.livestock.temperature_high_c": '26, or "79 F"',
    "tanks.NAME.livestock.co2_limit_mg_l": "25",
    "tanks.NAME.heater.setpoint_c": '23.5, or "74 F"',
    "tanks.NAME.heater.watts": "75",
    "tanks.NAME.cooler.setpoint_c": "26",
    "tanks.NAME.light.on": '"12:00"',
    "tanks.NAME.light.off": '"20:00"',
    "tanks.NAME.light.tolerance_min": "15",
    "tanks.NAME.light.ramp_min": "30",
    "tanks.NAME.light.periods": '[["10:00", "13:30"], ["16:00", "20:30"]]',
    "tanks.NAME.light.weekend": '[["11:00", "21:00"]]',
    "tanks.NAME.co2.on": '"10:30"',
    "tanks.NAME.co2.off": '"19:00"',
    "tanks.NAME.co2.ph_setpoint": "6.7",
    "tanks.NAME.ph_calibration.calibrated": "2026-03-01",
    "tanks.NAME.ph_calibration.points.ph": "6.88",
    "tanks.NAME.ph_calibration.points.mv": "4.1",
    "tanks.NAME.ph_calibration.points.temperature_c": "20.0",
    "notices.urls_env": '"RUSHLIGHT_NOTICE_URLS"',
    "notices.resend_min": "30",
    "notices.heartbeat_url_env": '"RUSHLIGHT_HEARTBEAT_URL"',
    "notices.quiet_from": '"23:00"',
    "notices.quiet_to": '"07:00"',
    "notices.quiet_timezone": '"Europe/Helsinki"',
    "notices.wake_for": '["co2-overdose", "light-missing"]',
    "notices.second_urls_env": '"RUSHLIGHT_SECOND_NOTICE_URLS"',
    "notices.second_min": "30",
    "status_page.host": '"0.0.0.0"',
    "status_page.hosts": '["tanks.lan"]',
    "status_page.url": '"https://tanks.lan:8742"',
    "status_page.tls_certificate": '"page.pem"',
    "status_page.tls_key": '"page-key.pem"',
    "status_page.proxies": '["127.0.0.1"]',
}
"""Dotted key: a value as it is written in the file, `tests/test_readme.py` reads them all."""


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
        rows = tables.setdefault(
            head, ["| key | what it is | allowed | if left out | example |", "|---|---|---|---|---|"]
        )
        example = ", or ".join(f"`{value}`" for value in EXAMPLES.get(key, "").split(", or ") if value)
        rows.append(f"| `{name}` | {MEANINGS[key]} | {_allowed(hint)} | {said} | {example} |")
    return "\n\n".join("\n".join([f"## {_title(head)}", "", *rows]) for head, rows in tables.items())


def _title(head: str) -> str:
    if head.startswith("links."):
        _, kind, *rest = head.split(".")
        return f"`[[links.{rest[0]}]]`" if rest else f'`[[links]]` with `kind = "{kind}"`'
    return f"`[[{head}]]`" if head.endswith(".points") else f"`[{head}]`"
