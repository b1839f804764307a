"""Whether others than this machine could reach the page while nobody has to log in."""

from __future__ import annotations

import ipaddress
from contextlib import closing
from pathlib import Path

from rushlight.analysis.views.access.keys import has_login
from rushlight.collector.errors import StoreError
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["is_loopback", "open_without_login"]


def is_loopback(host: str) -> bool:
    """Whether an address (or "localhost") can be reached from this machine only."""
    try:
        return host == "localhost" or ipaddress.ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return False


def open_without_login(settings: Settings, store_path: Path) -> str:
    """What is wrong with that, and what to do; "" where all is well. A name is taken for an open address."""
    page = settings.status_page
    if not page.enabled or (is_loopback(page.host) and not page.proxies):
        return ""
    try:
        if store_path.exists():
            with closing(EmbeddedStore(store_path, read_only=True)) as store:
                if has_login(store):
                    return ""
    except StoreError:
        pass  # whatever is wrong with it, nothing says that there is a password
    if is_loopback(page.host):
        return (
            "status_page.proxies: a proxy opens the page to others, and it has no password; set one by "
            f"`rushlight password --config {settings.path}`, or take proxies out"
        )
    return (
        f"status_page.host: {page.host!r} opens the page to the network, which has no password; set one by "
        f'`rushlight password --config {settings.path}`, or take host = "127.0.0.1"'
    )
