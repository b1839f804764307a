"""A test notice to every target."""

from __future__ import annotations

import os
from collections.abc import Callable

from rushlight.analysis.service.run import make_notifier
from rushlight.collector.errors import SettingsError
from rushlight.collector.service.listener import system_clock
from rushlight.collector.settings import Settings

__all__ = ["send_test"]


def send_test(settings: Settings, tell: Callable[[str], None]) -> int:
    """Send a test notice to each target now; 0 where all took it, 1 where one did not."""
    notices = settings.notices
    notifier = make_notifier(settings, system_clock)
    if not notifier.targets:
        raise SettingsError(
            f"{settings.path}: notices.urls_env: environment variable {notices.urls_env} is not set, so "
            f"there is nowhere to send to; type export {notices.urls_env}='…' first "
            "(docs/notices.md, 'Targets')"
        )
    from rushlight.analysis.estimators.local_clock import LocalClock
    from rushlight.analysis.notices.channels import WrongAddress, masked, send_by_apprise, split_urls
    from rushlight.analysis.notices.wording import test_text
    from rushlight.analysis.notices.workers import LIMIT_S, PatientSender, SlowTarget

    send = PatientSender(send_by_apprise, patience_s=LIMIT_S)

    zone = next((tank.timezone for tank in settings.tanks.values()), "UTC")
    text = test_text(LocalClock(zone).moment_text(system_clock()))
    failed = 0
    for url in split_urls(os.environ.get(notices.urls_env, "")):
        name = f"target {masked(url)}"
        try:
            taken = send(url, text.title, text.body, "low")
            why = "refused, sent elsewhere, or out of reach"
        except WrongAddress as error:
            taken, why = False, str(error)
        except SlowTarget:
            taken, why = False, f"no answer within {LIMIT_S:g} s"
        except Exception as error:
            # a plugin may raise anything, and its message may hold the URL's secrets
            taken, why = False, type(error).__name__
        tell(f"{name}: {'taken' if taken else f'not taken: {why}'}")
        failed += not taken
    return 1 if failed else 0
