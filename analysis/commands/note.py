"""`rushlight note`: the keeper's log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from rushlight.analysis.commands.options import CONFIG, PART, Hardness, say, settings_of
from rushlight.collector.store.log_words import DONE, TESTS

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["note"]


def _test_options(command: Any) -> Any:
    for name, test in reversed(TESTS.items()):
        unit = f" in {test.unit}" if test.unit else ""
        also = ', or as "71 ppm" or "1.4 meq/L"' if name in ("kh", "gh") else ""
        kind = Hardness(test.unit) if also else float
        help_ = f"{test.title}{unit}{also}, tested by hand."
        command = click.option(f"--{name}", type=kind, help=help_)(command)
    return command


def _done_options(command: Any) -> Any:
    for name, words in reversed(DONE.items()):
        command = click.option(f"--{name}", is_flag=True, help=f"You have {words}.")(command)
    return command


@click.command()
@CONFIG
@PART
@click.argument("tank")
@click.argument("text", nargs=-1)
@_test_options
@click.option("--changed", metavar="SHARE", help="A water change: 20%, or the water as 12L or 3gal.")
@_done_options
@click.option(
    "--at",
    metavar="TIME",
    help="When it was: 18:30 (today), 2026-03-01 18:30 by the tank's clock, or RFC 3339; left out: now.",
)
@click.option("--list", "listed", is_flag=True, help="Show what has been noted.")
@click.option("--undo", type=int, metavar="ID", help="Take an entry back; --list shows the ids.")
def note(
    config: str,
    part: Part | None,
    tank: str,
    text: tuple[str, ...],
    changed: str | None,
    at: str | None,
    listed: bool,
    undo: int | None,
    **more: Any,
) -> int:
    """Keep the tank's log: tests by hand, water changes, dosing, feeding, cleaning, in your own words.

    The analysis takes up what it can: a hardness test, a water change that explains what the water does, a
    calibration. It may be typed while `rushlight run` goes on or not.

    \b
      rushlight note hallway --kh 4 --at 18:30
      rushlight note hallway --changed 20% --cleaned new filter wool
      rushlight note hallway --list
      rushlight note hallway --undo 12
    """
    from rushlight.analysis.service.log_input import Typed, log_lines, log_store, noted, undone
    from rushlight.collector.service.listener import system_clock

    given = {name: more[name] for name in TESTS if more[name] is not None}
    done = tuple(name for name in DONE if more[name])
    typed = Typed(tank, " ".join(text), given, changed, done, at)
    if (listed or undo is not None) and (typed.says_something or at is not None or (listed and undo)):
        raise click.UsageError("--list and --undo go alone, without anything to note", _context())
    settings = settings_of(config, part)
    now_ms = system_clock()
    with log_store(settings, tank, read_only=listed) as store:
        if listed:
            lines = log_lines(settings, tank, store)
        elif undo is not None:
            lines = [undone(settings, tank, store, undo, now_ms)]
        else:
            lines = [noted(settings, typed, store, now_ms)]
    for line in lines:
        say(line)
    return 0


def _context() -> click.Context:
    return click.get_current_context()
