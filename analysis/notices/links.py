"""Links to the page in a notice: to the alarm itself, with all its steps and one button."""

from __future__ import annotations

import re
from urllib.parse import quote

__all__ = ["with_links"]

_NAMED = re.compile(r"^( *)Alarm: (\S+)$", re.MULTILINE)


def with_links(body: str, url: str | None) -> str:
    """The body with a link to each alarm that it names; unchanged where the page has no address.

    Of one alarm it stands behind the first step, where a phone still shows it.
    """
    if url is None:
        return body
    base = url.rstrip("/")
    names = _NAMED.findall(body)
    if len(names) != 1:
        return _NAMED.sub(lambda found: f"{found[0]}\n{found[1]}{_address(base, found[2])}", body)
    first, gap, rest = body.partition("\n\n")
    return f"{first}\n\n{_address(base, names[0][1])}{gap}{rest}"


def _address(base: str, occurrence: str) -> str:
    return f"{base}/alarm/{quote(occurrence, safe='/:')}"
