"""What was refused of late, one entry for each link, topic and kind of fault: for whoever has to fix it.

The log says it once a minute and is seldom read; this is kept with the readings, for `status` and the page.
"""

from __future__ import annotations

import msgspec

from rushlight.collector.errors import WireError
from rushlight.collector.intake.delivery import Delivery

__all__ = ["REFUSED_STATE", "Refusal", "Refusals", "UnknownTank", "load_refusals"]

REFUSED_STATE = "refused"
"""Kind of the snapshot that holds a list of `Refusal`, under the key ""."""

_OF_A_KIND = 8  # names come from outside: a flood of one kind pushes out its own kind only
_HEAD = 1000  # bytes of the last payload
_TOPIC = 200  # characters
_REASON = 500  # characters


class UnknownTank(WireError):
    """A report of a tank that the settings don't have."""

    def __init__(self, tank: str, path: str) -> None:
        key = tank if tank.replace("-", "").replace("_", "").isalnum() else f'"{tank}"'
        super().__init__(
            "unknown-tank",
            f"tank {tank!r} is not in the settings; add [tanks.{key}] to {path}, or correct the name in the "
            "firmware",
        )
        self.tank = tank


class Refusal(msgspec.Struct, forbid_unknown_fields=True):
    """One cause of refused payloads or records; all texts are as they came in.

    Attributes
    ----------
    link, topic, kind : str
        Where it came from ("" for a serial line's topic), and the kind of its `WireError`.
    count : int
        How often, since it was first seen or pushed out.
    last_ms : int
        When it last came, ms since 1970.
    reason : str
    example : bytes
        The beginning of the last payload.
    tank : str
        Of a tank that the settings don't have: its name.
    """

    link: str
    topic: str
    kind: str
    count: int = 0
    last_ms: int = 0
    reason: str = ""
    example: bytes = b""
    tank: str = ""


class Refusals:
    """Notes refusals; a bounded number of them."""

    def __init__(self, known: list[Refusal] | None = None) -> None:
        self._known = {(one.link, one.topic, one.kind): one for one in known or []}

    def note(self, delivery: Delivery, error: WireError, tank: str = "") -> None:
        """Something of `delivery` was refused."""
        key = delivery.link, (delivery.topic or "")[:_TOPIC], error.kind
        found = self._known.pop(key, None)
        if found is None:
            same = [one for one in self._known if one[2] == error.kind]
            if len(same) >= _OF_A_KIND:
                del self._known[same[0]]  # the one that is longest ago
            found = Refusal(*key)
        self._known[key] = found
        found.count += 1
        found.last_ms = delivery.arrived_ms
        found.reason = str(error)[:_REASON]
        found.example = delivery.payload[:_HEAD]
        found.tank = tank

    def dump(self) -> bytes:
        """All, for `load_refusals`."""
        return msgspec.msgpack.encode(list(self._known.values()))


def load_refusals(blob: bytes | None) -> list[Refusal]:
    """What `Refusals.dump` gave, the longest ago first; none where it is of another version."""
    if blob is None:
        return []
    try:
        return msgspec.msgpack.decode(blob, type=list[Refusal])
    except msgspec.MsgspecError:
        return []
