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
import time
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import msgspec

from rushlight.collector.errors import SettingsError, StoreError
from rushlight.collector.influx.state import load_drain_state
from rushlight.collector.intake.timing import STAMPER_KINDS
from rushlight.collector.readings import Reading
from rushlight.collector.settings import MqttLink, Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = [
    "Part",
    "PartLink",
    "parse_part",
    "part_of",
    "parts_present",
    "settings_of_part",
    "settings_of_tank",
    "settings_of_whole",
    "take_over",
]

_log = logging.getLogger("rushlight.collector")

_MOST = 1000
_MAKING_S = 30.0
_KINDS = (*STAMPER_KINDS, "quality", "analysis")


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


def take_over(common: Settings, own: Settings, store: EmbeddedStore) -> None:
    """Take up tanks that another store beside this one has newer readings of: parts have changed.

    What was learnt, the active alarms, their events and notices, report numbers and the readings behind
    the snapshot or not yet on the server are copied; older readings and events stay where they are. What
    still waited here to be sent is given up: the other store knows what became of it.

    Raises
    ------
    StoreError
        The service of a store that has to be taken over from is still running.
    """
    others = [path for path in _siblings(common) if path != store.path]
    for name in own.tanks:
        mine, best, source = _newest_ms(store, name), -1, None
        for path in others:
            with closing(_opened(path)) as other:
                newest = _newest_ms(other, name)
            if newest > max(mine, best):
                best, source = newest, path
        if source is None:
            continue
        running = ServiceLock(source).running()
        if running:
            raise StoreError(
                f"{source}: has newer readings of {name} than {store.path}, and its service (process "
                f"{running}) is running; stop all parts before their number changes"
            )
        with closing(EmbeddedStore(source, read_only=True)) as other:
            _copy(name, other, store, _untaken(name, other, common))
        _log.info("%s: taken over from %s", name, source)


def parts_present(common: Settings) -> list[Part]:
    """The parts that were running last, going by the stores beside the settings' one; in order.

    Empty where there are none, or one service for all tanks was running later.
    """
    own = common.store_path()  # may itself be a part's: of the settings of one part
    found = {path: None if path == own else _part_in(path) for path in _siblings(common)}
    last = found.get(max(found, key=_written_s, default=own))
    return sorted(part for part in found.values() if part and last and part.parts == last.parts)


def _opened(path: Path) -> EmbeddedStore:
    """A sibling, for reading; parts that start together may find each other's store half made."""
    end = time.monotonic() + _MAKING_S
    while True:
        try:
            return EmbeddedStore(path, read_only=True)
        except StoreError:
            if time.monotonic() > end or not ServiceLock(path).running():
                raise
        time.sleep(0.05)


def _part_in(path: Path) -> Part | None:
    match = re.search(r"\.(\d+)-of-(\d+)$", path.stem)
    return Part(int(match[1]), int(match[2])) if match else None


def _written_s(path: Path) -> float:
    """When a store was last written: first into the log beside it."""
    log = path.with_name(path.name + "-wal")
    return max(one.stat().st_mtime for one in (path, log) if one.exists())


def _siblings(common: Settings) -> Iterator[Path]:
    path = common.store_path()
    if path.exists():
        yield path
    pattern = re.compile(re.escape(path.stem) + r"\.\d+-of-\d+" + re.escape(path.suffix))
    yield from sorted(one for one in path.parent.glob(f"{path.stem}.*") if pattern.fullmatch(one.name))


def _newest_ms(store: EmbeddedStore, tank: str) -> int:
    return max((reading.time_ms for reading in store.latest(tank).values()), default=-1)


def _untaken(tank: str, source: EmbeddedStore, common: Settings) -> list[Reading]:
    """What a server may not have yet: nobody else would send it there."""
    if common.store.kind != "influxdb":
        return []
    state = load_drain_state(source, common.store)
    if state is None or state.marks[0].copy_ms is not None or state.refused_from_ms is not None:
        _log.warning(
            "%s: older readings of %s may not be on InfluxDB at %s yet; if you want them there, export them "
            "from that file (`rushlight export --local`), then import them into the part's",
            source.path,
            tank,
            common.store.url,
        )
    position = source.position() if state is None else state.marks[0].position
    return [reading for _, reading in source.arrivals_after(position, tank)]


def _copy(tank: str, source: EmbeddedStore, store: EmbeddedStore, untaken: list[Reading]) -> None:
    states = {kind: saved for kind in _KINDS if (saved := source.load_state(kind, tank)) is not None}
    behind = states["analysis"][1] if "analysis" in states else 0
    since = [reading for _, reading in source.arrivals_after(behind, tank)] if behind else []
    keys = {(reading.quantity, reading.time_ms, reading.seq) for reading in since}
    newest = source.latest(tank).values()
    with store.transaction():
        store.add_readings([r for r in untaken if (r.quantity, r.time_ms, r.seq) not in keys])
        # so that this store has the newest from now on, also where the snapshot has seen all
        store.add_readings([r for r in newest if (r.quantity, r.time_ms, r.seq) not in keys])
        for kind, (blob, _) in states.items():
            store.save_state(kind, tank, blob, store.position() if kind == "analysis" else None)
        store.add_readings(since)
        _copy_notices(tank, source, store)


def _copy_notices(tank: str, source: EmbeddedStore, store: EmbeddedStore) -> None:
    """What waits to be sent about a tank, and the events by which that is judged."""
    waiting = [
        notice
        for notice in source.pending_notices()
        if notice.occurrence.startswith(f"{tank}/") and notice.transition != "test"
    ]
    store.replace_notices(tank, waiting)
    events = source.events(tank)
    wanted = {notice.occurrence for notice in waiting}
    for known in (
        events,
        store.events(tank),
    ):  # what is active there, and what was active here and may be over
        over = {event.occurrence for event in known if event.event == "cleared"}
        wanted |= {event.occurrence for event in known} - over
    for event in events:
        if event.occurrence in wanted:
            store.add_event(event)
    # who has been sent it: else the start would send it again
    for occurrence in sorted(wanted):
        for notice in source.notices(occurrence):
            if notice.delivered_ms is not None:
                store.keep_notice(notice, cancelled=False)
