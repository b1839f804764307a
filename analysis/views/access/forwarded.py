"""Whose request it is where a proxy hands it on: by the addresses that trusted proxies have added to it."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Sequence

__all__ = ["MOST_HOPS", "Networks", "is_among", "networks_of", "visitor_address"]

Networks = tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...]

MOST_HOPS = 8
"""Addresses that are looked at, from the last. Common practice, no source."""


def networks_of(proxies: Iterable[str]) -> Networks:
    """Addresses and networks of the settings, which have been checked."""
    return tuple(ipaddress.ip_network(text, strict=False) for text in proxies)


def visitor_address(peer: str, forwarded: Sequence[str], proxies: Networks) -> str:
    """Where a request comes from.

    Parameters
    ----------
    peer : str
        The address at the other end of the connection.
    forwarded : sequence of str
        The values of its `X-Forwarded-For`, in order: each proxy adds, at the end, whom it has it from. What
        a visitor has written there itself therefore stands before what the proxies saw, and is not looked at.
    proxies : Networks
        Those that are believed. From any other peer the header says nothing.
    """
    found = peer
    named = [part for value in forwarded for part in value.split(",")]
    for part in named[: -MOST_HOPS - 1 : -1]:
        if not is_among(found, proxies):
            return found
        address = _address(part)
        if address is None:
            return found  # a proxy that says nothing readable: all of its visitors count as one
        found = address
    return found


def is_among(address: str, proxies: Networks) -> bool:
    """Whether an address is one of theirs."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(ip, "ipv4_mapped", None)
    return any((mapped or ip) in network for network in proxies)


def _address(text: str) -> str | None:
    """An address, with or without a port and brackets."""
    bare = text.strip()
    if bare.startswith("["):
        bare = bare[1:].partition("]")[0]
    elif bare.count(":") == 1:
        bare = bare.partition(":")[0]
    try:
        return str(ipaddress.ip_address(bare))
    except ValueError:
        return None
