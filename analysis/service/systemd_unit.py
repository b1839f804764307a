"""The unit file by which systemd runs the service; see systemd.service(5) and systemd.exec(5)."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import SerialLink, Settings

__all__ = ["UNIT_NAME", "program_path", "unit_text", "user_unit_text", "verify"]

UNIT_NAME = "rushlight.service"
_USER = re.compile(r"[a-z_][a-z0-9_-]{0,31}")  # as useradd(8) takes them
_PLAIN = re.compile(r"[A-Za-z0-9_./@+:-]+")

# what both units have
_RUNS = """\
Type=notify
ExecStart={program} run --config {config}
ExecReload={program} reload --config {config}
WorkingDirectory={folder}
"""
_KEEPS_ON = """\
WatchdogSec=5min
Restart=always
RestartSec=5
TimeoutStopSec=40
"""
_NARROW = """\
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
SystemCallArchitectures=native
"""

_TEXT = (
    """\
[Unit]
Description=Rushlight, watching the tanks
Documentation=man:systemd.service(5)
After=network-online.target time-sync.target
Wants=network-online.target
StartLimitIntervalSec=0

[Service]
"""
    + _RUNS
    + """\
{who}EnvironmentFile=-{environment}
"""
    + _KEEPS_ON
    + """\

# it reads its settings, writes its store, and talks to brokers, ports and addresses: nothing else
ReadWritePaths={writes}
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome={home}
PrivateTmp=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
"""
    + _NARROW
    + """\
CapabilityBoundingSet=
UMask=0077
{devices}
[Install]
WantedBy=multi-user.target
"""
)

# what a user's own systemd can do without rights: no mounts, no capabilities (systemd.exec(5))
_MINE = (
    """\
[Unit]
Description=Rushlight, watching the tanks
Documentation=man:systemd.service(5)
StartLimitIntervalSec=0

[Service]
"""
    + _RUNS
    + """\
EnvironmentFile=-{environment}
"""
    + _KEEPS_ON
    + """\
NoNewPrivileges=yes
"""
    + _NARROW
    + """\
UMask=0077

[Install]
WantedBy=default.target
"""
)


def user_unit_text(config: Path, environment: Path) -> str:
    """The unit by which a user's own systemd runs it, without root; parameters and errors as `unit_text`."""
    config = config.resolve()
    found = program_path()
    _must_be_plain(config, found, environment)
    return _MINE.format(program=found, config=config, folder=config.parent, environment=environment)


def unit_text(settings: Settings, config: Path, user: str, environment: Path) -> str:
    """The unit for one settings file.

    Parameters
    ----------
    config : Path
        The settings file; the service works in its folder.
    user : str
        Who it runs as; he must own the folder of the store.
    environment : Path
        File with the `RUSHLIGHT_…` variables, readable by root alone.

    Raises
    ------
    SettingsError
        A path or the user's name can't be written into a unit file.
    """
    config = config.resolve()
    store = Path(settings.store_path()).resolve()
    found = program_path()
    _must_be_plain(config, store, found, environment)
    if not _USER.fullmatch(user):
        raise SettingsError(f"--user: {user!r} can't be the name of a user; write one as rushlight")
    serial = any(isinstance(link, SerialLink) for link in settings.links)
    homes = any(str(path).startswith(("/home/", "/root/")) for path in (config, store, found))
    return _TEXT.format(
        program=found,
        config=config,
        folder=config.parent,
        who=f"User={user}\n" + ("SupplementaryGroups=dialout\n" if serial else ""),
        environment=environment,
        writes=" ".join(dict.fromkeys((str(store.parent), str(config.parent)))),
        # an installation in a home folder must be read, and its store written
        home="no" if homes else "yes",
        devices="" if serial else "PrivateDevices=yes\n",
    )


def program_path() -> Path:
    """The `rushlight` that is running now: root's shell may know none, or another."""
    program = Path(sys.argv[0]).resolve() if Path(sys.argv[0]).name == "rushlight" else None
    found = program or (Path(which) if (which := shutil.which("rushlight")) else None)
    return found if found is not None and found.exists() else Path(sys.executable).with_name("rushlight")


def _must_be_plain(*paths: Path) -> None:
    for path in paths:
        if not _PLAIN.fullmatch(str(path)):
            raise SettingsError(
                f"{path}: has a blank or another sign that a unit file can't hold; move it to a plain path"
            )


def verify(unit: Path, user: bool = False) -> list[str]:
    """What `systemd-analyze verify` says of a unit file, a line each; empty where it is well or not there.

    `user`: it is one for a user's own systemd.
    """
    tool = shutil.which("systemd-analyze")
    if tool is None:
        return []
    done = subprocess.run(
        [tool, "verify", "--man=no", *(["--user"] if user else []), str(unit)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    return [line for line in done.stderr.splitlines() if unit.name in line]
