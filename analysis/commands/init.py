"""`rushlight init`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, Within, say

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
    import os
    from pathlib import Path

    from rushlight.analysis.beginning.interview import Desk, interview
    from rushlight.analysis.how_installed import how_to_call
    from rushlight.collector.settings import load_settings

    def ask(text: str, offered: str) -> str:
        return str(click.prompt(text, default=offered, show_default=bool(offered)))

    def secret(text: str) -> str:
        return str(click.prompt(text, default="", show_default=False, hide_input=True))

    environment = interview(Path(config), Desk(say, ask, secret), port, seconds, datetime.date.today())
    settings = load_settings(config)
    address = os.environ.get(settings.notices.urls_env)
    if address and click.confirm("Send a test notice there now?", default=True):
        from rushlight.analysis.service.notice_trial import send_test

        send_test(settings, say)
    say("Next:")
    if environment is not None:
        say(f"  set -a; . {environment}; set +a")
    command, given = how_to_call(), "" if config == "rushlight.toml" else f" --config {config}"
    say(f"  {command} check{given}")
    say(f"  {command} run{given}")
    say("To run it for good, from the start of the computer on:")
    say(f"  sudo {how_to_call(anywhere=True)} service install --config {Path(config).resolve()}")
    if click.confirm("Show the unit file that this would write?", default=False):
        from rushlight.analysis.service.systemd_unit import unit_text

        say(unit_text(settings, Path(config), "rushlight", Path("/etc/rushlight.env")))
    return 0
