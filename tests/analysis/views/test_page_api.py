"""The JSON interface: as its own description says, under fuzz, and `/metrics` as Prometheus reads it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import hypothesis
import pytest
import requests
import schemathesis

from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.analysis.views.access.keys import Keys
from rushlight.analysis.views.page import StatusPage
from rushlight.analysis.views.page import desk as desk_module
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.page_world import world

NOW = 1_772_330_400_000  # 2026-03-01T02:00:00Z


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    return world(tmp_path_factory.mktemp("api"), NOW, days=4, warm_hours=3)


@pytest.fixture
def secret(settings: Settings) -> str:
    with EmbeddedStore(settings.store_path()) as store:
        return Keys(store).make_token("everything", ["read", "acknowledge", "note"], NOW)[1]


class Client:
    """Asks a page that is being served, with a token."""

    def __init__(self, url: str, secret: str) -> None:
        self.url = url.rstrip("/")
        self.session = requests.Session()
        self.session.headers["Authorization"] = f"Bearer {secret}"

    def request(self, method: str, path: str, **more: Any) -> requests.Response:
        return self.session.request(method, self.url + path, timeout=20, **more)

    def get(self, path: str, **more: Any) -> requests.Response:
        return self.request("GET", path, **more)

    def post(self, path: str, **more: Any) -> requests.Response:
        return self.request("POST", path, **more)

    def delete(self, path: str) -> requests.Response:
        return self.request("DELETE", path)


@pytest.fixture
def client(settings: Settings, secret: str) -> Iterator[Client]:
    page = StatusPage(settings, settings.store_path(), lambda: NOW, lambda: True)
    assert page.start()
    made = Client(page.url, secret)
    yield made
    made.session.close()
    page.stop()


def fuzz(client: Client, operation: Any, seen: set[int]) -> None:
    """Requests of one operation; each answer is described, and as described."""

    @hypothesis.settings(
        max_examples=40,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    @hypothesis.given(case=operation.as_strategy())
    def check(case: Any) -> None:
        kind = {} if case.media_type is None else {"Content-Type": case.media_type}
        body = None if isinstance(case.body, schemathesis.core.NotSet) else json.dumps(case.body)
        path = f"/api/v1{case.formatted_path}"
        answer = client.request(case.method, path, params=case.query, data=body, headers=kind)
        seen.add(answer.status_code)
        assert answer.status_code != 500, answer.text
        assert str(answer.status_code) in operation.definition.raw["responses"], answer.text
        operation.validate_response(schemathesis.Response.from_requests(answer, verify=True))

    check()


@pytest.mark.timeout(300)
def test_every_answer_is_as_described(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """schemathesis makes requests of the description, good and bad ones, and checks each answer by it."""
    monkeypatch.setattr(desk_module, "_ASK_S", 0.05)  # no service answers here: 503, which is described
    raw = client.get("/api/v1/openapi.json").json()
    raw["servers"] = [{"url": "http://localhost/api/v1"}]
    schema = schemathesis.openapi.from_dict(raw)
    seen: dict[str, set[int]] = {}
    for found in schema.get_all_operations():
        operation = found.ok()
        seen[operation.label] = set()
        fuzz(client, operation, seen[operation.label])
    assert len(seen) == 9
    assert seen["GET /tanks"] == {200}
    assert {200, 400} <= seen["GET /tanks/{tank}/values"]
    assert {201, 422} <= seen["POST /tanks/{tank}/log"]


def test_what_is_read_is_what_was_judged(client: Client) -> None:
    tanks = client.get("/api/v1/tanks").json()["tanks"]
    assert [tank["name"] for tank in tanks] == ["alcove", "stairs"]
    one = client.get("/api/v1/tanks/alcove").json()
    assert one == tanks[0]
    found = client.get("/api/v1/tanks/alcove/values", params={"quantity": "temperature"}).json()
    assert (found["unit"], found["step_ms"]) == ("Cel", 60_000)
    assert len(found["values"]) == 1440 and found["values"][-1][0] == NOW - 60_000
    long = client.get(
        "/api/v1/tanks/alcove/values", params={"quantity": "ph", "from": NOW - 390 * 86_400_000}
    )
    assert long.json()["step_ms"] == 3_600_000 * 24
    alarms = client.get("/api/v1/alarms").json()["alarms"]
    assert "heater-stuck-on" in {alarm["alarm"] for alarm in alarms}


def test_a_note_by_a_program_is_in_the_log_and_can_be_undone(client: Client, settings: Settings) -> None:
    made = client.post("/api/v1/tanks/alcove/log", json={"changed_share": 0.3, "done": ["fed"]})
    assert made.status_code == 201
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        assert store.log("alcove")[-1].words() == "changed 30 % of the water; fed"
    gone = client.delete(f"/api/v1/tanks/alcove/log/{made.json()['id']}")
    assert gone.status_code == 200
    assert client.delete(f"/api/v1/tanks/alcove/log/{made.json()['id']}").status_code == 404
    for wrong, status in (
        ({"changed_share": 3}, 422),
        ({"time_ms": NOW + 1}, 422),
        ({"word": 1}, 400),
        ({}, 422),
    ):
        assert client.post("/api/v1/tanks/alcove/log", json=wrong).status_code == status, wrong
    assert client.post("/api/v1/tanks/alcove/log", data="{}").status_code == 415
    assert client.post("/api/v1/tanks/nowhere/log", json={"text": "x"}).status_code == 404


def test_an_alarm_is_acknowledged_by_a_program(
    client: Client, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = LiveAnalysis(settings, make_notifier(settings, lambda: NOW), lambda: NOW)
    with EmbeddedStore(settings.store_path()) as store:
        live.start(store, NOW)
        ask = EmbeddedStore.request_outcome

        def served(self: EmbeddedStore, number: int) -> str | None:
            live.poll(store, NOW)
            with store.transaction():
                live.keep(store, NOW, False)
            live.kept(NOW)
            return ask(self, number)

        monkeypatch.setattr(EmbeddedStore, "request_outcome", served)
        body = {"alarm": "alcove/heater-stuck-on"}
        done = client.post("/api/v1/alarms/acknowledge", json=body)
        assert done.status_code == 200, done.text
        assert done.json() == {"outcome": "alcove/heater-stuck-on acknowledged"}
        none = client.post("/api/v1/alarms/acknowledge", json={"alarm": "alcove/light-missing"})
        assert none.status_code == 409 and "is not raised" in none.json()["error"]
    assert client.post("/api/v1/alarms/acknowledge", json={"alarm": "alcove/nothing"}).status_code == 404


SAMPLE = re.compile(r'([a-z_][a-z0-9_]*)(\{([a-z_]+="(?:[^"\\\n]|\\.)*",?)*\})? -?[0-9.e+-]+')


def test_metrics_are_in_the_format_of_prometheus(client: Client) -> None:
    """Text format 0.0.4 (prometheus.io/docs/instrumenting/exposition_formats)."""
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    lines = answer.text.splitlines()
    named: set[str] = set()
    for line in lines:
        if line.startswith("# TYPE "):
            name, kind = line.split()[2:]
            assert name not in named and kind in ("gauge", "counter")
            assert (kind == "counter") is name.endswith("_total")
            named.add(name)
        elif not line.startswith("# HELP "):
            match = SAMPLE.fullmatch(line)
            assert match and match[1] in named, line
    assert "rushlight_up 1" in lines
    assert 'rushlight_alarms{tank="alcove",priority="critical"} 1' in lines
    readings = [line for line in lines if line.startswith('rushlight_reading{tank="stairs"')]
    assert len(readings) == 1 and 20 < float(readings[0].split()[-1]) < 23
