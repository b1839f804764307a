"""The templates of the page; every text that they print is escaped, and none has control characters."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.physics.carbon_dioxide import likely_text
from rushlight.analysis.views.cautions_beside import before_step, below_steps
from rushlight.analysis.views.facts import age_text
from rushlight.analysis.views.page.front_words import sentence
from rushlight.collector.safe_text import safe_lines
from rushlight.collector.store.log_words import DONE, TESTS
from rushlight.collector.units import Display, shown

__all__ = ["environment_of"]


def environment_of(
    folder: Path, version: str, units: Display = "metric", names: Sequence[str] = ()
) -> Environment:
    """The templates of a folder; `version` is of the static files, `units` what people are shown.

    `names`: of tanks, which are no quantities.
    """

    def finalize(value: Any) -> Any:
        """What a template prints: a name may have come from a device or a file."""
        plain = isinstance(value, str) and not hasattr(value, "__html__")
        return shown(safe_lines(value), units, names) if plain else value

    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=finalize,
    )
    environment.filters.update(age=age_text, utc=utc_text, capital=_capital)
    environment.globals.update(
        likely_text=likely_text,
        version=version,
        sentence=sentence,
        before_step=before_step,
        below_steps=below_steps,
        TESTS=TESTS,
        DONE=DONE,
    )
    return environment


def _capital(text: str) -> str:
    """A sentence's first letter; a key of the settings and pH are written as they are."""
    first = text.partition(" ")[0]
    return text if first == "pH" or "_" in first or "." in first[:-1] else text[:1].upper() + text[1:]
