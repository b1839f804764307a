"""`rushlight service`: what systemd needs to run it for good."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, say, settings_of

__all__ = ["service"]


@click.group()
def service() -> None:
    """Run Rushlight for good, from the start of the computer on."""


@service.command()
@CONFIG
@click.option("--user", default="rushlight", show_default=True, help="The user that it runs as.")
@click.option(
    "--environment",
    default="/etc/rushlight.env",
    show_default=True,
    metavar="FILE",
    help="The file with the RUSHLIGHT_ variables (addresses, passwords), for root alone.",
)
@click.option(
    "--to",
    default="/etc/systemd/system",
    show_default=True,
    metavar="FOLDER",
    help="The folder of the unit file.",
)
@click.option("--show", is_flag=True, help="Print the unit file and write nothing.")
@click.option(
    "--mine",
    is_flag=True,
    help="For this user's own systemd, without root, and start it; variables in rushlight.env beside FILE.",
)
def install(config: str, user: str, environment: str, to: str, show: bool, mine: bool) -> int:
    """Write the unit file by which systemd runs the service, with a watchdog and few rights."""
    from pathlib import Path

    from rushlight.analysis.service.systemd_unit import UNIT_NAME, unit_text, user_unit_text, verify
    from rushlight.collector.errors import SettingsError

    settings = settings_of(config)
    if mine:
        from rushlight.analysis.service.systemd_install import install_for_user

        own = Path(config).resolve().with_name("rushlight.env")
        lines = [user_unit_text(Path(config), own).rstrip()] if show else ()
        for line in lines or install_for_user(settings, Path(config), own):
            say(line)
        return 0
    text = unit_text(settings, Path(config), user, Path(environment))
    if show:
        say(text.rstrip())
        return 0
    unit = Path(to) / UNIT_NAME
    try:
        unit.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SettingsError(
            f"{unit}: can't be written ({error.strerror}); run this with sudo, or see the text with --show"
        ) from None
    say(f"{unit}: written.")
    for line in verify(unit):
        say(f"systemd says: {line}", err=True)
    say(f"Put RUSHLIGHT_NOTICE_URLS=… and the like into {environment} (chmod 600, owner root). Then:")
    say(f"  sudo useradd --system --home-dir {Path(config).resolve().parent} {user}")
    say(f"  sudo chown -R {user} {Path(config).resolve().parent}")
    say("  sudo systemctl daemon-reload && sudo systemctl enable --now rushlight")
    say("  journalctl -u rushlight -f")
    return 0
