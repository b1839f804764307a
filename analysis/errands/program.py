"""`python -m rushlight.analysis.errands.program`: does one of the keeper's jobs for the page, and ends.

What it reads and writes is in `talk`. The functions that do a job are those of the commands.
"""

from __future__ import annotations

import importlib
import os
import sys

from rushlight.analysis.errands.talk import Talk
from rushlight.collector.errors import RushlightError
from rushlight.collector.settings import load_settings

__all__ = ["JOBS", "main"]

JOBS = {
    "away": "leaving",
    "sheet": "leaving",
    "move": "moving",
    "follow": "moving",
    "species": "moving",
    "calibrate": "probes",
    "calibrations": "probes",
    "report": "papers",
    "bundle": "papers",
    "try": "trying",
}
"""Each job, and the module that does it: none imports what another needs."""

_CALLED = {"try": "try_"}


def main() -> int:
    """0, or 1 where it came to nothing."""
    if hasattr(os, "nice"):
        os.nice(10)  # the watch comes first
    talk = Talk()
    order = talk.hear()
    try:
        module = importlib.import_module(f"rushlight.analysis.errands.{JOBS[order.errand]}")
        settings = load_settings(order.config)
        if order.tank not in settings.tanks:
            raise RushlightError(f"there is no tank {order.tank!r} in {order.config} any more")
        getattr(module, _CALLED.get(order.errand, order.errand))(settings, order, talk)
    except (RushlightError, OSError) as error:
        talk.tell(fault=str(error))
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
