"""`rushlight report`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, say, settings_of

__all__ = ["report"]


@click.command()
@CONFIG
@click.argument("tank")
@click.option("--month", is_flag=True, help="The last 30 days; a week if left out.")
@click.option("--to", "end", metavar="DAY", help="Up to the end of that day; now if left out.")
@click.option("--paper", metavar="NAME", help="Write NAME.html and NAME.pdf; TANK-report if left out.")
@click.option(
    "--lamp",
    type=click.Choice(["led", "fluorescent", "metal-halide", "incandescent", "sun"]),
    default="led",
    show_default=True,
    help="Kind of lamp, to estimate PPFD from lux.",
)
@click.option("--send", is_flag=True, help="Send a short form as a notice, too.")
def report(
    config: str, tank: str, month: bool, end: str | None, paper: str | None, lamp: str, send: bool
) -> int:
    """A week or a month on paper: how steady, light, water changes, tests, alarms, what to look at next."""
    from rushlight.analysis.periodic.job import report_lines

    settings = settings_of(config)
    for line in report_lines(settings, tank, 30 if month else 7, end, paper or f"{tank}-report", lamp, send):
        say(line)
    return 0
