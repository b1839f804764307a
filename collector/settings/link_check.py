"""Whether links get in each other's way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rushlight.collector.settings.lines import Path
from rushlight.collector.settings.tables import LinkSettings, MqttLink

__all__ = ["link_faults"]


def link_faults(links: Sequence[LinkSettings]) -> Iterator[tuple[Path, str]]:
    """Links that are there twice: (key, what is wrong). A broker knows one program by a name."""
    seen: dict[tuple[object, ...], int] = {}
    for number, link in enumerate(links, 1):
        if isinstance(link, MqttLink):
            key, name = "client_id", link.client_id
            place: tuple[object, ...] = (link.host.lower(), link.port, name)
            why = (
                f"at {link.host}:{link.port}: each of the two would end the other's connection, so put "
                "their [[links.map]] under one of them, or give each its own client_id"
            )
        else:
            key, name = "port", link.port
            place = (name,)
            why = "as well: one port has one reader; leave one out"
        first = seen.setdefault(place, number)
        if first != number:
            yield ("links", number, key), f"{name!r} is that of links[{first}] {why}"
