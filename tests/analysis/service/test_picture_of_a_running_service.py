"""A fault at a real broker, a running service, and the notice with its curve at a channel that takes one.

The scenario is the benchmark's, whose tank shares no code with `analysis/`; its truth is the reference.
"""

from __future__ import annotations

import base64
import json
import struct
import threading
from collections import defaultdict
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from bench.diagnosis.scenarios import build
from rushlight.analysis.replay.files import replay_files
from rushlight.collector.events import Event
from rushlight.collector.readings import QUANTITIES
from tests.conftest import Broker, now_ms, wait_for
from tests.running_service import Service, mqtt_link, publisher

DAY_MS = 86_400_000


class Channel:
    """A receiver as apprise's json:// speaks to it, which takes pictures."""

    def __init__(self) -> None:
        self.posts: list[dict[str, Any]] = []
        posts = self.posts

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                posts.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: Any) -> None: ...

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.url = f"json://127.0.0.1:{self.server.server_address[1]}/token"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def about(self, alarm: str) -> list[dict[str, Any]]:
        return [post for post in self.posts if alarm in post["title"] + post["message"]]


@pytest.fixture
def channel() -> Iterator[Channel]:
    made = Channel()
    yield made
    made.server.shutdown()
    made.server.server_close()


def history(folder: Path) -> tuple[str, list[tuple[int, bytes]]]:
    """Settings, and what a board sends that kept two days for itself: time and report, until the harm.

    The days are moved to just before now, since no board is believed that claims to send from far away
    (collector/intake/timing.py).
    """
    truth = build(folder, "train", 77, 2, "co2-overdose")
    harm = datetime.fromisoformat(truth["harm"])
    shift = timedelta(days=(now_ms() - round(harm.timestamp() * 1000)) // DAY_MS)
    reports: dict[datetime, dict[str, float]] = defaultdict(dict)
    for line in (folder / "readings.csv").read_text().splitlines()[1:]:
        time, tank, quantity, value = line.split(",")
        moment = datetime.fromisoformat(time)
        if value and harm - timedelta(hours=50) <= moment <= harm:
            reports[moment + shift][quantity] = float(value)
    with (folder / "moved.csv").open("w") as out:
        out.write("time,tank,quantity,value\n")
        for moment in sorted(reports):
            out.writelines(f"{moment.isoformat()},{tank},{q},{v}\n" for q, v in reports[moment].items())
    packs = []
    for seq, moment in enumerate(sorted(reports)):
        records: list[dict[str, Any]] = [
            {"n": quantity, "u": QUANTITIES[quantity].unit, "v": value}
            for quantity, value in reports[moment].items()
        ]
        records[0] |= {"bn": f"{tank}/", "bt": moment.timestamp(), "seq": seq}
        packs.append((round(moment.timestamp() * 1000), json.dumps(records).encode()))
    return (folder / "rushlight.toml").read_text(), packs


@pytest.mark.timeout(120)
def test_a_notice_comes_with_its_curve(
    service: Callable[..., Service], mosquitto: Broker, channel: Channel, tmp_path: Path
) -> None:
    folder = tmp_path / "scenario"
    folder.mkdir()
    settings, packs = history(folder)
    events: list[Event] = []
    replay_files(folder / "rushlight.toml", [folder / "moved.csv"], None, seen=events.append)
    wanted = next(e for e in events if e.event == "raised" and e.alarm == "co2-overdose")
    assert datetime.fromisoformat(wanted.time).timestamp() * 1000 < packs[-1][0]  # before the harm

    # long, because a busy machine draws slowly
    settings += "\n[notices]\npicture_wait_s = 90\n"
    run = service(mqtt_link(mosquitto.port), settings, RUSHLIGHT_NOTICE_URLS=channel.url)
    run.start()
    run.wait_log("connected")
    client = publisher(mosquitto)
    for _, pack in packs:
        client.publish(f"rushlight/{wanted.tank}/readings", pack, qos=1)
    wait_for(lambda: channel.about(wanted.occurrence), f"the notice; the log is:\n{run.log()}", 60)
    client.disconnect()
    client.loop_stop()
    post = channel.about(wanted.occurrence)[0]
    assert post["title"] == wanted.summary
    (attached,) = post["attachments"]
    assert attached["mimetype"] == "image/png" and attached["filename"].startswith("co2-overdose")
    picture = base64.b64decode(attached["base64"])
    # PNG specification (ISO/IEC 15948), 5.2 signature and 11.2.2 IHDR
    assert picture[:8] == b"\x89PNG\r\n\x1a\n" and picture[-8:-4] == b"IEND"
    width, height = struct.unpack(">II", picture[16:24])
    assert (width, 600 < height < 1500) == (880, True) and len(picture) > 20_000
    assert run.stop() == 0
    assert "picture could not be made" not in run.log()
