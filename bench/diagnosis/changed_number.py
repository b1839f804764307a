"""A plugin of pytest that changes one number of the judging: `-p bench.diagnosis.changed_number`.

The environment names it: RUSHLIGHT_CHANGED_NUMBER="HEATER.settled_c=0.45"; without it nothing is changed.
"""

from __future__ import annotations

import contextlib
import os

import pytest

from bench.diagnosis.changes import Change, changed

__all__ = ["VARIABLE", "change_from", "text_of"]

VARIABLE = "RUSHLIGHT_CHANGED_NUMBER"


def text_of(change: Change) -> str:
    """As it is put into the environment; a whole number comes back as one."""
    return f"{change.name}={change.value!r}"


def change_from(text: str) -> Change | None:
    """What such a text says.

    Raises
    ------
    ValueError
        It is no name and number.
    """
    if not text:
        return None
    name, equals, value = text.partition("=")
    if not equals:
        raise ValueError(f"{VARIABLE}: {text!r} must be NAME.field=value")
    return Change(name, int(value) if value.lstrip("-").isdigit() else float(value))


def pytest_configure(config: pytest.Config) -> None:
    """Changed until the tests are over."""
    stack = contextlib.ExitStack()
    stack.enter_context(changed(change_from(os.environ.get(VARIABLE, ""))))
    config.add_cleanup(stack.close)
