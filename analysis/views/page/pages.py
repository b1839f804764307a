"""The views that only show: the front, a tank, an alarm, the history."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from msgspec.structs import replace
from starlette.requests import Request
from starlette.responses import Response

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.states import SILENCED_STATES
from rushlight.analysis.alarms.verdicts import VERDICTS, verdicts
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.views.access.records import Visitor
from rushlight.analysis.views.fact_types import AlarmFacts, Facts, TankFacts
from rushlight.analysis.views.page.alarm_steps import steps_and_cautions
from rushlight.analysis.views.page.desk import Denied, Desk
from rushlight.analysis.views.page.escaped_templates import environment_of
from rushlight.analysis.views.page.front_words import (
    answer_of,
    day_and_time,
    due_alarms,
    sentence,
    summary_of,
)
from rushlight.analysis.views.page.history import Past, past_alarms
from rushlight.analysis.views.page.new_tank import new_tank_lines
from rushlight.analysis.views.page.sparkline import Drawing, Trace, draw
from rushlight.collector.events import Event
from rushlight.collector.readings import PH, TEMPERATURE
from rushlight.collector.settings import TankSettings
from rushlight.collector.units import titles

__all__ = ["Shown", "limits_of"]

_EVENTS = 2_000  # the last ones, of which the history is made
_HISTORY = 200
_LOG_MS = 90 * 86_400_000
_TRACED = 8  # numbers with a picture on the front
_HERE = Path(__file__).parent


class Shown:
    """Draws the views.

    Parameters
    ----------
    desk : Desk
    version : str
        Of the static files, so that a browser takes the new ones after an upgrade.
    """

    def __init__(self, desk: Desk, version: str) -> None:
        self._desk = desk
        self._traces: dict[tuple[str, str], Trace] = {}
        settings = desk.settings
        self._environment = environment_of(
            _HERE / "templates", version, settings.display.units, titles(settings.tanks)
        )
        self._environment.get_template("front.html")  # a broken installation shows itself at the start

    def draw(
        self, template: str, /, request: Request, visitor: Visitor | None, status: int = 200, **what: Any
    ) -> Response:
        """One page, with what all have in common."""
        renewed = "x-renewed" in request.headers  # a window that is open: what is said is for another
        said = None if visitor is None or renewed else self._desk.take_flash(visitor)
        text = self._environment.get_template(template).render(
            visitor=visitor,
            login=self._desk.has_login(),
            now_ms=self._desk.clock(),
            path=request.url.path,
            said=said,
            pictured=PictureMaker.possible() and self._desk.pictures is not None,
            **what,
        )
        return Response(text, status, media_type="text/html")

    # -- what is seen ---------------------------------------------------------------------------------

    def facts(self, visitor: Visitor) -> Facts:
        """Of the tanks that a visitor may see."""
        facts = self._desk.facts()
        if visitor.tanks is None:
            return facts
        tanks = [tank for tank in facts.tanks if tank.name in visitor.tanks]
        notices = replace(facts.notices, error="")  # may name whom the notices reach
        return replace(facts, tanks=tanks, links=[], refused=[], server=None, notices=notices)

    def events(self, visitor: Visitor) -> list[Event]:
        """The last ones, oldest first."""
        events = self._desk.once("events", lambda _: self._desk.store().events(limit=_EVENTS))
        return [event for event in events if visitor.may("read", event.tank)]

    def tank(self, name: str, visitor: Visitor) -> TankFacts:
        """One tank.

        Raises
        ------
        Denied
            There is none of that name for this visitor.
        """
        for tank in self.facts(visitor).tanks:
            if tank.name == name:
                return tank
        raise Denied("There is no such tank.", 404)

    # -- views ----------------------------------------------------------------------------------------

    def front(self, request: Request, visitor: Visitor) -> Response:
        """All tanks."""
        facts = self.facts(visitor)
        well = self._desk.is_well()
        answer = answer_of(facts, self._desk.settings, self.events(visitor), well)
        order = {tone: place for place, tone in enumerate(("alarm", "check", "old", "well", "unwatched"))}
        tanks = sorted(facts.tanks, key=lambda tank: order[_urgency(tank)])
        return self.draw(
            "front.html",
            request,
            visitor,
            facts=facts,
            well=well,
            answer=answer,
            summary=summary_of(facts),
            as_of=next((t.local_time for t in facts.tanks if t.local_time), utc_text(facts.time_ms)),
            due=due_alarms(facts.tanks),
            tanks=tanks,
            drawings=self._drawings(facts.tanks),
            hands=self._hands(facts.tanks),
            answered=self._answered(visitor),
            new_tanks={name: lines for tank in tanks if (lines := self._new(name := tank.name))},
        )

    def one_tank(self, request: Request, visitor: Visitor) -> Response:
        """One tank with its pictures, its log, and what can be said of it."""
        name = str(request.path_params["tank"])
        tank = self.tank(name, visitor)
        settings = self._desk.settings.tanks.get(name)
        zone = "UTC" if settings is None else settings.timezone
        now = self._desk.clock()
        log = self._desk.store().log(name, now - _LOG_MS)[::-1]
        return self.draw(
            "tank.html",
            request,
            visitor,
            tank=tank,
            answer=answer_of(
                replace(self.facts(visitor), tanks=[tank]),
                self._desk.settings,
                [event for event in self.events(visitor) if event.tank == name],
                self._desk.is_well(),
            ),
            log=[(entry, day_and_time(entry.time_ms, zone, now)) for entry in log],
            local_now=datetime.fromtimestamp(now / 1000, UTC)
            .astimezone(ZoneInfo(zone))
            .strftime("%Y-%m-%dT%H:%M"),
            hands=self._hands([tank]),
            answered=self._answered(visitor),
            new_tank=self._new(name),
            alarms=RATIONALE,
            volume=None if settings is None else settings.volume_litres,
        )

    def alarm(self, request: Request, visitor: Visitor, occurrence: str) -> Response:
        """One alarm, opened by the link of its notice."""
        tank_name = occurrence.partition("/")[0]
        tank = self.tank(tank_name, visitor)
        live = next((alarm for alarm in tank.alarms if alarm.occurrence == occurrence), None)
        events = self._desk.store().events(occurrence=occurrence)
        raised = [event for event in events if event.event in ("raised", "priority-changed")]
        if not raised:
            raise Denied("There is no such alarm.", 404)
        past = next(iter(past_alarms(events, verdicts(self._desk.store(), [occurrence]))), None)
        steps, cautions = steps_and_cautions(live, raised[-1])
        return self.draw(
            "alarm.html",
            request,
            visitor,
            tank=tank,
            alarm=live,
            event=raised[-1],
            person_first=CAUTIONS["person-first"] in raised[-1].cautions,
            steps=steps,
            cautions=cautions,
            past=past,
            history=[(self._when(event), event) for event in events],
            silenced=live is not None and live.state in {str(state) for state in SILENCED_STATES},
            verdict_words=VERDICTS,
            occurrence=occurrence,
            newer=None if live is not None else _same_alarm(tank, raised[-1]),
        )

    def history(self, request: Request, visitor: Visitor) -> Response:
        """Alarms that were."""
        found = self.past(visitor)
        zones = self._zones()
        now = self._desk.clock()
        rows = [
            (day_and_time(past.raised_ms, zones.get(past.tank, "UTC"), now), past)
            for past in found[:_HISTORY]
        ]
        titles = {name: tank.title or name for name, tank in self._desk.settings.tanks.items()}
        real = [past for past in found if not past.test]
        said = [past.verdict.verdict for past in real if past.verdict is not None]
        return self.draw(
            "history.html",
            request,
            visitor,
            rows=rows,
            titles=titles,
            counts=(len(real), len(said), said.count("right"), said.count("false"), said.count("other")),
        )

    def past(self, visitor: Visitor) -> list[Past]:
        """The newest first."""
        return past_alarms(self.events(visitor), verdicts(self._desk.store()))

    # -- parts ----------------------------------------------------------------------------------------

    def _drawings(self, tanks: Sequence[TankFacts]) -> dict[tuple[str, str], Drawing]:
        def make(now_ms: int) -> dict[tuple[str, str], Drawing]:
            found = {}
            for tank in tanks:
                for reading in tank.readings[:_TRACED]:
                    key = (tank.name, reading.quantity)
                    trace = self._traces.setdefault(key, Trace(*key))
                    trace.update(self._desk.store(), now_ms, self._desk.settings.tanks.get(tank.name))
                    limits = limits_of(self._desk.settings.tanks.get(tank.name), reading.quantity)
                    drawing = draw(trace, reading.quantity, now_ms, limits)
                    if drawing is not None:
                        found[key] = drawing
            return found

        return self._desk.once(("drawings", tuple(tank.name for tank in tanks)), make)

    def _answered(self, visitor: Visitor) -> dict[str, str]:
        """Who has answered which raising."""
        return {
            event.occurrence: event.actor or "somebody"
            for event in self.events(visitor)
            if event.event == "acknowledged"
        }

    def _new(self, name: str) -> list[str]:
        """What is due in its first month; nothing is read for an older tank."""
        settings, now = self._desk.settings, self._desk.clock()
        if name not in settings.tanks or settings.tanks[name].started is None:
            return []
        return new_tank_lines(settings, name, self._desk.store().log(name), now)

    def _zones(self) -> dict[str, str]:
        return {name: tank.timezone for name, tank in self._desk.settings.tanks.items()}

    def _hands(self, tanks: Sequence[TankFacts]) -> dict[str, str]:
        """Until when hands are in it, by the tank's clock."""
        zones, now = self._zones(), self._desk.clock()
        return {
            tank.name: day_and_time(tank.hands_until_ms, zones.get(tank.name, "UTC"), now).removeprefix(
                "today "
            )
            for tank in tanks
            if tank.hands_until_ms is not None
        }

    def _when(self, event: Event) -> str:
        moment = round(datetime.fromisoformat(event.time).timestamp() * 1000)
        return day_and_time(moment, self._zones().get(event.tank, "UTC"), self._desk.clock())


def limits_of(tank: TankSettings | None, quantity: str) -> tuple[float | None, ...]:
    """The limits that the settings have for a quantity."""
    if tank is None:
        return ()
    if quantity == TEMPERATURE:
        return (tank.livestock.temperature_low_c, tank.livestock.temperature_high_c)
    return (tank.water.ph_low, tank.water.ph_high) if quantity == PH else ()


def _urgency(tank: TankFacts) -> str:
    if not tank.watched:
        return "unwatched"
    if any(alarm.raised for alarm in tank.alarms):
        return "alarm"
    if tank.checks or any(alarm.away for alarm in tank.alarms):
        return "check"
    return "well" if sentence(tank) == "well" else "old"


def _same_alarm(tank: TankFacts, event: Event) -> AlarmFacts | None:
    """The same alarm, raised again since."""
    return next(
        (a for a in tank.alarms if (a.alarm, a.quantity) == (event.alarm, event.quantity) and a.raised), None
    )
