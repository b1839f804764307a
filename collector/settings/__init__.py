"""`rushlight.toml` into typed settings; every error names file, line and key and says what to do."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from pathlib import Path

from rushlight.collector.errors import SettingsError
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings.check import check
from rushlight.collector.settings.convert import Fault, convert, key_text
from rushlight.collector.settings.lines import key_lines, line_at
from rushlight.collector.settings.tables import (
    CalibrationPoint,
    CarbonDioxideSettings,
    CoolerSettings,
    DisplaySettings,
    HeaterSettings,
    LightSettings,
    LinkSettings,
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
)
from rushlight.collector.settings.time_of_day import parse_time_of_day

__all__ = [
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
    "load_settings",
    "parse_settings",
    "parse_time_of_day",
]


_LARGEST = 16 * 1024 * 1024  # bytes; ten thousand tanks are some 4 MB
_MOST_FAULTS = 50  # lines: more than a person reads at once
_LONGEST_FAULT = 1000  # characters


def load_settings(path: str | os.PathLike[str]) -> Settings:
    """Read and check a settings file.

    Raises
    ------
    SettingsError
        With one line a fault, all of them: file, line, key, what is wrong, what to do.
    """
    try:
        with Path(path).open("rb") as file:
            data = file.read(_LARGEST + 1)
        if len(data) > _LARGEST:
            raise SettingsError(
                f"{path}: is larger than {_LARGEST // 1024**2} MB, so it is no settings file; name another"
            )
        text = data.decode("utf-8-sig")  # some editors begin a file with a byte order mark
    except FileNotFoundError:
        raise SettingsError(
            f"{path}: there is no such file; `rushlight init` writes one, or name yours with --config"
        ) from None
    except IsADirectoryError:
        raise SettingsError(f"{path}: is a folder; name the settings file in it") from None
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise SettingsError(
            f"{path}: line {line}: not UTF-8 text; save the file as UTF-8 (in an editor: 'Save as', encoding)"
        ) from None
    except (OSError, ValueError) as error:  # ValueError: NUL in the name
        why = getattr(error, "strerror", None) or error
        raise SettingsError(f"{path}: can't be read ({why}); check the file's name and rights") from None
    return parse_settings(text, os.fspath(path))


def parse_settings(text: str, path: str = "rushlight.toml") -> Settings:
    """Settings from the text of a file; `path` is only for messages and relative paths.

    Raises as `load_settings`.
    """
    try:
        data = tomllib.loads(text)
        settings, faults = convert(data)
        faults += check(settings, tuple(fault.path for fault in faults))
        lines = key_lines(text) if faults else {}
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: not valid TOML: {error}; correct that line") from None
    except RecursionError:
        raise SettingsError(
            f"{path}: tables or lists are nested too deeply to be settings; look for a row of brackets"
        ) from None
    except ValueError as error:  # such as a whole number of thousands of digits, which Python won't read
        why = str(error).partition(";")[0]
        raise SettingsError(f"{path}: a value can't be read ({why}); correct or remove it") from None
    if faults:
        raise SettingsError("\n".join(f"{path}: {line}" for line in _worded(faults, lines)))
    settings.path = path
    return settings


def _worded(faults: list[Fault], lines: dict[tuple[str | int, ...], int]) -> Iterator[str]:
    """One line a fault, in the order of the file."""
    placed = sorted(((line_at(lines, fault.path) or 0, fault) for fault in faults), key=lambda pair: pair[0])
    for line, fault in placed[:_MOST_FAULTS]:
        number = f"line {line}: " if line else ""
        yield number + safe_text(f"{key_text(fault.path)}: {fault.text}", _LONGEST_FAULT)
    if len(faults) > _MOST_FAULTS:
        yield f"and {len(faults) - _MOST_FAULTS} more"
