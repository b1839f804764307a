"""The tables of `rushlight.toml` as types; import them from `rushlight.collector.settings`, which reads them.

The keys are those of the contract's section 3. Additions: `[store] keep_days, keep_local_days`,
`[tanks.X] started`, `[tanks.X.ph_calibration] points, calibrated`, `[tanks.X.water] air_co2_ppm`,
`[status_page]`, `[notices] quiet_from, quiet_to, quiet_timezone, wake_for, picture, picture_wait_s`,
`[notices] second_urls_env, second_min`, `[[links]] alarms` of a broker.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from rushlight.collector.readings import TANK_NAME
from rushlight.collector.settings.bounds import (
    BAUD_MAX,
    HEARTBEAT_MIN,
    KEEP_DAYS,
    LOOK_BACK_DAYS,
    PORT_MAX,
    RESEND_MIN,
)
from rushlight.collector.settings.bounds import says as _says
from rushlight.collector.settings.water_tables import CarbonDioxideSettings, WaterSettings

__all__ = [
    "BAUD_MAX",
    "HEARTBEAT_MIN",
    "KEEP_DAYS",
    "LOOK_BACK_DAYS",
    "PORT_MAX",
    "RESEND_MIN",
    "CalibrationPoint",
    "CarbonDioxideSettings",
    "CoolerSettings",
    "DisplaySettings",
    "HeaterSettings",
    "LightSettings",
    "LinkSettings",
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
]


# Where no source is named: what can't be meant is refused, most often a wrong unit. Common practice.
_FAHRENHEIT = 'is it in °F? Write "75 F"'
_Resend = Annotated[float, msgspec.Meta(ge=RESEND_MIN[0], le=RESEND_MIN[1], extra=_says("minutes"))]
_Beat = Annotated[float, msgspec.Meta(ge=HEARTBEAT_MIN[0], le=HEARTBEAT_MIN[1], extra=_says("minutes"))]
_Escalate = Annotated[float, msgspec.Meta(ge=1, le=1440, extra=_says("minutes"))]
_PictureWait = Annotated[
    float,
    msgspec.Meta(ge=0, le=300, extra=_says("seconds", "a notice waits so long")),
]
_Port = Annotated[int, msgspec.Meta(ge=1, le=PORT_MAX)]
_PagePort = Annotated[int, msgspec.Meta(ge=0, le=PORT_MAX)]  # 0: any that is free
_Baud = Annotated[int, msgspec.Meta(ge=1, le=BAUD_MAX, extra=_says("bit/s", "115200 is usual"))]
_KeepDays = Annotated[
    float,
    msgspec.Meta(ge=KEEP_DAYS[0], le=KEEP_DAYS[1], extra=_says("days", "leave it out to keep all")),
]
_KeepLocal = Annotated[
    float,
    msgspec.Meta(
        ge=LOOK_BACK_DAYS + 1,
        le=KEEP_DAYS[1],
        extra=_says("days", f"the analysis looks back as far as {LOOK_BACK_DAYS} days"),
    ),
]
_Water = Annotated[float, msgspec.Meta(ge=-2, le=45, extra=_says("°C", _FAHRENHEIT))]
_Setpoint = Annotated[float, msgspec.Meta(gt=0, lt=45, extra=_says("°C", _FAHRENHEIT))]
# under pure CO2 at one atmosphere water takes some 1450 mg/L at 25 °C (Henry's law)
_CarbonDioxide = Annotated[float, msgspec.Meta(gt=0, le=1000, extra=_says("mg/L", "20 to 30 is usual"))]
_Watts = Annotated[float, msgspec.Meta(gt=0, le=20_000, extra=_says("W", "read it off the heater's plate"))]
_Tolerance = Annotated[float, msgspec.Meta(gt=0, le=720, extra=_says("minutes"))]
_Ramp = Annotated[float, msgspec.Meta(ge=0, le=240, extra=_says("minutes"))]
_Volume = Annotated[float, msgspec.Meta(gt=0, le=100_000, extra=_says("L", "give the water in litres"))]
_Report = Annotated[float, msgspec.Meta(gt=0, le=3600, extra=_says("seconds"))]
_Given = Annotated[str, msgspec.Meta(min_length=1)]
_TankName = Annotated[
    str,
    msgspec.Meta(
        pattern=rf"\A{TANK_NAME.pattern}\Z",
        extra={
            "what": "a tank's name",
            "advice": "begin with a letter or digit, then at most 63 letters, digits, '_', '-', '.' or ':', "
            "so that it fits into a topic",
        },
    ),
]

_Periods = Annotated[list[list[str]], msgspec.Meta(max_length=8, extra=_says("", "so many a day are enough"))]


class _Table(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """A table of the settings file: unknown keys are errors, so that a typing slip is not ignored."""


class SerialLink(_Table, tag_field="kind", tag="serial"):
    """A microcontroller on a serial port (any pyserial URL)."""

    port: str
    baud: _Baud = 115200


class TopicMap(_Table):
    """One topic of firmware that speaks its own way; `unit` may say "F" for °F or "klx"."""

    topic: str
    tank: str
    quantity: str
    field: str | None = None
    unit: Literal["Cel", "K", "F", "pH", "mV", "V", "lx", "klx", "W", "kW"] | None = None


class MqttLink(_Table, tag_field="kind", tag="mqtt"):
    """A broker. `protocol` is "5" or "3.1.1"; user and password come from the environment.

    `alarms`: whether each alarm's state is published there, under `rushlight/TANK/alarms`.
    """

    host: _Given = "localhost"
    port: _Port = 1883
    username: str | None = None
    username_env: str | None = None
    password_env: str | None = None
    tls_ca: str | None = None
    tls_certificate: str | None = None
    tls_key: str | None = None
    protocol: Literal["5", "3.1.1"] = "5"
    client_id: _Given = "rushlight-collector"
    alarms: bool = True
    map: list[TopicMap] = []

    def filters(self) -> list[str]:
        """What to subscribe to."""
        own = [entry.topic for entry in self.map]
        return list(dict.fromkeys(["rushlight/+/readings", "rushlight/+/device", *own]))


LinkSettings = SerialLink | MqttLink


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
    keep_days: dict[str, _KeepDays] = {}
    keep_local_days: _KeepLocal = 30


class LivestockSettings(_Table):
    """What the animals can bear."""

    temperature_low_c: _Water
    temperature_high_c: _Water
    co2_limit_mg_l: _CarbonDioxide = 30.0


class HeaterSettings(_Table):
    setpoint_c: _Setpoint | None = None
    watts: _Watts | None = None


class CoolerSettings(_Table):
    setpoint_c: _Setpoint | None = None
    kind: Literal["fan", "chiller"] = "fan"


class LightSettings(_Table):
    """The lamp's schedule, local time. `ramp_min` None: recognised from the data.

    `periods` (pairs of on and off) are in place of `on` and `off`; `weekend` of both, on Saturday and Sunday.
    A period belongs to the day on which it begins.
    """

    on: str | None = None
    off: str | None = None
    periods: _Periods | None = None
    weekend: _Periods | None = None
    night_light: bool = False
    tolerance_min: _Tolerance = 10
    ramp_min: _Ramp | None = None


class CalibrationPoint(_Table):
    """One buffer: its pH at the temperature at which the electrode gave `mv`."""

    ph: float
    mv: float
    temperature_c: Annotated[float, msgspec.Meta(extra=_says("°C"))] = 25.0


class PhCalibration(_Table):
    """`points`: what a raw electrode gave in its buffers. `calibrated`: its day, or of the device's own.

    Without it nobody knows how old the calibration is.
    """

    points: Annotated[list[CalibrationPoint], msgspec.Meta(max_length=3)] = []
    calibrated: datetime.date | None = None


class TankSettings(_Table):
    volume_litres: _Volume
    timezone: str
    livestock: LivestockSettings
    title: str = ""
    report_every_s: _Report = 10
    started: datetime.date | None = None
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
    `second_urls_env`: who is asked where nobody has answered a high or critical alarm for `second_min`.
    """

    urls_env: str = "RUSHLIGHT_NOTICE_URLS"
    resend_min: _Resend = 15
    heartbeat_url_env: str = "RUSHLIGHT_HEARTBEAT_URL"
    heartbeat_min: _Beat = 5
    quiet_from: str | None = None
    quiet_to: str | None = None
    quiet_timezone: str | None = None
    wake_for: list[str] = msgspec.field(default_factory=lambda: ["co2-overdose"])
    picture: bool = True
    picture_wait_s: _PictureWait = 10
    second_urls_env: str = "RUSHLIGHT_SECOND_NOTICE_URLS"
    second_min: _Escalate = 20


class DisplaySettings(_Table):
    """The units in which people are shown values, and type temperatures: °C and litres, or °F and gallons."""

    units: Literal["metric", "us"] = "metric"


class PageSettings(_Table):
    """The status page: address and port, or switched off.

    `hosts`: names and addresses, beside this machine's own, by which a browser may call it. `url`: the
    address that people use, for the links in notices. `tls_certificate` and `tls_key`: PEM files.
    `proxies`: addresses or networks of proxies before it, whose `X-Forwarded-For` is believed.
    """

    enabled: bool = True
    host: str = "127.0.0.1"
    port: _PagePort = 8742
    hosts: list[str] = []
    url: str | None = None
    tls_certificate: str | None = None
    tls_key: str | None = None
    proxies: list[str] = []


class Settings(_Table):
    """The whole file. `path` is where it was read from, for messages and relative paths."""

    links: list[SerialLink | MqttLink] = []
    store: StoreSettings = msgspec.field(default_factory=StoreSettings)
    tanks: dict[_TankName, TankSettings] = {}
    notices: NoticeSettings = msgspec.field(default_factory=NoticeSettings)
    status_page: PageSettings = msgspec.field(default_factory=PageSettings)
    display: DisplaySettings = msgspec.field(default_factory=DisplaySettings)
    path: str = "rushlight.toml"

    def store_path(self) -> Path:
        """The embedded store's file, relative to the settings file."""
        return Path(self.path).parent / self.store.path
