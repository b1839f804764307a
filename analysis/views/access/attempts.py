"""How often somebody may try a password, a code or a link in vain."""

from __future__ import annotations

import ipaddress

__all__ = ["MOST_FAILURES", "WINDOW_MS", "Attempts"]

MOST_FAILURES = 8
"""Failures within `WINDOW_MS` from one address; NIST SP 800-63B, section 5.2.2, allows 100 in a row."""
WINDOW_MS = 15 * 60_000
_MOST_ADDRESSES = 1000


class Attempts:
    """Failures by address; an IPv6 customer's whole /64 counts as one."""

    def __init__(self) -> None:
        self._failures: dict[str, list[int]] = {}

    def wait_ms(self, address: str, now_ms: int) -> int:
        """How long this address has to wait, 0 for not at all."""
        recent = [at for at in self._failures.get(_net(address), ()) if 0 <= now_ms - at < WINDOW_MS]
        return 0 if len(recent) < MOST_FAILURES else recent[-MOST_FAILURES] + WINDOW_MS - now_ms

    def failed(self, address: str, now_ms: int) -> None:
        """It was wrong."""
        net = _net(address)
        kept = [at for at in self._failures.pop(net, ()) if 0 <= now_ms - at < WINDOW_MS]
        self._failures[net] = [*kept, now_ms][-MOST_FAILURES:]
        while len(self._failures) > _MOST_ADDRESSES:
            del self._failures[next(iter(self._failures))]

    def succeeded(self, address: str) -> None:
        """It was right."""
        self._failures.pop(_net(address), None)


def _net(address: str) -> str:
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(ip, ipaddress.IPv6Address) and ip.ipv4_mapped is None:
        return str(ipaddress.ip_network((ip, 64), strict=False))
    return str(ip)
