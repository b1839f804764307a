"""`rushlight init`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, Within, say

if TYPE_CHECKING:
    from rushlight.collector.settings import Settings

__all__ = ["init"]


@click.command()
@CONFIG
@click.option("--port", metavar="PORT", help="The board's serial port, where it isn't found.")
@click.option(
    "--listen",
    "seconds",
    type=Within(1, 600),
    default=30,
    show_default=True,
    help="Seconds to wait for the board.",
)
def init(config: str, port: str | None, seconds: float) -> int:
    """Ask a few questions, listen to the board, and write the settings file; sends a test notice."""
    import datetime

    from rushlight.analysis.beginning.asking import Desk
    from rushlight.analysis.beginning.interview import interview
    from rushlight.analysis.how_installed import how_to_call
    from rushlight.collector.settings import load_settings

    def ask(text: str, offered: str) -> str:
        return str(click.prompt(text, default=offered, show_default=bool(offered)))

    def secret(text: str) -> str:
        return str(click.prompt(text, default="", show_default=False, hide_input=True))

    environment = interview(Path(config), Desk(say, ask, secret), port, seconds, datetime.date.today())
    settings = load_settings(config)
    secrets = "" if environment is None else environment.read_text("utf-8")
    if settings.notices.urls_env in secrets and click.confirm("Send a test notice there now?", default=True):
        from rushlight.analysis.service.notice_trial import send_test

        send_test(settings, say)
    say("To see it at work:")
    if environment is not None:
        say(f"  set -a; . {environment.resolve()}; set +a")  # a name without a slash is looked for elsewhere
    command, given = how_to_call(), "" if config == "rushlight.toml" else f" --config {config}"
    say(f"  {command} check{given}")
    say(f"  {command} run{given}")
    _for_good(settings, Path(config), environment)
    return 0


def _for_good(settings: Settings, config: Path, environment: Path | None) -> None:
    """Offer the service: this user's own, or the whole computer's by sudo."""
    from rushlight.analysis.how_installed import how_to_call
    from rushlight.analysis.service.systemd_install import install_for_user
    from rushlight.analysis.service.systemd_unit import program_path, unit_text
    from rushlight.collector.errors import SettingsError

    say("It can run for good, from the start of the computer on, and be started again if it ends.")
    choice = click.prompt(
        "Install that now, for this user without root (yes, no, or show the file)?",
        type=click.Choice(["yes", "no", "show"]),
        default="no" if environment is None else "yes",
        show_choices=False,
    )
    by_root = f"  sudo {program_path()} service install --config {config.resolve()}"
    if choice == "show":
        say(unit_text(settings, config, "rushlight", Path("/etc/rushlight.env")))
        say("That is the whole computer's, for a user of its own. It is written by:")
        say(by_root)
        choice = click.prompt(
            "Install this user's own instead (yes or no)?",
            type=click.Choice(["yes", "no"]),
            default="no",
            show_choices=False,
        )
    if choice == "no":
        say("Later, for this user:")
        say(f"  {how_to_call()} service install --mine --config {config.resolve()}")
        say("or for the whole computer:")
        say(by_root)
        return
    variables = config.resolve().with_name("rushlight.env")
    try:
        for line in install_for_user(settings, config, variables, replace=False):
            say(line)
    except SettingsError as error:
        say(f"{error}")  # what was asked for before is written all the same
