"""Links exchanged one step at a time: none is let go before another is in its place, none is there twice."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable, Iterator, Sequence

import pytest

from rushlight.collector.intake.batch import Arrival
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links import Deliver
from rushlight.collector.service.link_exchange import Links
from rushlight.collector.service.parts import PartLink
from rushlight.collector.settings import LinkSettings, MqttLink, SerialLink
from rushlight.collector.settings.tables import TopicMap
from tests.conftest import wait_for

MAPPED = [TopicMap(topic="shelf/t", tank="hallway", quantity="temperature")]


class Port:
    """A serial port, in the hands of the test."""

    def __init__(self, settings: LinkSettings, events: list[str]) -> None:
        self.name = settings.port if isinstance(settings, SerialLink) else settings.host
        self.counters = {"delivered": 0, "opened": 0}
        self.may_stop = threading.Event()
        self.may_stop.set()
        self.acknowledged: list[int] = []
        self._events = events
        self._deliver: Deliver | None = None

    def start(self, deliver: Deliver) -> None:
        self._events.append(f"start {self.name}")
        self._deliver = deliver

    def bring(self, seq: int) -> None:
        assert self._deliver is not None
        self.counters["delivered"] += 1
        self._deliver(Delivery(self.name, None, b"", 0, False, (0, seq)))

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        if self.name == "broken":
            raise OSError("gone")
        self.acknowledged += [delivery.token[1] for delivery in deliveries]

    def stop(self) -> None:
        self.may_stop.wait(10)
        self._events.append(f"stop {self.name}")


class Broker(Port):
    """A broker, likewise."""

    def __init__(self, settings: LinkSettings, events: list[str]) -> None:
        super().__init__(settings, events)
        self.counters = {"delivered": 0, "subscribed": 0}

    def follow(self, settings: MqttLink) -> None:
        self._events.append(f"follow {self.name} {len(settings.map)}")

    def retire(self) -> None:
        self._events.append(f"retire {self.name}")


class World:
    """The links of a service, and what became of them."""

    def __init__(self, *settings: LinkSettings) -> None:
        self.events: list[str] = []
        self.arrivals: list[Arrival] = []
        made = [self.make(one) for one in settings]
        self.links = Links(made, settings, lambda number, one: self.arrivals.append(Arrival(number, one)))
        self.links.start()
        self.events.clear()

    def make(self, settings: LinkSettings) -> Port:
        return (Broker if isinstance(settings, MqttLink) else Port)(settings, self.events)

    def use(self, *settings: LinkSettings) -> None:
        self.links.use(settings, self.links.prepare(settings, self.make))

    def link(self, number: int) -> Port:
        link = self.links.all[number]
        assert isinstance(link, Port)
        return link

    def up(self, number: int) -> None:
        link = self.link(number)
        link.counters["subscribed" if isinstance(link, Broker) else "opened"] = 1

    def step(self, *times_s: float) -> list[str]:
        """What happened since the last call; threads that stop a link, and may, have had their time."""
        for now_s in times_s:
            self.links.step(now_s)
            for number, thread in self.links._stopping.items():
                assert thread.daemon  # one that hangs must not hold the process
                if self.link(number).may_stop.is_set():
                    thread.join(10)
        found = list(self.events)
        self.events.clear()
        return found

    def names(self) -> list[str]:
        return [link.name for link in self.links.in_force()]


@pytest.fixture
def world() -> Iterator[World]:
    yield World(MqttLink(host="attic"), SerialLink(port="/dev/a"))


ATTIC, CELLAR = MqttLink(host="attic"), MqttLink(host="cellar")
PORT, OTHER_PORT = SerialLink(port="/dev/a"), SerialLink(port="/dev/b")


def test_what_is_the_same_stays_and_only_topics_are_followed(world: World) -> None:
    attic = world.link(0)
    world.use(PORT, ATTIC)
    assert world.step(0, 5) == [] and world.names() == ["/dev/a", "attic"]
    assert list(world.links.settings) == [1, 0] and world.link(0) is attic
    mapped = MqttLink(host="attic", map=MAPPED)
    world.use(mapped, PORT)
    assert world.step(0, 5) == ["follow attic 1"]
    assert world.links.settings[0] == mapped
    world.use(mapped, PORT)
    assert world.step(0, 5) == []


def test_of_two_links_of_one_login_each_serves_once() -> None:
    """The one that is just as wanted serves, though the other would with other topics."""
    mapped = MqttLink(host="attic", map=MAPPED)
    world = World(ATTIC, mapped)
    world.use(mapped, ATTIC)
    assert world.step(0, 5) == [] and list(world.links.settings) == [1, 0]
    twice = World(PORT)
    prepared = twice.links.prepare([PORT, PORT], twice.make)
    assert [number for _, number in prepared] == [0, -1]


def test_a_part_follows_its_tanks() -> None:
    world = World(PartLink(host="attic", tanks=["sill"], group="one"))
    world.use(PartLink(host="attic", tanks=["sill", "porch"], group="one"))
    assert world.step(0) == ["follow attic 0"]
    world.use(PartLink(host="attic", tanks=["sill", "porch"], group="two"))
    assert "start attic" in world.step(0, 0)


def test_a_broker_is_let_go_once_the_other_is_there_and_it_is_quiet(
    world: World, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    world.use(CELLAR, PORT)
    assert "attic: is let go once" in caplog.text
    attic = world.link(0)
    assert world.step(0, 100) == ["start cellar"]  # it may never be there: a wrong address
    world.up(2)
    assert world.step(200) == ["retire attic"]
    attic.bring(1)  # was on its way
    assert world.step(200.9, 201.8) == []
    world.links.acknowledge(world.arrivals)
    assert world.step(201.9) == ["stop attic"]
    assert attic.acknowledged == [1]
    world.step(202)
    assert 0 not in world.links.all and 0 not in world.links.known
    world.links.acknowledge(world.arrivals)  # comes again from the broker, if it ever does
    assert attic.acknowledged == [1] and world.names() == ["cellar", "/dev/a"]


def test_a_broker_is_not_let_go_while_something_of_it_is_not_on_the_disk(world: World) -> None:
    """The disk is full: after a kill nobody would ask the old broker for it again."""
    attic = world.link(0)
    attic.bring(1)
    world.use(CELLAR, PORT)
    world.up(2)
    attic.bring(2)
    assert world.step(0, 1, 2, 3_600) == ["start cellar", "retire attic"]
    world.links.acknowledge(world.arrivals[:1])
    assert world.step(3_601, 3_700) == []
    world.link(1).bring(5)  # what others bring is no matter
    world.links.acknowledge(world.arrivals[1:2])
    assert attic.acknowledged == [1, 2]
    assert world.step(3_701) == ["stop attic"]
    world.step(3_702)
    assert (world.links._brought, world.links._kept) == ({1: 1}, {})


def test_a_broker_that_brought_something_before_is_asked_to_retire_once(world: World) -> None:
    world.link(0).bring(7)
    world.links.acknowledge(world.arrivals)
    world.use(CELLAR, PORT)
    world.up(2)
    assert world.step(10, 10.5, 10.9) == ["start cellar", "retire attic"]
    assert world.step(11) == ["stop attic"]


def test_every_successor_is_waited_for(world: World) -> None:
    world.use(CELLAR, OTHER_PORT)
    world.up(2)
    assert world.step(0, 5, 10) == ["start cellar", "start /dev/b"]
    world.up(3)
    assert world.step(20, 21) == ["retire attic", "stop /dev/a", "stop attic"]


def test_a_port_that_never_falls_quiet_is_let_go_all_the_same(world: World) -> None:
    port = world.link(1)
    world.use(ATTIC, OTHER_PORT)
    port.bring(0)
    assert world.step(0) == ["start /dev/b"]
    world.up(2)
    port.bring(1)
    assert world.step(0.5) == ["stop /dev/a"]


def test_what_has_no_successor_is_let_go_at_once(world: World) -> None:
    world.use(PORT)
    assert world.step(5) == ["retire attic"]
    assert world.step(5.9) == [] and world.step(6) == ["stop attic"]


def test_the_next_change_does_not_let_go_of_what_still_serves(world: World) -> None:
    """The new address is wrong, and then a limit is changed: the old broker goes on bringing readings."""
    world.use(CELLAR, PORT)
    world.use(CELLAR, PORT)
    assert world.step(0, 10, 20) == ["start cellar"]
    # its twin: a successor that is taken out again is waited for no more
    world.use(PORT)
    assert world.step(30) == ["retire attic", "retire cellar"]


def test_who_mends_a_mistyped_address_has_the_old_link_back(world: World) -> None:
    attic = world.link(0)
    world.use(CELLAR, PORT)
    world.step(0, 10)
    world.use(MqttLink(host="attic", map=MAPPED), PORT)
    assert world.step(20, 21, 22) == ["follow attic 1", "retire cellar", "stop cellar"]
    assert world.link(0) is attic and world.names() == ["attic", "/dev/a"]
    assert world.step(30, 40) == []


def test_also_where_it_has_been_asked_to_retire(world: World) -> None:
    world.use(CELLAR, PORT)
    world.up(2)
    assert world.step(0) == ["start cellar", "retire attic"]
    world.use(ATTIC, PORT)
    assert world.step(0.1) == ["follow attic 0", "retire cellar"]
    world.use(ATTIC, OTHER_PORT)
    world.use(ATTIC, PORT)  # a port is not asked for topics
    assert "follow attic 0" not in world.step(0.2)


def other_way(user: str) -> MqttLink:
    return MqttLink(host="attic", username=user)


def test_one_name_at_one_broker_is_never_there_twice(world: World) -> None:
    """The second would throw the first out, and the other way round (MQTT 5 section 3.1.4)."""
    attic = world.link(0)
    attic.may_stop.clear()
    world.use(other_way("ann"), PORT)
    assert world.step(0, 1) == []
    world.use(other_way("ben"), PORT)
    assert world.step(2, 3, 4) == ["stop attic"]  # ann's, which has never begun
    attic.may_stop.set()
    assert world.step(5, 6) == ["stop attic", "start attic"]
    assert sorted(world.links.all) == [1, 3]
    assert world.step(7, 8) == []


def test_nor_beside_one_that_waits_to_be_let_go(world: World) -> None:
    world.use(CELLAR, PORT)
    world.step(0)
    world.use(other_way("ann"), PORT)
    assert world.step(1, 2)[:2] == ["stop attic", "start attic"]


@pytest.mark.parametrize(
    ("old", "new", "rival"),
    [
        (ATTIC, other_way("ann"), True),
        (ATTIC, MqttLink(host="attic", client_id="another"), False),
        (ATTIC, MqttLink(host="attic", port=1884), False),
        (PORT, SerialLink(port="/dev/a", baud=9600), True),
        (PORT, OTHER_PORT, False),
        (PORT, ATTIC, False),
        (ATTIC, PORT, False),
    ],
)
def test_rivals_wait_for_each_other(old: LinkSettings, new: LinkSettings, rival: bool) -> None:
    world = World(old)
    world.link(0).may_stop.clear()
    world.use(new)
    assert ("start" in " ".join(world.step(0))) is not rival
    world.link(0).may_stop.set()
    wait_for(lambda: "start" in " ".join([*world.step(0)]) or not rival, "the new link")


def test_one_that_waits_and_is_wanted_again_begins(world: World) -> None:
    world.link(0).may_stop.clear()
    world.use(other_way("ann"), PORT)
    world.use(PORT)
    world.use(other_way("ann"), PORT)
    world.link(0).may_stop.set()
    assert world.step(1, 2, 3) == ["follow attic 0", "stop attic", "start attic"]


def test_also_where_its_time_came_meanwhile(world: World) -> None:
    world.link(0).may_stop.clear()
    world.use(other_way("ann"), PORT)
    world.use(PORT)
    world.link(0).may_stop.set()
    wait_for(lambda: "stop attic" in world.events, "the end of the old one")
    wait_for(lambda: not world.links._stopping[0].is_alive(), "and of its thread")
    assert world.step(1) == ["stop attic", "start attic", "retire attic"]
    world.use(other_way("ann"), PORT)
    assert world.step(2) == ["follow attic 0"]


def test_numbers_are_never_used_twice(world: World) -> None:
    for place in range(3):
        world.use(MqttLink(host=f"room-{place}"), PORT)
        world.up(2 + place)
        world.step(10 * place, 10 * place + 1, 10 * place + 2)
        assert list(world.links.settings) == [2 + place, 1]
    world.link(4).bring(9)
    assert [one.link for one in world.arrivals] == [4]


def test_one_link_that_fails_keeps_no_other_from_acknowledging(caplog: pytest.LogCaptureFixture) -> None:
    world = World(SerialLink(port="broken"), ATTIC)
    for number, seq in ((0, 1), (1, 2), (1, 3)):
        world.link(number).bring(seq)
    world.links.acknowledge(world.arrivals)
    assert world.link(1).acknowledged == [2, 3] and "broken: can't acknowledge" in caplog.text


def test_reports_are_of_those_in_force_in_the_order_of_the_settings(world: World) -> None:
    world.link(1).bring(1)
    world.links.last_ms[1] = 77
    world.use(OTHER_PORT, ATTIC)
    world.use(PORT, ATTIC)

    def shown() -> Sequence[tuple[str, int, int]]:
        return [(one.name, one.counters["delivered"], one.last_ms) for one in world.links.reports()]

    assert shown() == [("/dev/a", 1, 77), ("attic", 0, 0)]
