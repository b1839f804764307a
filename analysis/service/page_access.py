"""Who may come to the status page, as it is typed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from rushlight.analysis.views.access.keys import Keys
from rushlight.collector.errors import SettingsError, StoreError
from rushlight.collector.service.parts import settings_of_whole
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["invited", "link_lines", "revoked", "set_password"]


def set_password(settings: Settings, password: str, now_ms: int) -> str:
    """Keep it; in words. The store is made where there is none, so that it can be set before the first start.

    Raises
    ------
    SettingsError
        It is too short or too long.
    StoreError
        The store can't be written.
    """
    settings = settings_of_whole(settings)
    with EmbeddedStore(settings.store_path()) as store:
        Keys(store).set_password(password, now_ms)
    return "The page's password is set; every browser has to log in again."


def invited(
    settings: Settings,
    name: str,
    tanks: Sequence[str],
    until: str,
    answers: bool,
    phone: str,
    words: str,
    now_ms: int,
) -> list[str]:
    """Make a link; the lines to be printed.

    Raises
    ------
    SettingsError
        No such tank, no such date, or no address of the page to make a link with.
    StoreError
        There is no store yet.
    """
    chosen = list(tanks) or list(settings.tanks)
    for tank in chosen:
        if tank not in settings.tanks:
            known = ", ".join(settings.tanks)
            raise SettingsError(f"{settings.path}: there is no tank {tank!r}; known are {known}")
    try:
        last = datetime.fromisoformat(until).date()
        day = datetime.combine(last, time(), _zone(settings)) + timedelta(days=1)
        until_ms = round(day.timestamp() * 1000)
    except (ValueError, OverflowError):
        raise SettingsError(f"--until: {until!r} is no day; write it as 2026-03-14") from None
    with _store(settings) as store:
        link, secret = Keys(store).invite(name, chosen, answers, until_ms, now_ms, phone, words)
    page = settings.status_page
    base = (page.url or f"http://localhost:{page.port}").rstrip("/")
    lines = [
        f"For {link.name}, {', '.join(chosen)}, until the end of {until} (id {link.id}):",
        f"  {base}/visit/{secret}",
    ]
    if page.url is None:
        lines.append(
            "This address works at this computer only. Set [status_page] url to the one that people use."
        )
    lines.append("Whoever has the link comes in. It is shown this once; end it with --revoke.")
    return lines


def link_lines(settings: Settings, now_ms: int) -> list[str]:
    """The links that are open, a line each; their end by the clock of the house, to the minute."""
    zone = _zone(settings)
    with _store(settings) as store:
        links = [link for link in Keys(store).links() if link.until_ms > now_ms]
    return [
        f"{link.id}  {link.name}: {', '.join(link.tanks)}; {'may answer' if link.answers else 'may look'}; "
        f"until {datetime.fromtimestamp(link.until_ms / 1000, zone):%Y-%m-%d %H:%M}"
        for link in links
    ] or ["No link is open."]


def revoked(settings: Settings, number: str) -> str:
    """End a link; in words."""
    with _store(settings) as store:
        if not Keys(store).revoke(number):
            raise SettingsError(f"--revoke: there is no link {number!r}; see `rushlight invite --list`")
    return f"{number}: revoked; it lets nobody in any more."


def _zone(settings: Settings) -> ZoneInfo:
    """The first tank's: whoever invites sits beside it."""
    return ZoneInfo(next((tank.timezone for tank in settings.tanks.values()), "UTC"))


def _store(settings: Settings) -> EmbeddedStore:
    path = settings_of_whole(settings).store_path()
    if not path.exists():
        raise StoreError(
            f"{path}: there is no such file; start `rushlight run` first or correct [store] path"
        )
    return EmbeddedStore(path)
