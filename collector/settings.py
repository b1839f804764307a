"""`rushlight.toml` into typed settings; every error names the file and the key and says what to do.

The keys are those of the contract's section 3. Additions: `[store] keep_days, keep_local_days`,
`[tanks.X.ph_calibration]`, `[tanks.X.water] air_co2_ppm`, `[status_page]`,
`[notices] quiet_from, quiet_to, quiet_timezone, wake_for, picture, picture_wait_s`.
"""

from __future__ import annotations

import difflib
import functools
import math
import os
import re
import tomllib
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

import msgspec

from collector.errors import SettingsError
from collector.readings import QUANTITIES

__all__ = [
    "CalibrationPoint",
    "CarbonDioxideSettings",
    "CoolerSettings",
    "HeaterSettings",
    "LightSettings",
    "LivestockSettings",
    "MqttLink",
    "NoticeSettings",
    "PageSettings",
    "PhCalibration",
    "SerialLink",
    "Settings",
    "StoreSettings",
    "TankSettings",
    "TopicMap",
    "WaterSettings",
    "load_settings",
    "parse_settings",
    "parse_time_of_day",
]


class _Table(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """A table of the settings file: unknown keys are errors, so that a typing slip is not ignored."""


class SerialLink(_Table, tag_field="kind", tag="serial"):
    """A microcontroller on a serial port (any pyserial URL)."""

    port: str
    baud: int = 115200


class TopicMap(_Table):
    """One topic of firmware that speaks its own way; `unit` may say "F" for °F or "klx"."""

    topic: str
    tank: str
    quantity: str
    field: str | None = None
    unit: Literal["Cel", "K", "F", "pH", "mV", "V", "lx", "klx", "W", "kW"] | None = None


class MqttLink(_Table, tag_field="kind", tag="mqtt"):
    """A broker. `protocol` is "5" or "3.1.1"; user and password come from the environment."""

    host: str = "localhost"
    port: int = 1883
    username: str | None = None
    username_env: str | None = None
    password_env: str | None = None
    tls_ca: str | None = None
    tls_certificate: str | None = None
    tls_key: str | None = None
    protocol: Literal["5", "3.1.1"] = "5"
    client_id: str = "rushlight-collector"
    map: list[TopicMap] = []

    def filters(self) -> list[str]:
        """What to subscribe to."""
        own = [entry.topic for entry in self.map]
        return list(dict.fromkeys(["rushlight/+/readings", "rushlight/+/device", *own]))


class StoreSettings(_Table):
    """Where readings are kept. `keep_days`: quantity to days; a quantity not named is kept for ever.

    `path` is the local file, with "influxdb" too: all goes there first, and readings stay in it for
    `keep_local_days` after they are on the server.
    """

    kind: Literal["embedded", "influxdb"] = "embedded"
    path: str = "rushlight.db"
    url: str | None = None
    org: str | None = None
    bucket: str | None = None
    token_env: str | None = None
    keep_days: dict[str, float] = {}
    keep_local_days: float = 30


class WaterSettings(_Table):
    """What is known of the water; KH in German degrees (1 dKH = 17.85 mg/L as CaCO3)."""

    carbonate_hardness_dkh: float | None = None
    degassed_ph: float | None = None
    ph_low: float | None = None
    ph_high: float | None = None


class LivestockSettings(_Table):
    """What the animals stand."""

    temperature_low_c: float
    temperature_high_c: float
    co2_limit_mg_l: float = 30.0


class HeaterSettings(_Table):
    setpoint_c: float | None = None
    watts: float | None = None


class CoolerSettings(_Table):
    setpoint_c: float | None = None
    kind: Literal["fan", "chiller"] = "fan"


class LightSettings(_Table):
    """The lamp's schedule, local time. `ramp_min` None: recognised from the data."""

    on: str | None = None
    off: str | None = None
    tolerance_min: float = 10
    ramp_min: float | None = None


class CarbonDioxideSettings(_Table):
    source: Literal["cylinder", "yeast", "citric-acid"] = "cylinder"
    on: str | None = None
    off: str | None = None


class CalibrationPoint(_Table):
    """One buffer: its pH at the temperature at which the electrode gave `mv`."""

    ph: float
    mv: float
    temperature_c: float = 25.0


class PhCalibration(_Table):
    points: list[CalibrationPoint] = []


class TankSettings(_Table):
    volume_litres: float
    timezone: str
    livestock: LivestockSettings
    title: str = ""
    report_every_s: float = 10
    water: WaterSettings = msgspec.field(default_factory=WaterSettings)
    heater: HeaterSettings | None = None
    cooler: CoolerSettings | None = None
    light: LightSettings | None = None
    co2: CarbonDioxideSettings | None = None
    ph_calibration: PhCalibration = msgspec.field(default_factory=PhCalibration)


class NoticeSettings(_Table):
    """Where alarms are sent, and when a person may be woken.

    Between `quiet_from` and `quiet_to` only the alarms of `wake_for` and critical ones are sent; the rest
    wait until `quiet_to`. `picture`: whether an alarm's curve goes with it where the channel can carry it;
    a notice waits `picture_wait_s` at most until it is drawn, which takes a slow machine some seconds.
    """

    urls_env: str = "RUSHLIGHT_NOTICE_URLS"
    resend_min: float = 15
    heartbeat_url_env: str = "RUSHLIGHT_HEARTBEAT_URL"
    heartbeat_min: float = 5
    quiet_from: str | None = None
    quiet_to: str | None = None
    quiet_timezone: str | None = None
    wake_for: list[str] = msgspec.field(default_factory=lambda: ["co2-overdose"])
    picture: bool = True
    picture_wait_s: float = 10


class PageSettings(_Table):
    """The status page: address and port, or switched off."""

    enabled: bool = True
    host: str = "127.0.0.1"
    port: int = 8742


class Settings(_Table):
    """The whole file. `path` is where it was read from, for messages and relative paths."""

    links: list[SerialLink | MqttLink] = []
    store: StoreSettings = msgspec.field(default_factory=StoreSettings)
    tanks: dict[str, TankSettings] = {}
    notices: NoticeSettings = msgspec.field(default_factory=NoticeSettings)
    status_page: PageSettings = msgspec.field(default_factory=PageSettings)
    path: str = "rushlight.toml"

    def store_path(self) -> Path:
        """The embedded store's file, relative to the settings file."""
        return Path(self.path).parent / self.store.path


_TANK_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}")
_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_PATH = re.compile(r" - at `\$(?P<path>[^`]*)`$")


@functools.lru_cache(maxsize=256)  # the detectors ask each minute
def parse_time_of_day(text: str) -> int:
    """HH:MM into minutes after midnight; ValueError otherwise."""
    match = _TIME.fullmatch(text)
    if not match:
        raise ValueError(f"{text!r} is not a time of day as HH:MM")
    return int(match[1]) * 60 + int(match[2])


def load_settings(path: str | os.PathLike[str]) -> Settings:
    """Read and check a settings file.

    Raises
    ------
    SettingsError
        With one line a fault: file, key, what is wrong, what to do.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsError(
            f"{path}: there is no such file; write one (README, 'Your own tank') or name it with --config"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{path}: can't be read ({error}); check the file's rights and encoding"
        ) from None
    return parse_settings(text, os.fspath(path))


def parse_settings(text: str, path: str = "rushlight.toml") -> Settings:
    """Settings from the text of a file; `path` is only for messages and relative paths."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: not valid TOML: {error}; mend that line") from None
    # TOML has nan and inf, and no comparison below would catch them
    faults = [f"{key}: must be a finite number" for key in _not_finite(data)]
    whole = None if faults else _convert(data, faults)
    if whole is not None:
        faults.extend(_check(whole))
    if faults:
        raise SettingsError("\n".join(f"{path}: {fault}" for fault in faults))
    assert whole is not None
    whole.path = path
    return whole


def _not_finite(data: Any, where: str = "") -> Iterator[str]:
    if isinstance(data, float) and not math.isfinite(data):
        yield where
    elif isinstance(data, dict):
        for key, value in data.items():
            yield from _not_finite(value, f"{where}.{key}" if where else key)
    elif isinstance(data, list):
        for number, value in enumerate(data, 1):
            yield from _not_finite(value, f"{where}[{number}]")


_PLAIN = {
    "float": "a number",
    "int": "a whole number",
    "str": "text in quotes",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "null": "nothing",
}


def _plain(message: str) -> str:
    """msgspec's "Expected `float | null`, got `str`" in the words of the file."""
    match = re.fullmatch(r"Expected `([^`]+)`(?:, got `([^`]+)`)?", message)
    if not match:
        return message.replace("`", "")
    wanted = [_PLAIN.get(name, name) for name in match[1].split(" | ") if name != "null"]
    got = (
        f", not {'a decimal' if match[2] == 'float' else _PLAIN.get(match[2], match[2])}" if match[2] else ""
    )
    return f"must be {' or '.join(wanted)}{got}"


def _choices(kind: Any, path: str) -> list[str]:
    """What may stand at `path` inside `kind`, where that is one of a few words."""
    *parts, name = [part for part in path.split(".") if part]
    tables = _tables(kind, parts)
    words = [str(t.__struct_config__.tag) for t in tables if t.__struct_config__.tag_field == name]
    for table in tables:
        hint = typing.get_type_hints(table).get(name)
        for part in (hint, *typing.get_args(hint)):
            if typing.get_origin(part) is Literal:
                words += typing.get_args(part)
    return words


def _tables(kind: Any, parts: list[str]) -> list[Any]:
    """The table types that may stand at a path inside `kind`."""
    if isinstance(kind, types.UnionType) or typing.get_origin(kind) is list:
        return [table for part in typing.get_args(kind) for table in _tables(part, parts)]
    if not (isinstance(kind, type) and issubclass(kind, msgspec.Struct)):
        return []
    if not parts:
        return [kind]
    hint = typing.get_type_hints(kind).get(re.sub(r"\[\d+\]", "", parts[0]))
    return _tables(hint, parts[1:])


def _convert(data: dict[str, Any], faults: list[str]) -> Settings | None:
    """Table by table, so that a message names the tank or link and one fault does not hide another."""
    tables: dict[str, Any] = {}
    known = [f for f in Settings.__struct_fields__ if f != "path"]
    for key, value in data.items():
        if key not in known:
            faults.append(f"{key}: unknown table{_guess(key, known)}")
        elif key == "tanks":
            if not isinstance(value, dict):
                faults.append("tanks: must be tables, as in [tanks.hallway]")
                continue
            tanks = {
                name: _one(table, TankSettings, f"tanks.{name}", faults) for name, table in value.items()
            }
            tables["tanks"] = {name: tank for name, tank in tanks.items() if tank is not None}
        elif key == "links":
            if not isinstance(value, list):
                faults.append("links: must be an array of tables, as in [[links]]")
                continue
            links = []
            for index, table in enumerate(value, 1):
                link = _one(table, SerialLink | MqttLink, f"links[{index}]", faults)
                if link is not None:
                    links.append(link)
            tables["links"] = links
        else:
            table_type = typing.get_type_hints(Settings)[key]
            converted = _one(value, table_type, key, faults)
            if converted is not None:
                tables[key] = converted
    return Settings(**tables) if not faults else None


def _one(table: Any, kind: Any, where: str, faults: list[str]) -> Any:
    try:
        # strict: "22" is not 22; whole numbers are taken where a decimal is meant
        return msgspec.convert(table, kind)
    except msgspec.ValidationError as error:
        message = str(error)
        match = _PATH.search(message)
        key = where
        if match:
            message = message[: match.start()]
            # people count from 1, as `where` does already
            path = match["path"].replace("[...]", "")
            key += re.sub(r"\[(\d+)\]", lambda m: f"[{int(m[1]) + 1}]", path)
        unknown = re.search(r"contains unknown field `([^`]+)`", message)
        missing = re.search(r"missing required field `([^`]+)`", message)
        if unknown:
            known = _fields_at(kind, key.removeprefix(where))
            faults.append(f"{key}.{unknown[1]}: unknown key{_guess(unknown[1], known)}")
        elif missing:
            faults.append(f"{key}.{missing[1]}: missing; this key must be given")
        else:
            wanted = _plain(message)
            words = _choices(kind, key.removeprefix(where)) if message.startswith("Invalid") else []
            advice = f"; write {' or '.join(repr(word) for word in words)}" if words else ""
            faults.append(f"{key}: {wanted[0].lower()}{wanted[1:]}{advice}")
        return None


def _fields_at(kind: Any, path: str) -> list[str]:
    """Field names of the table at `path` inside `kind`, for the guess at a misspelt key."""
    tables = _tables(kind, [part for part in path.split(".") if part])
    return [name for table in tables for name in table.__struct_fields__]


def _guess(key: str, known: list[str]) -> str:
    close = difflib.get_close_matches(key, known, 1, 0.6)
    return f"; did you mean {close[0]!r}?" if close else f"; known here: {', '.join(known)}"


def _check(settings: Settings) -> Iterator[str]:
    for index, link in enumerate(settings.links, 1):
        where = f"links[{index}]"
        if isinstance(link, SerialLink):
            if link.baud <= 0:
                yield f"{where}.baud: must be more than 0, as in 115200"
            continue
        if not 0 < link.port < 65536:
            yield f"{where}.port: {link.port} is not a port number (1 to 65535)"
        for number, mapped in enumerate(link.map, 1):
            place = f"{where}.map[{number}]"
            if mapped.quantity not in QUANTITIES:
                guess = _guess(mapped.quantity, list(QUANTITIES))
                yield f"{place}.quantity: unknown quantity {mapped.quantity!r}{guess}"
            if mapped.tank not in settings.tanks:
                yield f"{place}.tank: there is no [tanks.{mapped.tank}]; add it or name one that is there"
            if not mapped.topic or "#" in mapped.topic[:-1]:
                yield f"{place}.topic: {mapped.topic!r} is not an MQTT topic filter (# only at the end)"
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
        if not settings.store.keep_local_days >= 15:
            yield "store.keep_local_days: must be at least 15; the analysis looks back as far as 14 days"
    for quantity, days in settings.store.keep_days.items():
        if quantity not in QUANTITIES:
            guess = _guess(quantity, list(QUANTITIES))
            yield f"store.keep_days.{quantity}: unknown quantity {quantity!r}{guess}"
        if not days >= 1:
            yield f"store.keep_days.{quantity}: must be at least 1 day; leave it out to keep all"
    notices = settings.notices
    if notices.resend_min <= 0:
        yield "notices.resend_min: must be more than 0 minutes"
    if not 0 <= notices.picture_wait_s <= 300:
        yield "notices.picture_wait_s: must be from 0 to 300 seconds; the notice is held back for so long"
    if (notices.quiet_from is None) != (notices.quiet_to is None):
        yield "notices: quiet_from and quiet_to go together; give both or neither"
    yield from _check_times("notices", notices, ("quiet_from", "quiet_to"))
    if notices.quiet_timezone is not None:
        yield from _check_zone("notices.quiet_timezone", notices.quiet_timezone)
    for name, tank in settings.tanks.items():
        yield from _check_tank(f"tanks.{name}", name, tank)


def _check_tank(where: str, name: str, tank: TankSettings) -> Iterator[str]:
    if not _TANK_NAME.fullmatch(name):
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
