"""Commands by which people answer an alarm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["acknowledge", "out_of_service", "return_to_service", "shelve", "try_", "unshelve"]


_WHICH = click.argument("words", nargs=-1, required=True, metavar="TANK ALARM | ALARM-ID")
_QUANTITY = click.option(
    "--quantity", default="", help="Only of this probe, for an alarm about one; left out: of all."
)


@click.command()
@CONFIG
@PART
@_WHICH
@_QUANTITY
def acknowledge(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """Say that you have seen an alarm: it is not sent again.

    ALARM-ID is what a notice ends with, as in landing/co2-overdose/2026-01-16T23:36:00Z.
    """
    return _ask(config, part, "acknowledge", words, quantity, {})


@click.command()
@CONFIG
@PART
@_WHICH
@_QUANTITY
@click.option("--for", "span", required=True, metavar="SPAN", help="How long: 2h, 90min, 1d12h; 7d at most.")
def shelve(config: str, part: Part | None, words: tuple[str, ...], quantity: str, span: str) -> int:
    """Silence one alarm for a time, as before working on the tank."""
    from rushlight.analysis.commands.options import parse_span_ms

    try:
        for_ms = parse_span_ms(span)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--for") from None
    return _ask(config, part, "shelve", words, quantity, {"for_ms": for_ms})


@click.command()
@CONFIG
@PART
@_WHICH
@_QUANTITY
def unshelve(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """End a shelf early; the alarm is raised again if it is still true."""
    return _ask(config, part, "unshelve", words, quantity, {})


@click.command("out-of-service")
@CONFIG
@PART
@_WHICH
@_QUANTITY
def out_of_service(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """Silence one alarm until you return it to service.

    For what is not there for longer than a shelf lasts (7 days), as a cooler in winter or a probe that is
    away for repair. `rushlight status` and the page go on saying that it is out of service.
    """
    return _ask(config, part, "out-of-service", words, quantity, {})


@click.command("return-to-service")
@CONFIG
@PART
@_WHICH
@_QUANTITY
def return_to_service(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """End `out-of-service`; the alarm is raised again if its condition holds."""
    return _ask(config, part, "return-to-service", words, quantity, {})


@click.command("try")
@CONFIG
@PART
@click.argument("alarm")
@click.option("--tank", default="", help="Which tank; may be left out where there is one only.")
@click.option("--quantity", default="", help="Which probe, for an alarm about one.")
def try_(config: str, part: Part | None, alarm: str, tank: str, quantity: str) -> int:
    """Raise a test alarm, all the way to your phone.

    The running service raises it, so outbox, targets and reminders do what they would at night. It says
    in title and text that it is a test, is sent at once even in quiet hours, can be acknowledged, and ends
    by itself after 20 minutes. A real alarm of the same name is raised beside it.

    To try the probe as well, take a cup of warm water: with dry hands and the mains devices unplugged at
    the wall, lift the temperature probe out of the tank into the cup, and put it back afterwards.
    docs/notices.md says what comes then and when.
    """
    from rushlight.analysis.service.alarm_trial import try_alarm

    return try_alarm(settings_of(config, part), tank, alarm, quantity, click.echo)


def _ask(
    config: str,
    part: Part | None,
    kind: str,
    words: tuple[str, ...],
    quantity: str,
    arguments: dict[str, int],
) -> int:
    from rushlight.analysis.service.requests import ask, meant

    try:
        asked = meant(words, quantity)
    except ValueError as error:
        raise click.UsageError(str(error), click.get_current_context()) from None
    say(ask(settings_of(config, part), kind, asked, arguments))
    return 0
