"""The unit file: taken by systemd itself, and with the rights that the service needs and no more."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from rushlight.analysis.commands.main import main
from rushlight.analysis.service.systemd_install import install_for_user
from rushlight.analysis.service.systemd_unit import UNIT_NAME
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import load_settings

SETTINGS = """
[[links]]
{link}
[tanks.cellar]
volume_litres = 60
timezone = "Europe/Lisbon"
[tanks.cellar.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
SERIAL = 'kind = "serial"\nport = "/dev/ttyUSB0"'
MQTT = 'kind = "mqtt"\nhost = "localhost"'


def install(folder: Path, link: str, monkeypatch: pytest.MonkeyPatch) -> Path:
    config = folder / "rushlight.toml"
    config.write_text(SETTINGS.format(link=link))
    monkeypatch.setattr(sys, "argv", [str(Path(sys.executable).with_name("rushlight"))])
    assert main(["service", "install", "--config", str(config), "--to", str(folder), "--user", "root"]) == 0
    return folder / UNIT_NAME


@pytest.mark.parametrize("link", [SERIAL, MQTT])
def test_systemd_takes_the_unit_without_a_word(
    tmp_path: Path, link: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    unit = install(tmp_path, link, monkeypatch)
    assert capsys.readouterr().err == ""
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False
    )
    assert unit.name not in done.stderr
    # the twin: what is wrong in a unit is found by the same call
    unit.write_text(unit.read_text().replace("Restart=always", "Restart=maybe"))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False
    )
    assert unit.name in done.stderr


def test_the_rights_follow_from_the_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    serial = install(tmp_path, SERIAL, monkeypatch).read_text()
    mqtt = install(tmp_path, MQTT, monkeypatch).read_text()
    assert "SupplementaryGroups=dialout" in serial and "PrivateDevices" not in serial
    assert "PrivateDevices=yes" in mqtt and "dialout" not in mqtt
    for text in (serial, mqtt):
        assert f"ReadWritePaths={tmp_path}" in text and "ProtectSystem=strict" in text
        assert "WatchdogSec=5min" in text and "Restart=always" in text and "NoNewPrivileges=yes" in text


def test_what_cant_be_written_is_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "rushlight.toml"
    config.write_text(SETTINGS.format(link=MQTT))
    assert main(["service", "install", "--config", str(config), "--to", str(tmp_path / "none")]) == 2
    assert "sudo" in capsys.readouterr().err
    assert main(["service", "install", "--config", str(config), "--show", "--user", "a\nExecStart=b"]) == 2
    assert "--user" in capsys.readouterr().err
    odd = tmp_path / "my tank"
    odd.mkdir()
    (odd / "rushlight.toml").write_text(SETTINGS.format(link=MQTT))
    assert main(["service", "install", "--config", str(odd / "rushlight.toml"), "--show"]) == 2
    assert "blank" in capsys.readouterr().err
    capsys.readouterr()
    assert main(["service", "install", "--config", str(config), "--show"]) == 0
    assert capsys.readouterr().out.startswith("[Unit]")


def test_a_reload_is_done_by_the_command_so_that_a_wrong_file_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = install(tmp_path, MQTT, monkeypatch).read_text()
    started, reloaded = (
        next(line.partition("=")[2].split() for line in text.splitlines() if line.startswith(key))
        for key in ("ExecStart=", "ExecReload=")
    )
    assert started[1] == "run" and reloaded == [started[0], "reload", *started[2:]]


def mine(folder: Path, monkeypatch: pytest.MonkeyPatch, fails: str, link: str = MQTT) -> int:
    """With stand-ins for systemd's tools, because no user's systemd runs where tests do."""
    tools = folder / "tools"
    tools.mkdir(exist_ok=True)
    for name in ("systemctl", "loginctl"):
        tool = tools / name
        tool.write_text(f'#!/bin/sh\ncase "$*" in *{fails}*) echo "No medium found" >&2; exit 1;; esac\n')
        tool.chmod(0o755)
    config = folder / "rushlight.toml"
    config.write_text(SETTINGS.format(link=link))
    monkeypatch.setenv("PATH", f"{tools}:{os.environ['PATH']}")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "own"))
    monkeypatch.setattr(sys, "argv", [str(Path(sys.executable).with_name("rushlight"))])
    return main(["service", "install", "--mine", "--config", str(config)])


def test_a_users_own_unit_is_taken_by_systemd_and_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert mine(tmp_path, monkeypatch, "no-such-word") == 0
    out = capsys.readouterr().out
    assert "The service runs." in out and "systemd says" not in out
    unit = tmp_path / "own" / "systemd" / "user" / UNIT_NAME
    text = unit.read_text()
    assert "WantedBy=default.target" in text and "Restart=always" in text and "WatchdogSec=5min" in text
    # a user's systemd has no right to these, and would not start the service
    assert not re.search("CapabilityBoundingSet|ProtectClock|User=|SupplementaryGroups", text)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--user", "--man=no", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert unit.name not in done.stderr


def test_where_no_systemd_answers_it_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert mine(tmp_path, monkeypatch, "show-environment") == 0
    out = capsys.readouterr().out
    assert "crontab -e" in out and "@reboot /" in out and "The service runs." not in out
    assert mine(tmp_path, monkeypatch, "enable-linger") == 0
    out = capsys.readouterr().out
    assert "The service runs." in out and "did not work: No medium found" in out


def test_a_port_that_may_not_be_opened_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    port = tmp_path / "port"
    port.touch()
    link = f'kind = "serial"\nport = "{port}"'
    for may in (True, False):
        monkeypatch.setattr(
            "rushlight.analysis.service.systemd_install.os.access", lambda path, mode, may=may: may
        )
        assert mine(tmp_path, monkeypatch, "no-such-word", link) == 0
        assert ("usermod -aG dialout" in capsys.readouterr().out) is not may


def test_a_unit_of_other_settings_is_not_written_over_unasked(tmp_path: Path) -> None:
    config = tmp_path / "rushlight.toml"
    config.write_text(SETTINGS.format(link=MQTT))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))
        unit = tmp_path / "own" / "systemd" / "user" / UNIT_NAME
        unit.parent.mkdir(parents=True)
        unit.write_text("another")
        steps = install_for_user(load_settings(str(config)), config, tmp_path / "env", replace=False)
        with pytest.raises(SettingsError, match="is there already"):
            list(steps)
        assert unit.read_text() == "another"
