"""Brokers that a reload has taken out of the settings, remembered in the store until they have ended.

What a broker has sent and nobody has acknowledged stays in its session. If the service is killed before the
broker is let go, nothing in the settings leads there any more: the next start asks it once more.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence

import msgspec

from rushlight.collector.errors import SettingsError
from rushlight.collector.links.base import SESSION_S
from rushlight.collector.service.link_exchange import Links, Make, rivals
from rushlight.collector.service.parts import PartLink
from rushlight.collector.settings import LinkSettings, MqttLink
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["LET_GO_META", "LetGo"]

_log = logging.getLogger("rushlight.collector")

LET_GO_META = "links-let-go"
"""In the store: the links that end, as JSON."""


class _One(msgspec.Struct):
    """A broker's link that ends, and since when (ms UTC). Its secrets are in the environment, not in it."""

    since_ms: int
    link: MqttLink
    group: str | None = None  # where it was one part's
    tanks: list[str] = []

    @classmethod
    def of(cls, link: MqttLink, since_ms: int) -> _One:
        plain = MqttLink(**{name: getattr(link, name) for name in MqttLink.__struct_fields__})
        if isinstance(link, PartLink):
            return cls(since_ms, plain, link.group, link.tanks)
        return cls(since_ms, plain)

    def settings(self) -> MqttLink:
        if self.group is None:
            return self.link
        fields = {name: getattr(self.link, name) for name in MqttLink.__struct_fields__}
        return PartLink(**fields, group=self.group, tanks=self.tanks)


class LetGo:
    """What the store says of the links that end, kept up to date.

    Parameters
    ----------
    store : EmbeddedStore
    """

    def __init__(self, store: EmbeddedStore) -> None:
        self._store = store
        self._kept = _read(store)

    def keep(self, ending: Iterable[LinkSettings], now_ms: int) -> None:
        """These end, and no others. Writes nothing where the store says so already.

        Raises
        ------
        StoreError
            It can't be written.
        """
        before = {(one.link.host, one.link.port, one.link.client_id): one.since_ms for one in self._kept}
        found = [
            _One.of(link, before.get((link.host, link.port, link.client_id), now_ms))
            for link in ending
            if isinstance(link, MqttLink)
        ]
        if found != self._kept:
            self._store.set_meta(LET_GO_META, msgspec.json.encode(found).decode())
            self._kept = found

    def take_up(self, links: Links, wanted: Sequence[LinkSettings], make: Make, now_ms: int) -> None:
        """What an earlier run has not brought to its end: its broker may still hold something.

        Not one that the settings name again, and none that has forgotten the session by now.
        """
        for one in self._kept:
            if now_ms - one.since_ms >= SESSION_S * 1000 or any(rivals(one.link, link) for link in wanted):
                continue
            settings = one.settings()
            try:
                links.finish(make(settings), settings)
            except SettingsError as error:
                _log.warning(
                    "%s:%d, which a reload has taken out of the settings: what it may still hold can't be "
                    "fetched: %s",
                    one.link.host,
                    one.link.port,
                    error,
                )


def _read(store: EmbeddedStore) -> list[_One]:
    try:
        return msgspec.json.decode(store.get_meta(LET_GO_META) or "[]", type=list[_One])
    except msgspec.MsgspecError:
        return []  # from another version
