"""What `rushlight run` says at its start, while somebody is looking."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import Broker
from tests.running_service import mqtt_link


@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    ("address", "wrong"), [("mailto//ida:secret@mail.example", True), ("json://127.0.0.1:9/secret", False)]
)
def test_an_address_that_is_none_is_said_at_the_start_and_not_at_the_first_alarm(
    service: Any, mosquitto: Broker, address: str, wrong: bool
) -> None:
    run = service(mqtt_link(mosquitto.port), RUSHLIGHT_NOTICE_URLS=address)
    run.start()
    run.wait_log("connected")
    assert run.stop() == 0
    assert ("RUSHLIGHT_NOTICE_URLS: target " in run.log() and "is no address" in run.log()) is wrong
    assert "secret" not in run.log()
