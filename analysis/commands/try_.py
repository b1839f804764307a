"""`rushlight try`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["try_"]


@click.command("try")
@CONFIG
@PART
@click.argument("alarm")
@click.option("--tank", default="", help="Which tank; may be left out where there is one only.")
@click.option("--quantity", default="", help="Which probe, for an alarm about one.")
def try_(config: str, part: Part | None, alarm: str, tank: str, quantity: str) -> int:
    """Raise a test alarm, all the way to your phone.

    The running service raises it, so sending and reminders do what they would at night. Title and text say
    that it is a test. It is sent at once, even in quiet hours, can be acknowledged, and ends by itself
    after 20 minutes. A real alarm of the same name is raised beside it.

    To try the probe as well, take a cup of warm water: with dry hands and the mains devices unplugged at
    the wall, lift the temperature probe out of the tank into the cup, and put it back afterwards.
    docs/notices.md says what comes then and when.
    """
    from rushlight.analysis.service.alarm_trial import try_alarm

    return try_alarm(settings_of(config, part), tank, alarm, quantity, click.echo)
