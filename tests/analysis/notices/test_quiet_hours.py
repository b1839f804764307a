"""What wakes a sleeping person, and what waits for the morning."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.notices.quiet_hours import TIME_TO_ACT_MS, QuietHours, quiet_lines
from rushlight.collector.settings import NoticeSettings, parse_settings
from tests.analysis.service.test_live import SETTINGS, Service, readings

AT = 1_772_330_400_000  # 2026-03-01T02:00Z; Lisbon is on UTC in winter
HOUR = 3_600_000
END = AT + 5 * HOUR
# as in the README
QUIET = NoticeSettings(
    quiet_from="23:00", quiet_to="07:00", wake_for=["co2-overdose", "stray-current-suspected"]
)
DEADLY = [
    "co2-overdose", "heater-stuck-on", "heater-not-heating", "cooling-not-cooling", "temperature-high",
    "temperature-low", "device-silent", "power-interrupted", "stray-current-suspected",
]  # fmt: skip


def test_the_figures_are_those_that_were_thought_about() -> None:
    # common practice, no source
    assert TIME_TO_ACT_MS == HOUR


@pytest.mark.parametrize("alarm", DEADLY)
def test_what_can_kill_wakes_whatever_the_settings_say(alarm: str) -> None:
    for wake_for in ([], QUIET.wake_for):
        quiet = QuietHours(NoticeSettings(quiet_from="23:00", quiet_to="07:00", wake_for=wake_for), "UTC")
        for priority in ("medium", "high"):
            assert quiet.end_ms(alarm, priority, AT) == 0, "no time known"
            assert quiet.end_ms(alarm, priority, AT, END - 1) == 0
            # up at seven and dead at half past is too late as well
            assert quiet.end_ms(alarm, priority, AT, END + TIME_TO_ACT_MS - 1) == 0
        if alarm not in wake_for:
            assert quiet.end_ms(alarm, "high", AT, END + TIME_TO_ACT_MS) == END
        assert quiet.end_ms(alarm, "critical", AT, END + 9 * HOUR) == 0


@pytest.mark.parametrize("alarm", sorted(set(RATIONALE) - set(DEADLY)))
def test_what_only_plants_or_the_clock_mind_waits(alarm: str) -> None:
    quiet = QuietHours(QUIET, "UTC")
    assert quiet.end_ms(alarm, "medium", AT) == END
    assert quiet.end_ms(alarm, "critical", AT) == 0
    added = NoticeSettings(quiet_from="23:00", quiet_to="07:00", wake_for=[alarm])
    assert QuietHours(added, "UTC").end_ms(alarm, "low", AT) == 0


def test_a_ph_far_out_wakes_and_one_that_is_just_out_does_not() -> None:
    quiet = QuietHours(QUIET, "UTC")
    assert quiet.end_ms("ph-out-of-range", "medium", AT, AT) == END
    assert quiet.end_ms("ph-out-of-range", "high", AT, AT) == 0


def test_check_says_what_wakes_and_what_waits() -> None:
    text = "\n".join(quiet_lines(QUIET, "Europe/Lisbon"))
    always, by_time, waits = text.splitlines()[1:]
    assert text.startswith("Quiet from 23:00 to 07:00 (Europe/Lisbon):")
    assert "co2-overdose" in always and "critical" in always
    assert "device-silent" in by_time and "temperature-low" in by_time and "after 08:00" in by_time
    assert "light-dimming" in waits and "device-silent" not in waits
    assert all(name in text for name in RATIONALE)
    assert "none" in next(quiet_lines(NoticeSettings(), "UTC"))


NIGHT = SETTINGS + '[notices]\nquiet_from = "23:00"\nquiet_to = "07:00"\n'


def test_too_warm_and_silent_at_night_are_due_at_once(tmp_path: Path) -> None:
    """The whole way from readings to the outbox, by the quiet hours of the README."""
    service = Service(tmp_path / "rushlight.db", NIGHT)
    service.give(readings(400))  # from 02:00 on
    assert "temperature-high" in {alarm for _, alarm, _ in service.events()}
    for _ in range(2):
        service.now += 2 * HOUR // 4
        service.live.tick(service.now)
        service.commit([])
    names = {n.occurrence.split("/")[1] for n in service.store.due_notices(service.now)}
    assert "device-silent" in names
    assert {n.occurrence.split("/")[1] for n in service.store.pending_notices()} == names
    service.store.close()


def test_what_was_held_is_sent_when_it_has_become_urgent(tmp_path: Path) -> None:
    """Harm was a day away, so it waited; an hour later it is two hours away and no event says so."""
    from rushlight.analysis.notices.notifier import Notifier
    from rushlight.collector.events import Event

    parsed = parse_settings(NIGHT)
    service = Service(tmp_path / "rushlight.db", NIGHT)
    store = service.store
    notices = Notifier(
        parsed.notices,
        environment={"RUSHLIGHT_NOTICE_URLS": "json://localhost/a"},
        clock=lambda: AT,
        sender=lambda *_: True,
    )
    name = "hallway/temperature-low/2026-03-01T02:00:00Z"
    event = Event(
        time="2026-03-01T02:00:00Z", tank="hallway", alarm="temperature-low", event="raised",
        priority="medium", summary="MEDIUM: cold", detail="", cautions=[], occurrence=name,
        time_left_s=86400.0,
    )  # fmt: skip
    with store.transaction():
        store.add_event(event)
        notices.queue_for(event, store, AT)
    (waiting,) = store.pending_notices()
    assert waiting.next_attempt_ms == END
    assert notices.run_once(store, AT + HOUR) == 0
    notices.harm_expected({name: AT + 20 * HOUR})
    assert notices.run_once(store, AT + HOUR) == 0
    notices.harm_expected({name: AT + 3 * HOUR})
    assert notices.run_once(store, AT + HOUR) == 1
    store.close()


def test_the_running_analysis_says_when_harm_comes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    service = Service(tmp_path / "rushlight.db", NIGHT)
    said: list[dict[str, int]] = []
    monkeypatch.setattr(service.live._notifier, "harm_expected", said.append)
    for at in range(0, 1200, 60):
        service.give(readings(400)[at : at + 60])
        service.live.tick(service.now)
    raised = {e.occurrence for e in service.store.events() if e.alarm == "temperature-high"}
    assert any(raised & set(harm) for harm in said)
    service.store.close()
