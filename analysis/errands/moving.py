"""May these animals go into the tank, and how the waters are brought together."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.change_over.job import Asked, follow_lines, move_lines
from rushlight.analysis.change_over.species import SPECIES, own_species
from rushlight.analysis.errands.talk import Order, Talk
from rushlight.analysis.errands.typed import hardness, litres, number, temperature
from rushlight.collector.settings import Settings

__all__ = ["follow", "move", "species"]

_CAUTIONS = frozenset(CAUTIONS.values())


def move(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight move`."""
    _said(move_lines(settings, _asked(settings, order)), talk, answer_at=1)


def follow(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight move --follow`: live, with a probe in the container."""
    _said(follow_lines(settings, _asked(settings, order)), talk, answer_at=None)


def species(settings: Settings, order: Order, talk: Talk) -> None:
    """Whose limits are known."""
    for name, one in sorted((SPECIES | own_species(Path(settings.path).parent)).items()):
        talk.tell(choice=[name, one.title])


def _said(lines: Iterator[str], talk: Talk, answer_at: int | None) -> None:
    for number_, line in enumerate(lines):
        if line in _CAUTIONS:
            talk.tell(caution=line)
        elif number_ == answer_at:
            talk.tell(answer=line)
        else:
            talk.line(line)


def _asked(settings: Settings, order: Order) -> Asked:
    water = litres(order, "water", settings, 0.1, 500)
    container = litres(order, "container", settings, 0.2, 1000)
    asked = Asked(
        order.tank,
        order.text("other"),
        order.text("species"),
        temperature(order, "temperature", settings),
        number(order, "ph", 3, 11),
        hardness(order, "kh", "dKH", 40),
        hardness(order, "gh", "dGH", 60),
        temperature(order, "tank-temperature", settings),
        hardness(order, "tank-kh", "dKH", 40),
        hardness(order, "tank-gh", "dGH", 60),
        temperature(order, "temperature-low", settings),
        temperature(order, "temperature-high", settings),
        temperature(order, "night", settings),
    )
    if water is not None:
        asked = asked._replace(water_litres=water)
    return asked if container is None else asked._replace(container_litres=container)
