"""A reload must not open the page to the network where nobody has to log in."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.analysis.service.reload import can_run
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import Settings, parse_settings

SETTINGS = """
[[links]]
kind = "serial"
port = "/dev/none"
[tanks.sill]
volume_litres = 30
timezone = "Europe/Rome"
[tanks.sill.livestock]
temperature_low_c = 18
temperature_high_c = 26
[status_page]
host = "{host}"
"""


def settings(folder: Path, host: str) -> Settings:
    return parse_settings(SETTINGS.format(host=host), str(folder / "rushlight.toml"))


def test_an_open_page_without_a_password_is_refused_and_a_closed_one_is_not(tmp_path: Path) -> None:
    closed = settings(tmp_path, "127.0.0.1")
    assert can_run(closed) is closed
    with pytest.raises(SettingsError, match="rushlight password"):
        can_run(settings(tmp_path, "0.0.0.0"))
