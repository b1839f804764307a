"""`rushlight.toml` into typed settings; every error names the file and the key and says what to do."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

from collector.errors import SettingsError
from collector.settings_check import check
from collector.settings_convert import convert, not_finite
from collector.settings_tables import (
    CalibrationPoint,
    CarbonDioxideSettings,
    CoolerSettings,
    HeaterSettings,
    LightSettings,
    LivestockSettings,
    MqttLink,
    NoticeSettings,
    PageSettings,
    PhCalibration,
    SerialLink,
    Settings,
    StoreSettings,
    TankSettings,
    TopicMap,
    WaterSettings,
    parse_time_of_day,
)

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
    faults = [f"{key}: must be a finite number" for key in not_finite(data)]
    whole = None if faults else convert(data, faults)
    if whole is not None:
        faults.extend(check(whole))
    if faults:
        raise SettingsError("\n".join(f"{path}: {fault}" for fault in faults))
    assert whole is not None
    whole.path = path
    return whole
