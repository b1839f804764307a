"""The `rushlight` command. Each command imports what it needs when it runs, so that help comes at once."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collector.parts import Part
    from collector.settings import Settings

__all__ = ["cli", "main"]

_CONFIG = click.option(
    "--config",
    default="rushlight.toml",
    show_default=True,
    metavar="FILE",
    help="The settings file.",
)


def _part(context: click.Context, parameter: click.Parameter, text: str | None) -> Part | None:
    from collector.parts import parse_part

    try:
        return None if text is None else parse_part(text)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


_PART = click.option(
    "--part", metavar="K/N", callback=_part, help="Of N collectors that share the tanks, the K-th: 2/4."
)


def _quantities(
    context: click.Context, parameter: click.Parameter, names: tuple[str, ...]
) -> tuple[str, ...]:
    from collector.readings import QUANTITIES

    for name in names:
        if name not in QUANTITIES:
            raise click.BadParameter(f"{name!r} is no quantity; known are {', '.join(QUANTITIES)}")
    return names


def _version(context: click.Context, parameter: click.Parameter, wanted: bool) -> None:
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            click.echo(f"rushlight {version('rushlight')}")
        except PackageNotFoundError:
            click.echo("rushlight, not installed: run from its source")
        context.exit()


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option(
    "--version", is_flag=True, expose_value=False, is_eager=True, callback=_version, help="The version."
)
def cli() -> None:
    """Watches small planted freshwater tanks: readings in, a judgement in time out.

    It only watches: nothing here switches a mains device.

    Exit status: 0 done; 1 the work failed; 2 the command line or the settings are wrong.
    """


@cli.command()
@click.option(
    "--directory", type=click.Path(path_type=Path), help="Where to leave the store; kept afterwards."
)
@click.option("--seconds", type=click.FloatRange(min=1), help="About how long it should take.")
def demo(directory: Path | None, seconds: float | None) -> int:
    """Show the whole job on a simulated tank, compressed in time: no hardware, no server."""
    from analysis.demo import run_demo

    return run_demo(directory, seconds, sys.stdout)


@cli.command()
@_CONFIG
@_PART
@click.option("--verbose", is_flag=True, help="Log more.")
def run(config: str, part: Part | None, verbose: bool) -> int:
    """Collect, store, watch and alert until it is stopped."""
    import logging

    settings = _settings(config)
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(message)s",
        stream=sys.stderr,
    )
    from analysis.running import run_service
    from collector.ending import Ending

    ending = Ending()
    ending.be_forced()
    return 0 if run_service(settings, part=part, ending=ending) else 1


@cli.command()
@_CONFIG
def check(config: str) -> int:
    """Read the settings and say, in words, what is wrong and what will be watched."""
    from analysis.checking import hints, overview

    settings = _settings(config)
    click.echo(overview(settings))
    for hint in hints(settings):
        click.echo(f"hint: {hint}", err=True)
    return 0


@cli.command()
@_CONFIG
@click.option("--events", metavar="FILE", help="Write the alarm events there, one JSON object a line.")
@click.option(
    "--until", metavar="TIME", help="Let time pass up to this moment (RFC 3339) behind the last reading."
)
@click.option("--store", is_flag=True, help="Replay the own store instead of files, around a moment.")
@click.option("--around", metavar="TIME", help="That moment (RFC 3339; without offset by the tank's clock).")
@click.option(
    "--hours", type=click.FloatRange(0.1, 24 * 14), default=6, show_default=True, help="How far either way."
)
@click.option("--tank", metavar="NAME", help="One tank of the store; all by default.")
@click.option("--beliefs", metavar="FILE.csv", help="Write what each detector believed there.")
@_PART
@click.argument("readings", nargs=-1, metavar="[READINGS.csv…]")
def replay(
    config: str,
    events: str | None,
    until: str | None,
    store: bool,
    around: str | None,
    hours: float,
    tank: str | None,
    beliefs: str | None,
    part: Part | None,
    readings: tuple[str, ...],
) -> int:
    """Run the same analysis over recorded readings, or over the own store around a moment.

    All times come from the data. With --store it shows what happened then and what each detector believed:
    for an alarm that was missed, or one that was false.
    """
    if store:
        from analysis.replay_around import replay_around
        from collector.service import system_clock

        if around is None:
            raise click.UsageError("--store needs --around TIME.")
        if readings or until is not None:
            raise click.UsageError("--store takes neither files nor --until.")
        settings = _settings(config, part)
        now_ms = system_clock()
        replay_around(settings, around, hours, tank, events, beliefs, now_ms, sys.stdout, sys.stderr)
        return 0
    if not readings:
        raise click.UsageError("Missing argument 'READINGS.csv…' (or --store --around TIME).")
    if around is not None or tank is not None or beliefs is not None or part is not None:
        raise click.UsageError("--around, --tank, --beliefs and --part go with --store.")
    from analysis.replaying import replay_with_progress

    click.echo(replay_with_progress(config, readings, events, _moment_ms("--until", until)))
    return 0


@cli.command()
@_CONFIG
@_PART
@click.option("--png", metavar="FILE", help="Draw a picture instead of printing.")
@click.argument("alarm_id", metavar="ALARM-ID")
def explain(config: str, part: Part | None, png: str | None, alarm_id: str) -> int:
    """Show why an alarm was raised: the curve, what the model expected, the moment of decision.

    ALARM-ID is what notices and `rushlight status` name, as tank/co2-overdose/2026-03-01T02:14:10Z; without
    the time it is the latest one.
    """
    from analysis.explaining import explain_alarm
    from collector.service import system_clock

    for line in explain_alarm(_settings(config, part), alarm_id, png, system_clock(), sys.stderr):
        click.echo(line)
    return 0


@cli.command()
@_CONFIG
@_PART
def status(config: str, part: Part | None) -> int:
    """Show on one screen how the tanks are, from the store; also while the service runs.

    Where several collectors share the tanks, one after the other, or the one of --part.
    """
    from contextlib import closing

    from analysis.status import print_status
    from collector.parts import parts_present, settings_of_part
    from collector.service import system_clock
    from collector.store.embedded import EmbeddedStore

    settings = _settings(config, part)
    shown = [settings]
    if part is None:
        shown = [settings_of_part(settings, one) for one in parts_present(settings)] or shown
    for number, own in enumerate(shown):
        if number:
            click.echo()
        with closing(EmbeddedStore(own.store_path(), read_only=True)) as store:
            print_status(own, store, system_clock(), sys.stdout)
    return 0


@cli.command()
@_CONFIG
@click.argument("tank")
@click.argument("other", required=False)
def compare(config: str, tank: str, other: str | None) -> int:
    """Say whether two waters match, before animals are moved into TANK.

    OTHER is the tank or tub they come from; left out, it is the second water that TANK's own device measures.
    """
    from analysis.comparing import comparison

    for line in comparison(_settings(config), tank, other):
        click.echo(line)
    return 0


@cli.command()
@_CONFIG
@_PART
@click.option("--tank", metavar="NAME", help="One tank; all by default.")
@click.option(
    "--from", "start", metavar="TIME", help="From this moment on (RFC 3339, or by the tank's clock)."
)
@click.option("--to", "end", metavar="TIME", help="Before this moment.")
@click.option(
    "--quantity",
    "quantities",
    multiple=True,
    metavar="NAME",
    callback=_quantities,
    help="Only this one, as ph; several where it is given again.",
)
@click.option("--local", is_flag=True, help="From the local file, although the settings name a server.")
@click.argument("file", metavar="FILE.csv|FILE.parquet")
def export(
    config: str,
    part: Part | None,
    tank: str | None,
    start: str | None,
    end: str | None,
    quantities: tuple[str, ...],
    local: bool,
    file: str,
) -> int:
    """Write readings to a CSV or Parquet file; also while the service runs."""
    from analysis.tables import export_readings

    click.echo(export_readings(_settings(config, part), file, tank, start, end, local, quantities))
    return 0


@cli.command("import")
@_CONFIG
@_PART
@click.argument("files", nargs=-1, required=True, metavar="FILE…")
def import_(config: str, part: Part | None, files: tuple[str, ...]) -> int:
    """Add the readings of CSV or Parquet files to the store; what it has already is left alone.

    The service must be stopped meanwhile.
    """
    from analysis.tables import import_readings

    for line in import_readings(_settings(config, part), files):
        click.echo(line)
    return 0


_QUANTITY = click.option("--quantity", default="", help="Which probe, for an alarm about one.")


@cli.command()
@_CONFIG
@_PART
@click.argument("tank")
@click.argument("alarm")
@_QUANTITY
def acknowledge(config: str, part: Part | None, tank: str, alarm: str, quantity: str) -> int:
    """Say that you have seen an alarm: it is not sent again."""
    return _ask(config, part, "acknowledge", tank, alarm, quantity, {})


@cli.command()
@_CONFIG
@_PART
@click.argument("tank")
@click.argument("alarm")
@_QUANTITY
@click.option("--for", "span", required=True, metavar="SPAN", help="How long: 2h, 90min, 1d12h; 7d at most.")
def shelve(config: str, part: Part | None, tank: str, alarm: str, quantity: str, span: str) -> int:
    """Silence one alarm for a time, as before working on the tank."""
    from analysis.people import parse_span_ms

    try:
        for_ms = parse_span_ms(span)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--for") from None
    return _ask(config, part, "shelve", tank, alarm, quantity, {"for_ms": for_ms})


@cli.command()
@_CONFIG
@_PART
@click.argument("tank")
@click.argument("alarm")
@_QUANTITY
def unshelve(config: str, part: Part | None, tank: str, alarm: str, quantity: str) -> int:
    """End a shelf early; the alarm is raised again if its condition stands."""
    return _ask(config, part, "unshelve", tank, alarm, quantity, {})


@cli.command("notice-test")
@_CONFIG
def notice_test(config: str) -> int:
    """Send a test notice to every target and say which took it."""
    from analysis.asking import send_test

    return send_test(_settings(config), click.echo)


def _settings(config: str, part: Part | None = None) -> Settings:
    from collector.settings import load_settings

    settings = load_settings(config)
    if part is None:
        return settings
    from collector.parts import settings_of_part

    return settings_of_part(settings, part)


def _ask(
    config: str, part: Part | None, kind: str, tank: str, alarm: str, quantity: str, arguments: dict[str, int]
) -> int:
    from analysis.asking import ask

    click.echo(ask(_settings(config, part), kind, tank, alarm, quantity, arguments))
    return 0


def _moment_ms(option: str, text: str | None) -> int | None:
    from datetime import datetime

    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise click.BadParameter(
            f"{text!r} is no moment; write it as 2026-03-01T02:14:10Z", param_hint=option
        )
    return round(moment.timestamp() * 1000)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; errors become lines on standard error and an exit status."""
    from collector.errors import RushlightError, SettingsError

    try:
        status_ = cli.main(arguments, prog_name="rushlight", standalone_mode=False)
        sys.stdout.flush()
        return int(status_ or 0)
    except click.ClickException as error:
        message = error.format_message().replace("\n", " ")
        command = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "rushlight"
        if isinstance(error, click.exceptions.NoArgsIsHelpError):
            click.echo(error.format_message())
        else:
            click.echo(f"{command}: {message} See '{command} --help'.", err=True)
        return 2
    except SettingsError as error:
        click.echo(str(error), err=True)
        return 2
    except RushlightError as error:
        click.echo(str(error).replace("\n", " "), err=True)
        return 1
    except (click.Abort, KeyboardInterrupt):
        return 130
    except BrokenPipeError:
        # whoever read our output has seen enough; the interpreter must not complain while it ends
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
