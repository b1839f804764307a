"""`rushlight replay --store`, `explain` and the pictures, by the command line, with readings on an InfluxDB.

The scenario is the benchmark's, whose tank shares no code with `analysis/`; its truth is the reference.
"""

from __future__ import annotations

import csv
import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest

from bench.diagnosis.scenarios import build
from rushlight.analysis.commands.main import main
from rushlight.analysis.replay.files import replay_files
from rushlight.collector.events import Event
from rushlight.collector.influx.drain import Drain
from rushlight.collector.influx.writer import InfluxWriter
from rushlight.collector.readings import Reading
from rushlight.collector.settings import load_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import import_csv
from tests.collector.influx_servers import Nginx

ROOT = Path(__file__).parents[3]
LATER_MS = 4_000_000_000_000  # than any reading
STORE = '[store]\nkind = "influxdb"\nurl = "{url}"\nbucket = "{bucket}"\n'


class Overdose(NamedTuple):
    """Days of readings with too much carbon dioxide in them, as a file; the events they come to."""

    folder: Path
    event: Event  # the raising
    events: list[Event]

    @property
    def harm(self) -> str:
        text: str = json.loads((self.folder / "truth.json").read_text())["harm"]
        return text


class Kept(NamedTuple):
    """A folder with settings, and a local file with the events in it."""

    config: str
    path: Path

    def run(self, capsys: pytest.CaptureFixture[str], command: str, *words: str) -> tuple[int, str, str]:
        status = main([command, "--config", self.config, *words])
        return status, *capsys.readouterr()


@pytest.fixture(scope="module")
def overdose(tmp_path_factory: pytest.TempPathFactory) -> Overdose:
    folder = tmp_path_factory.mktemp("overdose")
    truth = build(folder, "train", 77, 2, "co2-overdose")
    lines = (folder / "readings.csv").read_text().splitlines(keepends=True)
    lines[1:] = [line for line in lines[1:] if not before(line, moved(truth["harm"], -60))]  # to be quick
    (folder / "readings.csv").write_text("".join(lines))
    events: list[Event] = []
    replay_files(folder / "rushlight.toml", [folder / "readings.csv"], None, seen=events.append)
    event = next(e for e in events if e.event == "raised" and e.alarm == "co2-overdose")
    return Overdose(folder, event, events)


@pytest.fixture
def keep(
    overdose: Overdose, database: str, shared_nginx: Nginx, tmp_path: Path
) -> Callable[[str | None, str | None], Kept]:
    """`keep(server, local)`: readings of before `server` there, of after `local` here; None: of all times."""

    def make(server: str | None, local: str | None) -> Kept:
        config = tmp_path / "rushlight.toml"
        text = (overdose.folder / "rushlight.toml").read_text()
        config.write_text(STORE.format(url=shared_nginx.url, bucket=database) + text)
        settings = load_settings(config)
        lines = (overdose.folder / "readings.csv").read_text().splitlines(keepends=True)
        there = [line for line in lines[1:] if server is None or before(line, server)]
        here = [line for line in lines[1:] if local is None or not before(line, local)]
        (tmp_path / "there.csv").write_text(lines[0] + "".join(there))
        (tmp_path / "here.csv").write_text(lines[0] + "".join(here))
        with EmbeddedStore(tmp_path / "there.db", synchronous="OFF") as store:
            import_csv(store, tmp_path / "there.csv")
            writer = InfluxWriter(settings.store)
            drain = Drain(settings.store, writer, lambda: LATER_MS)
            while drain.run_once(store, LATER_MS):
                pass
            writer.close()
        with EmbeddedStore(settings.store_path(), synchronous="OFF") as store:
            import_csv(store, tmp_path / "here.csv")
            with store.transaction():
                for event in overdose.events:
                    store.add_event(event)
        return Kept(str(config), settings.store_path())

    return make


def before(line: str, moment: str) -> bool:
    return datetime.fromisoformat(line.partition(",")[0]) < datetime.fromisoformat(moment)


def moved(moment: str, hours: float) -> str:
    return (datetime.fromisoformat(moment) + timedelta(hours=hours)).isoformat()


NEVER, ALWAYS = "2099-01-01T00:00:00Z", None


@pytest.mark.parametrize("way", ["all on the server", "each has a part"])
def test_an_alarm_is_judged_again_and_explained_from_the_server(
    keep: Callable[[str | None, str | None], Kept],
    overdose: Overdose,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    way: str,
) -> None:
    when = overdose.event.time
    # in parts: old ones are here no more; the server was away when it happened; some hours are in both
    kept = keep(ALWAYS, NEVER) if way == "all on the server" else keep(moved(when, -3), moved(when, -9))
    tank = overdose.event.tank
    noticed, beliefs = tmp_path / "events.jsonl", tmp_path / "beliefs.csv"
    status, out, err = kept.run(
        capsys, "replay", "--store", "--around", when, "--hours", "3", "--events", str(noticed),
        "--beliefs", str(beliefs),
    )  # fmt: skip
    assert (status, err) == (0, "")
    assert overdose.event.summary in out
    # the same, to the second, as from the file that they came from
    begin, end = moved(when, -3), moved(when, 3)
    again = [json.loads(line) for line in noticed.read_text().splitlines()]
    assert [(e["time"], e["event"], e["alarm"]) for e in again] == [
        (e.time, e.event, e.alarm)
        for e in overdose.events
        if datetime.fromisoformat(begin) <= datetime.fromisoformat(e.time) < datetime.fromisoformat(end)
    ]
    assert when < overdose.harm  # by the scenario's own truth
    with beliefs.open(newline="") as file:
        (decisive,) = [row for row in csv.DictReader(file) if row["time"] == when]
    assert decisive["found"] == "co2-overdose"

    status, out, err = kept.run(capsys, "explain", f"{tank}/co2-overdose")
    assert (status, err) == (0, "")
    assert overdose.event.occurrence in out and "• estimated from pH" in out
    for text in overdose.event.observations:
        assert text in " ".join(out.split())


def test_a_picture_is_drawn_from_the_server(
    keep: Callable[[str | None, str | None], Kept], overdose: Overdose, tmp_path: Path
) -> None:
    kept = keep(ALWAYS, NEVER)
    # as the service starts it for a notice (analysis/explain/png_worker.py)
    words = [kept.config, str(kept.path), overdose.event.occurrence, str(LATER_MS), str(tmp_path / "why.png")]
    done = subprocess.run(
        [sys.executable, "-m", "rushlight.analysis.explain.png", *words],
        env=os.environ | {"PYTHONPATH": str(ROOT / "src")},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "why.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948, 5.2


@pytest.mark.parametrize("fault", ["deaf", "no bucket"])
def test_without_the_server_the_local_file_is_used(
    keep: Callable[[str | None, str | None], Kept],
    overdose: Overdose,
    capsys: pytest.CaptureFixture[str],
    fault: str,
) -> None:
    kept = keep(NEVER, ALWAYS)
    settings = Path(kept.config).read_text()
    url = f"{load_settings(kept.config).store.url}"
    with socket.create_server(("127.0.0.1", 0)) as deaf:  # takes connections and never answers
        if fault == "no bucket":
            settings = settings.replace('bucket = "', 'bucket = "no_')
        else:
            settings = settings.replace(url, f"http://127.0.0.1:{deaf.getsockname()[1]}")
        Path(kept.config).write_text(settings)
        status, out, err = kept.run(capsys, "explain", overdose.event.occurrence)
    assert status == 0 and "• estimated from pH" in out
    says = {"deaf": "does not answer in time", "no bucket": "has no bucket"}
    assert says[fault] in err and "the local file" in err
    assert len(err.splitlines()) == 1


def test_an_export_says_what_the_server_does_not_have_yet(
    keep: Callable[[str | None, str | None], Kept], overdose: Overdose, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = keep(ALWAYS, NEVER)
    out = Path(kept.config).with_name("out.csv")
    settings = load_settings(kept.config).store
    with (overdose.folder / "readings.csv").open(newline="") as file:
        # some were read twice in a second, which are one without a report's number
        count = len({(row["time"], row["quantity"]) for row in csv.DictReader(file)})
    said = kept.run(capsys, "export", str(out))
    assert said == (0, f"{count} readings from {settings.url} written to {out}\n", "")
    assert len(out.read_text().splitlines()) == count + 1
    with EmbeddedStore(kept.path) as store:
        writer = InfluxWriter(settings)
        Drain(settings, writer, lambda: LATER_MS).run_once(store, LATER_MS)  # there is nothing to copy
        writer.close()
        store.add_readings([Reading(overdose.event.tank, "ph", LATER_MS - n, 7.0) for n in range(3)])
    _, now, _ = kept.run(capsys, "export", str(out))
    assert now.endswith(f"; 3 newer readings are in {kept.path} only so far: --local exports from there\n")
    assert kept.run(capsys, "export", "--local", str(out))[1].startswith(f"3 readings from {kept.path}")
