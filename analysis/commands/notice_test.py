"""`rushlight notice-test`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, say, settings_of

__all__ = ["notice_test"]


@click.command("notice-test")
@CONFIG
def notice_test(config: str) -> int:
    """Send a test notice to every target and say which took it."""
    from rushlight.analysis.service.notice_trial import send_test

    return send_test(settings_of(config), say)
