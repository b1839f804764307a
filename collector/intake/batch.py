"""Deliveries into one batch of readings, ready to be written: decoded, timed, flagged, each exactly once.

Making a batch changes state in memory (report numbers, quality); writing it does not. So a write that fails
(a full disk) can be tried again with the same batch, and nothing is judged twice.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import NamedTuple

import msgspec

from rushlight.collector.electrode import doubtful_electrodes
from rushlight.collector.errors import WireError
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.intake.quality import QualityChecker, SeriesState
from rushlight.collector.intake.quality_state import (
    QUALITY_STATE,
    learn_quality,
    load_quality,
    save_quality,
)
from rushlight.collector.intake.refusals import REFUSED_STATE, Refusals, UnknownTank, load_refusals
from rushlight.collector.intake.senml import Report, TopicMaps, decode_line, decode_pack
from rushlight.collector.intake.stamper_state import Stamped
from rushlight.collector.intake.timing import Stamper
from rushlight.collector.log import ClearLog
from rushlight.collector.readings import TEMPERATURE, Flag, Reading
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings import LinkSettings, MqttLink, Settings
from rushlight.collector.store.calibration import TankCalibrations
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.in_hand import in_hand
from rushlight.collector.store.recalibrated import calibrations_of

__all__ = ["Arrival", "Batch", "BatchMaker"]

_log = logging.getLogger("rushlight.collector")

_TOPIC = "rushlight/"
_LONGEST_TOPIC = 200  # characters that are kept or said of a topic; MQTT allows 65 535 bytes


class Arrival(msgspec.Struct, frozen=True, gc=False):
    """A delivery, and the place of its link in the settings."""

    link: int
    delivery: Delivery


class _Aside(NamedTuple):
    link: str
    topic: str
    head: bytes
    size: int
    reason: str
    time_ms: int


class Batch(msgspec.Struct):
    """What some deliveries came to.

    Attributes
    ----------
    arrivals : list of Arrival
        To be acknowledged once the rest is on the disk.
    readings : list of Reading
        In order of arrival.
    devices : list of (tank, online, time_ms)
    aside : list
        Payloads that could not be read.
    counts : dict
        To be added to the store's counters.
    states : list of (kind, key, blob)
        Report numbers and quality as they are behind this batch.
    """

    arrivals: list[Arrival] = []
    readings: list[Reading] = []
    devices: list[tuple[str, bool, int]] = []
    aside: list[_Aside] = []
    counts: dict[str, int] = {}
    states: list[tuple[str, str, bytes]] = []

    def count(self, name: str, by: int = 1) -> None:
        """Count something."""
        self.counts[name] = self.counts.get(name, 0) + by

    def write(self, store: EmbeddedStore) -> None:
        """Write all of it, in the caller's transaction; may be done again where that failed."""
        store.add_readings(self.readings)
        for aside in self.aside:
            store.set_aside(*aside)
        if self.counts:
            store.add_counts(self.counts)
        store.save_together(self.states)


class BatchMaker:
    """Wire, timing and quality of all links and tanks.

    Parameters
    ----------
    settings : Settings
    say : ClearLog
        Where bad payloads are logged.
    """

    def __init__(self, settings: Settings, say: ClearLog) -> None:
        self._settings = settings
        self._say = say
        self._maps = _maps_of(dict(enumerate(settings.links)))
        self._stampers = {name: Stamper() for name in settings.tanks}
        self._intake = Intake(settings)
        self._refusals = Refusals()
        self._log_seen = 0
        self._calibrations: dict[str, TankCalibrations] = {}

    def follow_log(self, store: EmbeddedStore) -> None:
        """Take up what the keeper's log says of the probes, and which are in hand; StoreError as a read."""
        newest = store.last_log_change()
        if newest != self._log_seen:
            self._calibrations = calibrations_of(store, self._settings.tanks)
            self._log_seen = newest
        self._intake.calibrate(self._calibrations, in_hand(store))

    def restore(self, store: EmbeddedStore) -> None:
        """Take up report numbers and quality where the last committed batch left them."""
        self._intake.quality = QualityChecker(states=self._restore(store, self._settings.tanks))
        self._refusals = Refusals(load_refusals(_read(store, "", REFUSED_STATE)))
        self.follow_log(store)

    def successor(self, settings: Settings, store: EmbeddedStore) -> BatchMaker:
        """One by other settings that goes on where this one is; StoreError as a read. Changes nothing here.

        All that was made has been written. Tanks that were there keep what they have.
        """
        other = BatchMaker(settings, self._say)
        other._maps, other._refusals = self._maps, self._refusals
        known = [tank for tank in settings.tanks if tank in self._stampers]
        quality = {tank: self._intake.quality.states_of(tank) for tank in known}
        warm = self._intake.warmth()
        for tank in known:
            other._stampers[tank] = self._stampers[tank]
            if tank in warm:
                other._intake.warm(tank, warm[tank])
        new = [tank for tank in settings.tanks if tank not in self._stampers]
        other._intake.quality = QualityChecker(states=quality | other._restore(store, new))
        other.follow_log(store)
        return other

    def map_topics(self, links: Mapping[int, LinkSettings]) -> None:
        """By the number with which their arrivals come, those included that end but still bring something."""
        self._maps = _maps_of(links)

    def _restore(self, store: EmbeddedStore, tanks: Iterable[str]) -> dict[str, dict[str, SeriesState]]:
        """Report numbers of these tanks, the water's temperature; returns their quality."""
        for tank, health in doubtful_electrodes(self._settings.tanks):
            _log.warning("tanks.%s.ph_calibration: %s", tank, health.words)
        quality: dict[str, dict[str, SeriesState]] = {}
        for tank in tanks:
            try:
                self._stampers[tank] = Stamper.load(partial(_read, store, tank))
            except msgspec.MsgspecError as error:
                _log.warning("%s: saved report numbers can't be read (%s); counting anew", tank, error)
            saved = _read(store, tank, QUALITY_STATE)
            try:
                if saved is not None:
                    quality[tank] = load_quality(saved)
            except msgspec.MsgspecError as error:
                _log.warning("%s: %s; learnt again from the stored readings", tank, error)
                quality[tank] = learn_quality(store, tank)
            celsius = store.latest(tank).get(TEMPERATURE)
            if celsius is not None and celsius.value is not None and celsius.flag < Flag.SUSPECT:
                self._intake.warm(tank, celsius.value)
        return quality

    def make(self, arrivals: Sequence[Arrival]) -> Batch:
        """Decode, time and flag; nothing is raised, what can't be read is set aside."""
        batch = Batch(list(arrivals))
        heard: set[str] = set()
        for arrival in arrivals:
            try:
                self._take(arrival, batch, heard)
            except WireError as error:
                self._refuse(arrival.delivery, error, batch)
            except Exception:
                # our own fault, logged with its place; the payload must not come again for ever
                _log.exception("%s: a payload broke the reader", arrival.delivery.link)
                self._refuse(arrival.delivery, WireError("internal", "it broke the reader"), batch)
        if any(name.startswith("bad.") for name in batch.counts):
            batch.states.append((REFUSED_STATE, "", self._refusals.dump()))
        for tank in sorted(heard):
            batch.states += [(kind, tank, blob) for kind, blob in self._stampers[tank].save()]
            quality = self._intake.quality.states_of(tank)
            if quality:
                batch.states.append((QUALITY_STATE, tank, save_quality(quality)))
        return batch

    def _take(self, arrival: Arrival, batch: Batch, heard: set[str]) -> None:
        delivery = arrival.delivery
        for report in self._decode(arrival, batch):
            for problem in report.problems:
                self._complain(delivery, problem, batch)
            tank = report.tank
            stamper = self._stampers.get(tank)
            if stamper is None:
                raise UnknownTank(tank, self._settings.path)
            heard.add(tank)
            packet = (delivery.link, delivery.packet) if delivery.packet else None
            stamped = stamper.stamp(report, delivery.arrived_ms, delivery.redelivered, packet)
            readings = stamped.readings
            if stamped.lost or stamped.repeated or stamped.rebooted:
                self._count(tank, stamped, batch)
            if readings and readings[0].stamp and any(r.time_ms is not None for r in report.records):
                batch.count(f"{tank}.stamped")
                self._say.say(
                    f"{tank} clock",
                    f"{tank}: its device's clock is wrong (before 2020, behind, or in the future), or this "
                    "computer's is; such reports are stamped on arrival; set the clock, or send no time",
                )
            batch.readings += self._intake.take_all(readings)

    def _count(self, tank: str, stamped: Stamped, batch: Batch) -> None:
        """Repeats, losses and reboots: counted and said."""
        if stamped.repeated:
            batch.count(f"{tank}.repeated")
        if stamped.lost:
            batch.count(f"{tank}.lost", stamped.lost)
        if stamped.lost > 0:
            self._say.say(f"{tank} lost", f"{tank}: reports lost on the way: {stamped.lost}")
        if stamped.rebooted:
            batch.count(f"{tank}.rebooted")
            self._say.say(f"{tank} rebooted", f"{tank}: its device has rebooted", logging.INFO)

    def _decode(self, arrival: Arrival, batch: Batch) -> list[Report]:
        delivery = arrival.delivery
        topic, payload = delivery.topic, delivery.payload
        if topic is None:
            return [decode_line(payload)]
        maps = self._maps.get(arrival.link)
        if maps is not None and (mapped := maps.decode_all(topic, payload)):
            return mapped
        if topic.startswith(_TOPIC):
            tank, _, leaf = topic[len(_TOPIC) :].partition("/")
            if leaf == "readings":
                return [decode_pack(payload, tank, only=True)]
            if leaf == "device":
                self._device(tank, delivery, batch)
                return []
        raise WireError("topic", "no map in the settings is about this topic; add [[links.map]] for it")

    def _device(self, tank: str, delivery: Delivery, batch: Batch) -> None:
        word = delivery.payload[:16].decode("utf-8", "replace").strip().lower()
        if word not in ("online", "offline"):
            raise WireError("device", f"{word!r}: a device says 'online' or 'offline' there")
        if tank in self._stampers:
            batch.devices.append((tank, word == "online", delivery.arrived_ms))

    def _complain(self, delivery: Delivery, error: WireError, batch: Batch) -> bool:
        where = delivery.link
        if delivery.topic:
            where += f": {safe_text(delivery.topic, _LONGEST_TOPIC)}"
        batch.count(f"bad.{error.kind}")
        self._refusals.note(delivery, error, error.tank if isinstance(error, UnknownTank) else "")
        # not by topic: ten thousand names that nobody knows are one cause; a watched tank has its own
        cause = f"{delivery.link} {error.kind} {self._watched(delivery)}"
        return self._say.say(cause, f"{where}: {error}")

    def _watched(self, delivery: Delivery) -> str:
        """The watched tank that a topic names, or "" """
        topic = delivery.topic or ""
        tank = topic.removeprefix(_TOPIC).partition("/")[0] if topic.startswith(_TOPIC) else ""
        return tank if tank in self._stampers else ""

    def _refuse(self, delivery: Delivery, error: WireError, batch: Batch) -> None:
        self._complain(delivery, error, batch)
        batch.count("set-aside")
        topic, payload = (delivery.topic or "")[:_LONGEST_TOPIC], delivery.payload
        aside = delivery.link, topic, payload[:4096], len(payload), str(error), delivery.arrived_ms
        batch.aside.append(_Aside(*aside))


def _maps_of(links: Mapping[int, LinkSettings]) -> dict[int, TopicMaps]:
    maps = {number: link.map for number, link in links.items() if isinstance(link, MqttLink)}
    return {number: TopicMaps(of_link) for number, of_link in maps.items() if of_link}


def _read(store: EmbeddedStore, tank: str, kind: str) -> bytes | None:
    saved = store.load_state(kind, tank)
    return None if saved is None else saved[0]
