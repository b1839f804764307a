"""`rushlight bundle`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, Within, say, settings_of

__all__ = ["bundle"]


@click.command()
@CONFIG
@click.argument("tank")
@click.option(
    "--around", required=True, metavar="TIME", help="The moment (by the tank's clock, or RFC 3339)."
)
@click.option("--hours", type=Within(0.1, 24 * 14), default=6, show_default=True, help="How far either way.")
@click.option(
    "--days",
    type=Within(0, 60),
    default=14,
    show_default=True,
    help="Days before it, to learn from.",
)
@click.option("--to", "file", metavar="FILE.zip", help="Where it goes; moment-TIME.zip if left out.")
def bundle(config: str, tank: str, around: str, hours: float, days: float, file: str | None) -> int:
    """Put a moment of a tank into one file that anybody can replay: for an alarm that was missed or false.

    In it: readings, the tank's settings, tests and water changes of the keeper's log, events, answers, what
    each detector believed. Not in it: names, titles, addresses, secrets, who answered, words of your own. The
    time zone is in it, because the lamp's times are local.
    """
    import sys
    from importlib.metadata import PackageNotFoundError, version
    from pathlib import Path

    from rushlight.analysis.replay.around import moment_in
    from rushlight.analysis.replay.bundle import write_bundle
    from rushlight.analysis.replay.sources import open_readings
    from rushlight.analysis.service.log_input import log_store
    from rushlight.collector.errors import SettingsError
    from rushlight.collector.service.listener import system_clock

    settings = settings_of(config)
    with log_store(settings, tank, read_only=True) as store:
        try:
            around_ms = moment_in(around, settings.tanks[tank].timezone)
        except ValueError as error:
            raise SettingsError(f"--around: {error}") from None
        target = Path(file or f"moment-{around_ms // 1000}.zip")  # the tank's name is nobody's business
        try:
            made_by = version("rushlight")
        except PackageNotFoundError:
            made_by = "not installed"
        with open_readings(settings, store, sys.stderr) as source:
            count, recording = write_bundle(
                settings,
                source,
                tank,
                store.log(tank),
                store.events(tank=tank),
                around_ms,
                system_clock(),
                target,
                hours=hours,
                warm_up_days=days,
                version=made_by,
            )
    say(f"{target}: {count} readings, {target.stat().st_size / 1e6:.1f} MB.")
    say(f"Their replay gives {len(recording.events)} events in that span: rushlight replay {target}")
    say("Names, addresses and your own words are not in it. Look into it before you give it away.")
    return 0
