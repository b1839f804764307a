"""Tanks shared out among several `rushlight run`: `--part 2/4` is the second of four.

A tank belongs to the part ``crc32(name) mod parts + 1`` (CRC-32/ISO-HDLC, UTF-8), so to exactly one, the
same in every process and on every machine. Each part is a whole collector for its tanks: own settings made
from the common file by `settings_of_part`, own store file, own client id, own kept session; nothing is shared
between parts.

Each part subscribes for each of its tanks to ``$share/rushlight-2-of-4/rushlight/TANK/readings`` (MQTT 5
section 4.8.2), its group being the part. A broker keeps the order of one topic only towards one session, so a
group must have one member: the lock beside the store and the client id see to that. What a device says of
itself is retained, and retained messages don't go to shared subscriptions: those are subscribed plainly.
"""

from __future__ import annotations

import logging
import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import msgspec

from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import MqttLink, Settings

__all__ = [
    "Part",
    "PartLink",
    "parse_part",
    "part_of",
    "parts_present",
    "settings_of_part",
    "settings_of_tank",
    "settings_of_whole",
    "siblings",
]

_log = logging.getLogger("rushlight.collector")

_MOST = 1000


class Part(NamedTuple):
    """`number` of `parts`, counted from 1."""

    number: int
    parts: int

    def __str__(self) -> str:
        return f"{self.number}-of-{self.parts}"


class PartLink(MqttLink, tag_field="kind", tag="mqtt"):
    """A broker as one part sees it: only `tanks`, through the shared subscriptions of `group`."""

    group: str = ""
    tanks: list[str] = msgspec.field(default_factory=list)

    def filters(self) -> list[str]:
        share = f"$share/{self.group}/"
        readings = [f"{share}rushlight/{tank}/readings" for tank in self.tanks]
        mapped = [share + entry.topic for entry in self.map]
        return list(dict.fromkeys(readings + mapped)) + [f"rushlight/{tank}/device" for tank in self.tanks]


def part_of(tank: str, parts: int) -> int:
    """The number of the part that a tank belongs to, 1 to `parts`."""
    return zlib.crc32(tank.encode()) % parts + 1


def parse_part(text: str) -> Part:
    """ "2/4"; ValueError otherwise."""
    match = re.fullmatch(r"(\d{1,4})/(\d{1,4})", text)
    part = Part(int(match[1]), int(match[2])) if match else Part(0, 0)
    if not 1 <= part.number <= part.parts <= _MOST:
        raise ValueError(f"{text!r} is no part; write 2/4 for the second of four")
    return part


def settings_of_part(settings: Settings, part: Part) -> Settings:
    """The settings by which one part runs; the same settings where there is only one part.

    Raises
    ------
    SettingsError
        A link that can't be shared out, or no tank falls to this part.
    """
    if part.parts == 1:
        return settings
    tanks = {name: tank for name, tank in settings.tanks.items() if part_of(name, part.parts) == part.number}
    if not tanks:
        raise SettingsError(
            f"{settings.path}: tanks: none of the {len(settings.tanks)} falls to part {part.number} of "
            f"{part.parts}; run fewer parts"
        )
    links = []
    for number, link in enumerate(settings.links, 1):
        where = f"{settings.path}: links[{number}]"
        if not isinstance(link, MqttLink):
            raise SettingsError(
                f"{where}: a serial port has one reader and can't be shared out; give its tank a "
                "`rushlight run` and a settings file of its own"
            )
        if link.protocol != "5":
            raise SettingsError(f'{where}.protocol: several parts need MQTT 5; write protocol = "5"')
        given = {field: getattr(link, field) for field in MqttLink.__struct_fields__}
        given["client_id"] = f"{link.client_id}-{part}"
        given["map"] = [entry for entry in link.map if entry.tank in tanks]
        links.append(PartLink(**given, group=f"rushlight-{part}", tanks=list(tanks)))
    path = Path(settings.store.path)
    replace = msgspec.structs.replace
    return replace(
        settings,
        links=links,
        tanks=tanks,
        store=replace(settings.store, path=str(path.with_name(f"{path.stem}.{part}{path.suffix}"))),
        # one URL for all would go on being pinged when one part is dead
        notices=replace(
            settings.notices, heartbeat_url_env=f"{settings.notices.heartbeat_url_env}_{part.number}"
        ),
        status_page=replace(settings.status_page, port=settings.status_page.port + part.number - 1),
    )


def settings_of_tank(common: Settings, tank: str) -> Settings:
    """Those of the part that has the tank, going by the stores; the same settings where there are no parts.

    Raises
    ------
    SettingsError
        There are parts, and no such tank.
    """
    present = parts_present(common)
    if not present:
        return common
    if tank not in common.tanks:
        raise SettingsError(f"{common.path}: there is no tank {tank!r}; known are {', '.join(common.tanks)}")
    parts = present[0].parts
    return settings_of_part(common, Part(part_of(tank, parts), parts))


def settings_of_whole(common: Settings) -> Settings:
    """The same settings, for work on one store.

    Raises
    ------
    SettingsError
        There are several; the message names the parts.
    """
    ways = []
    for part in parts_present(common):
        tanks = [name for name in common.tanks if part_of(name, part.parts) == part.number]
        ways.append(f"--part {part.number}/{part.parts} ({', '.join(tanks) or 'no tank'})")
    if ways:
        raise SettingsError(
            f"{common.path}: several collectors share the tanks, each with a store of its own; add "
            f"{' or '.join(ways)}"
        )
    return common


def parts_present(common: Settings) -> list[Part]:
    """The parts that were running last, going by the stores beside the settings' one; in order.

    Empty where there are none, or one service for all tanks was running later.
    """
    own = common.store_path()  # may itself be a part's: of the settings of one part
    found = {path: None if path == own else _part_in(path) for path in siblings(common)}
    last = found.get(max(found, key=_written_s, default=own))
    return sorted(part for part in found.values() if part and last and part.parts == last.parts)


def _part_in(path: Path) -> Part | None:
    match = re.search(r"\.(\d+)-of-(\d+)$", path.stem)
    return Part(int(match[1]), int(match[2])) if match else None


def _written_s(path: Path) -> float:
    """When a store was last written: first into the log beside it."""
    log = path.with_name(path.name + "-wal")
    return max(one.stat().st_mtime for one in (path, log) if one.exists())


def siblings(common: Settings) -> Iterator[Path]:
    path = common.store_path()
    if path.exists():
        yield path
    pattern = re.compile(re.escape(path.stem) + r"\.\d+-of-\d+" + re.escape(path.suffix))
    yield from sorted(one for one in path.parent.glob(f"{path.stem}.*") if pattern.fullmatch(one.name))
