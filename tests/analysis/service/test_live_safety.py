"""What the live analysis saves, and when, at the places where a small fault would go unseen."""

from __future__ import annotations

from pathlib import Path

from rushlight.analysis.watch.saved import ANALYSIS_STATE
from tests.analysis.service.test_live import BEGAN, Service, readings

FIVE_MIN_MS = 300_000


def test_all_tanks_are_saved_every_five_minutes_and_at_the_end_only(tmp_path: Path) -> None:
    """A saved place holds days back from being packed, and each saving is a write on somebody's SD card."""
    run = Service(tmp_path / "a.db")
    run.commit([])  # new tanks: they are waited for from here, over restarts
    began = run.now = BEGAN + FIVE_MIN_MS  # soon after a start somebody waits to see them: more often
    run.commit([])
    saved = {name: run.store.load_state(ANALYSIS_STATE, name) for name in ("hallway", "shed")}
    assert all(saved.values())
    run.commit(readings(4))
    assert not run.live.wants(run.now)
    assert {name: run.store.load_state(ANALYSIS_STATE, name) for name in saved} == saved
    run.now = began + FIVE_MIN_MS - 1
    assert not run.live.wants(run.now)
    run.now = began + FIVE_MIN_MS
    assert run.live.wants(run.now)
    run.commit([])
    before, saved = saved, {name: run.store.load_state(ANALYSIS_STATE, name) for name in saved}
    assert [s[1] for name in saved if (s := saved[name])] == [run.store.position()] * 2
    assert all(before[name] != saved[name] for name in saved)
    assert not run.live.wants(run.now)
    more = readings(6)[12:]
    run.commit(more)
    assert {name: run.store.load_state(ANALYSIS_STATE, name) for name in saved} == saved
    run.now -= 3_600_000  # a clock that was put back must not stop it for as long
    assert run.live.wants(run.now)
    run.commit([])
    place = run.store.position()
    assert [s[1] for name in saved if (s := run.store.load_state(ANALYSIS_STATE, name))] == [place, place]
    run.commit(readings(8)[18:], closing=True)
    place = run.store.position()
    assert [s[1] for name in saved if (s := run.store.load_state(ANALYSIS_STATE, name))] == [place, place]
    run.store.close()


def test_what_could_not_be_kept_is_kept_with_the_next(tmp_path: Path) -> None:
    """`keep` may be called again for the same: nothing is forgotten before `kept`, nothing comes twice."""
    run = Service(tmp_path / "a.db")
    batch = readings(130)
    run.live.take(batch, run.now)
    try:
        with run.store.transaction():
            run.store.add_readings(batch)
            run.live.keep(run.store, run.now, False)
            raise ZeroDivisionError
    except ZeroDivisionError:
        pass
    assert run.store.events() == [] and run.store.pending_notices() == []
    assert run.live.wants(run.now)
    for _ in range(2):
        with run.store.transaction():
            run.store.add_readings(batch)
            run.live.keep(run.store, run.now, False)
    run.live.kept(run.now)
    raised = [e for e in run.store.events() if e.event == "raised"]
    assert [e.alarm for e in raised] == ["temperature-high"]
    assert [(n.transition, n.number) for n in run.store.pending_notices()] == [("raised", 0)]
    assert not run.live.wants(run.now)
    run.store.close()
