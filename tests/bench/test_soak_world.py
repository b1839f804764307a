"""The soak's programs end with it: none is left behind on somebody's machine."""

from __future__ import annotations

from pathlib import Path

import psutil

from bench.soak.world import InfluxProcess, Program
from tests.conftest import wait_for


def test_the_server_and_the_one_before_it_end_with_all_their_workers(tmp_path: Path) -> None:
    influx = InfluxProcess(tmp_path)
    influx.start_first("soak")
    front = influx._front.process
    assert front is not None
    mine = [psutil.Process(front.pid), *wait_for(psutil.Process(front.pid).children, "nginx's worker")]
    influx.close()
    _, alive = psutil.wait_procs(mine, timeout=10)
    assert alive == []


def test_a_program_that_does_not_end_is_said_to_hang(tmp_path: Path) -> None:
    program = Program(
        "deaf", ["sh", "-c", "trap '' TERM; echo deaf; while :; do sleep 0.1; done"], tmp_path, {}
    )
    program.start()
    wait_for(lambda: "deaf" in program.log.read_text(), "it to be deaf")
    assert program.stop(0.2) == -6  # SIGABRT (signal(7)): its Python would have said where
    assert not program.is_running()
