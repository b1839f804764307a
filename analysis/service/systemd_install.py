"""Running it for good: the unit is put in its place and started, or what to do where that can't be.

See systemctl(1), loginctl(1) for `enable-linger` (a user's services without a login), and crontab(5).
"""

from __future__ import annotations

import getpass
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

from rushlight.analysis.service.systemd_unit import UNIT_NAME, program_path, user_unit_text, verify
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import SerialLink, Settings

__all__ = ["install_for_user", "own_systemd", "without_systemd"]

_PATIENCE_S = 60


def own_systemd() -> bool:
    """Whether this user has a systemd that answers: not so in a container, over `su`, or on another init."""
    return _done(["systemctl", "--user", "show-environment"]) == ""


def user_unit_path() -> Path:
    """Where a user's own units are (systemd.unit(5))."""
    base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "systemd" / "user" / UNIT_NAME


def install_for_user(
    settings: Settings, config: Path, environment: Path, replace: bool = True
) -> Iterator[str]:
    """Write the unit for this user's own systemd and start it; a line for each step.

    Parameters
    ----------
    environment : Path
        The file with the `RUSHLIGHT_…` variables.
    replace : bool
        Write over a unit that is there and is another.

    Raises
    ------
    SettingsError
        It can't be written, or is there already.
    """
    text, unit = user_unit_text(config, environment.resolve()), user_unit_path()
    try:
        if unit.exists() and unit.read_text(encoding="utf-8") != text and not replace:
            raise SettingsError(
                f"{unit}: is there already, for other settings; to write it anew: "
                f"rushlight service install --mine --config {config}"
            )
        unit.parent.mkdir(parents=True, exist_ok=True)
        unit.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"{unit}: can't be written ({error.strerror})") from None
    yield f"{unit}: written."
    yield from (f"systemd says: {line}" for line in verify(unit, user=True))
    yield from _ports(settings)
    if not own_systemd():
        yield from without_systemd(config)
        return
    for words, done in (
        (["systemctl", "--user", "daemon-reload"], ""),
        (["systemctl", "--user", "enable", "--now", UNIT_NAME], "The service runs."),
        (["loginctl", "enable-linger", getpass.getuser()], "It starts with the computer, without a login."),
    ):
        wrong = _done(words)
        if wrong:
            yield f"`{' '.join(words)}` did not work: {wrong}. Mend that, and type it yourself."
        elif done:
            yield done
    yield "What it says: journalctl --user -u rushlight -f"


def _ports(settings: Settings) -> Iterator[str]:
    for link in settings.links:
        port = Path(link.port) if isinstance(link, SerialLink) else None
        if port is not None and port.exists() and not os.access(port, os.R_OK | os.W_OK):
            yield (
                f"{port}: this user may not open it. Type: sudo usermod -aG dialout {getpass.getuser()}, "
                "then log out and in again."
            )


def without_systemd(config: Path) -> list[str]:
    """What to do where no systemd answers."""
    return [
        "This user has no systemd that answers here (a container, another init, or a shell by `su`).",
        "Where the computer has one, log in as this user and type: systemctl --user enable --now rushlight",
        "Else let cron start it: type `crontab -e`, and add the line",
        f"  @reboot {program_path()} run --config {config.resolve()}",
    ]


def _done(words: list[str]) -> str:
    """Run it; what went wrong, "" for nothing."""
    if shutil.which(words[0]) is None:
        return f"{words[0]} is not there"
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=_PATIENCE_S)
    except subprocess.TimeoutExpired:
        return f"no answer in {_PATIENCE_S} s"
    if done.returncode == 0:
        return ""
    return (done.stderr or done.stdout).strip().partition("\n")[0] or f"it ended with {done.returncode}"
