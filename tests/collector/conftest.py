"""Fixtures of the server store: one influxd for the run with a database for each test, others where asked."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest

from tests.collector.influx_local import Local
from tests.collector.influx_servers import Influxd, Nginx, Servers, find_program

_numbers = count()


@pytest.fixture(scope="session")
def server_programs() -> None:
    """The run fails where a server is not installed, so that nothing is skipped."""
    for name in ("influxd", "nginx", "victoria-metrics"):
        try:
            find_program(name)
        except FileNotFoundError as error:
            pytest.exit(f"the tests of the server store: {error}", returncode=1)


@pytest.fixture(scope="session")
def shared_influxd(server_programs: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influxd]:
    """An influxd that no test ends."""
    server = Influxd(tmp_path_factory.mktemp("influxd"))
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def shared_nginx(shared_influxd: Influxd, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Nginx]:
    """nginx before it."""
    server = Nginx(tmp_path_factory.mktemp("nginx"), shared_influxd.url)
    server.start()
    yield server
    server.stop()


@pytest.fixture
def no_database() -> str:
    """The name of a database that no other test has; not made yet."""
    return f"tanks_{next(_numbers)}"


@pytest.fixture
def database(shared_influxd: Influxd, no_database: str) -> str:
    """An empty database on the shared influxd."""
    shared_influxd.ask(f"CREATE DATABASE {no_database}")
    return no_database


@pytest.fixture
def servers(server_programs: None, tmp_path: Path) -> Iterator[Servers]:
    """Servers of this test's own."""
    made = Servers(tmp_path)
    yield made
    made.stop()


@pytest.fixture
def local(tmp_path: Path) -> Iterator[Local]:
    """A local file without readings."""
    made = Local(tmp_path)
    yield made
    made.close()
