"""Alarms as retained messages: on a real broker, in the words of ISA-18.2."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from rushlight.analysis.notices.alarm_topics import topic_of
from tests.conftest import Broker, wait_for
from tests.running_service import Service, mqtt_link

TANK = """
[tanks.nook]
volume_litres = 40
timezone = "Europe/Lisbon"
[tanks.nook.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""


def retained(broker: Broker) -> dict[str, dict[str, str]]:
    command = [
        "mosquitto_sub",
        "-p",
        str(broker.port),
        "-t",
        "rushlight/+/alarms/#",
        "-W",
        "1",
        "-v",
        "--retained-only",
    ]
    lines = subprocess.run(command, capture_output=True, text=True, check=False).stdout.splitlines()
    return {topic: json.loads(body) for topic, body in (line.split(" ", 1) for line in lines)}


def test_topics_are_one_for_each_alarm_and_probe() -> None:
    assert topic_of(("nook", "co2-overdose", "")) == "rushlight/nook/alarms/co2-overdose"
    assert topic_of(("nook", "probe-fault", "ph")) == "rushlight/nook/alarms/probe-fault/ph"


@pytest.mark.timeout(90)
def test_the_state_of_an_alarm_is_on_the_broker(mosquitto: Broker, tmp_path: Path) -> None:
    service = Service(tmp_path, mqtt_link(mosquitto.port) + "[status_page]\nenabled = false\n", TANK)
    service.start()
    try:
        service.wait_log("connected")
        topic = "rushlight/nook/alarms/light-missing"
        # a shelf is the quickest way to an event; nothing was published before it
        assert retained(mosquitto) == {}
        assert service.ask("shelve", "nook", "light-missing", "--for", "1h").returncode == 0
        wait_for(lambda: retained(mosquitto).get(topic, {}).get("state") == "shelved", "the shelf")
        assert retained(mosquitto)[topic]["event"] == "shelved"
        service.stop()
        # somebody took it away meanwhile: the next start says it again
        command = ["mosquitto_pub", "-p", str(mosquitto.port), "-r", "-n", "-t", topic]
        subprocess.run(command, check=True)
        assert retained(mosquitto) == {}
        service.start()
        wait_for(lambda: retained(mosquitto).get(topic, {}).get("state") == "shelved", "the shelf")
        assert service.ask("unshelve", "nook", "light-missing").returncode == 0
        wait_for(lambda: retained(mosquitto)[topic]["state"] == "normal", "the end of the shelf")
    finally:
        service.end()


@pytest.mark.timeout(60)
def test_a_link_that_is_told_not_to_publishes_none(mosquitto: Broker, tmp_path: Path) -> None:
    text = mqtt_link(mosquitto.port) + "alarms = false\n[status_page]\nenabled = false\n"
    service = Service(tmp_path, text, TANK)
    service.start()
    try:
        service.wait_log("connected")
        assert service.ask("shelve", "nook", "light-missing", "--for", "1h").returncode == 0
        assert retained(mosquitto) == {}
        assert service.ask("try", "light-missing").returncode == 1  # no target is set; the service answers
    finally:
        service.end()
