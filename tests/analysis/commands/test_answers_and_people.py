"""hands, verdict, password, invite: typed as people type them, with no service running."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rushlight.analysis.views.access.keys import Keys, has_login
from rushlight.collector.events import Event
from rushlight.collector.store.embedded import EmbeddedStore
from tests.running_service import TANK, Service

NAME = "hallway/co2-overdose/2026-03-01T02:14:10Z"


@pytest.fixture
def typed(tmp_path: Path) -> Service:
    made = Service(tmp_path, '[[links]]\nkind = "serial"\nport = "/dev/none"\n', TANK)
    with EmbeddedStore(made.store):
        pass
    return made


def test_hands_and_their_end(typed: Service) -> None:
    done = typed.ask("hands", "hallway", "--for", "45min")
    assert done.returncode == 0 and "what hands cause is silent, what kills is not" in done.stdout
    assert "Unplug at the wall, with dry hands, before a hand goes in" in done.stdout
    assert "shelved for" in typed.ask("status").stdout
    done = typed.ask("hands", "hallway", "--end")
    assert done.stdout.startswith("hallway: hands are out; what they had silenced speaks again.")
    assert typed.ask("hands", "hallway", "--end").returncode == 1
    for words in (("hands", "hallway", "--for", "soon"), ("hands", "nowhere")):
        assert typed.ask(*words).returncode == 2
    assert "2 hours" in typed.ask("hands", "hallway", "--for", "3h").stderr


def test_a_verdict_is_one_of_three(typed: Service) -> None:
    none = typed.ask("verdict", NAME, "--false")
    assert none.returncode == 1 and "no such alarm was raised" in none.stderr
    raised = Event(
        time="2026-03-01T02:14:10Z", tank="hallway", alarm="co2-overdose", event="raised", priority="high",
        summary="", detail="", cautions=[], occurrence=NAME,
    )  # fmt: skip
    with EmbeddedStore(typed.store) as store:
        store.add_event(raised)
    done = typed.ask("verdict", NAME, "--was", "a dying electrode")
    assert done.stdout == f"{NAME}: noted, it was a dying electrode\n"
    assert typed.ask("verdict", NAME, "--false").returncode == 0
    for words in (
        ("verdict", NAME),
        ("verdict", NAME, "--false", "--right"),
        ("verdict", "nothing", "--false"),
    ):
        assert typed.ask(*words).returncode == 2


def test_the_password_comes_from_a_pipe_where_there_is_no_terminal(typed: Service) -> None:
    def password(text: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "rushlight.analysis.commands.main", "password"]
        return subprocess.run(
            command,
            cwd=typed.folder,
            env=typed.environment,
            input=text,
            capture_output=True,
            text=True,
            timeout=30,
        )

    short = password("short\n")
    assert short.returncode == 2 and "from 10 to 200 characters" in short.stderr
    done = password("under the fern\n")
    assert done.returncode == 0 and "is set" in done.stdout
    with EmbeddedStore(typed.store, read_only=True) as store:
        assert has_login(store) and Keys(store).right("under the fern")


def test_a_link_is_made_listed_and_revoked(typed: Service) -> None:
    made = typed.ask("invite", "Ines", "--until", "2999-01-01")
    assert made.returncode == 2 and "within a year" in made.stderr
    assert typed.ask("invite", "Ines").returncode == 2
    assert typed.ask("invite").returncode == 2
    day = f"{datetime.now(UTC) + timedelta(days=9):%Y-%m-%d}"
    made = typed.ask("invite", "Ines", "--until", day, "--look")
    assert made.returncode == 0 and "/visit/" in made.stdout and "works at this computer only" in made.stdout
    listed = typed.ask("invite", "--list").stdout
    assert "Ines: hallway; may look; until" in listed
    assert typed.ask("invite", "--revoke", listed.split()[0]).returncode == 0
    assert typed.ask("invite", "--list").stdout == "No link is open.\n"
    assert typed.ask("invite", "Ines", "--until", day, "--tank", "nowhere").returncode == 2
