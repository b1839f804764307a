"""`rushlight demo`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

__all__ = ["demo"]


@click.command()
@click.option(
    "--directory", type=click.Path(path_type=Path), help="Where to leave the store; kept afterwards."
)
@click.option("--seconds", type=click.FloatRange(min=1), help="About how long it should take.")
def demo(directory: Path | None, seconds: float | None) -> int:
    """Show the whole job on a simulated tank, compressed in time: no hardware, no server."""
    from rushlight.analysis.demo.run import run_demo

    return run_demo(directory, seconds, sys.stdout)
