"""The notice that another program takes what a broker has for us, once it lasts."""

from __future__ import annotations

from collections.abc import Iterable

from rushlight.analysis.notices.notice_store import NoticeStore
from rushlight.analysis.notices.store_or_memory import NoticeKeeping
from rushlight.analysis.notices.wording import Text
from rushlight.collector.links.contest import contested

__all__ = ["LASTS_MS", "ContestNotice"]

LASTS_MS = 10 * 60_000
"""What lasts so long does not end by itself; a contest that is over counts as one for five minutes more.
Common practice, no source."""

_KIND = "client-id-shared"


class ContestNotice:
    """Looks at the links and says once that a contest lasts, and that it is over.

    Parameters
    ----------
    keeping : NoticeKeeping
        Where the notice goes; sent, repeated and kept like that of readings that can't be stored.
    """

    def __init__(self, keeping: NoticeKeeping) -> None:
        self._keeping = keeping
        self._since_ms: int | None = None

    def step(self, links: Iterable[object], store: NoticeStore, now_ms: int) -> None:
        """After each round of the service; `now_ms` by the clock."""
        names = contested(links)
        if not names:
            if self._since_ms is not None:
                self._keeping.own_ends(_KIND, _over_text, self._since_ms, now_ms)
                self._since_ms = None
            return
        if self._since_ms is None or now_ms < self._since_ms:
            self._since_ms = now_ms
        if now_ms - self._since_ms >= LASTS_MS:

            def text(since: str) -> Text:
                return _text(since, " and ".join(names))

            self._keeping.own_begins(_KIND, text, store, self._since_ms, now_ms)


def _text(since: str, names: str) -> Text:
    return Text(
        "HIGH: another program takes the readings that are meant for Rushlight",
        "Stop the other program, or give this link a client_id of its own in the settings, and reload.\n\n"
        f"Since {since} another program connects to {names} by the same client_id. Each ends the other's "
        "connection, and what devices send goes now to one and now to the other. Most readings are lost, so "
        "an alarm may come late or not at all. The heartbeat is stopped meanwhile.\n\n"
        "You will be reminded until it is over; it can't be acknowledged.",
    )


def _over_text(since: str, until: str) -> Text:
    return Text(
        "Over: no other program takes Rushlight's readings any more",
        f"Nothing to do now.\n\nFrom {since} to {until} readings went to another program and are lost here.",
    )
