"""What `rushlight move` does: the two waters, the answer, the plan."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from pathlib import Path

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.change_over.cold_ahead import LEAST_DAYS, after_night, cold_ahead
from rushlight.analysis.change_over.follow import DayFollow, Follow
from rushlight.analysis.change_over.mixing_plan import RATES, Solution
from rushlight.analysis.change_over.plan_words import plan_lines
from rushlight.analysis.change_over.species import Species, find_species
from rushlight.analysis.change_over.waters import Asked, Known, what_is_known
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.physics.fit_for_animals import Answer, may_move
from rushlight.analysis.physics.mixing import Water
from rushlight.analysis.physics.water import oxygen_saturation_mg_l
from rushlight.analysis.service.live_readings import live_readings
from rushlight.analysis.watch.saved import watch_of
from rushlight.collector.errors import SettingsError
from rushlight.collector.readings import SOURCE_TEMPERATURE, TEMPERATURE, Flag
from rushlight.collector.service import listener
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Asked", "follow_lines", "move_lines"]

_DAY_MS = 86_400_000
_TREND_DAYS = 14


def move_lines(settings: Settings, asked: Asked) -> Iterator[str]:
    """The answer, its reasons, the plan.

    Raises
    ------
    SettingsError
        No such tank or species, or limits that are the wrong way round.
    StoreError
        The store can't be read.
    """
    now_ms = listener.system_clock()
    species = None if asked.species is None else find_species(asked.species, Path(settings.path).parent)
    known = what_is_known(settings, asked, species, now_ms)
    answer, reasons = _answered(settings, asked, known, species)
    if answer == "go" and known.carrying is None:
        answer = "not known"
        reasons.append(f"no good temperature of {known.there.name}: measure it, and give --temperature")
    yield _titles(known)
    said = _ANSWERS[answer]
    if answer == "go" and known.far:
        said = "GO, but only by a plan over days"
    yield f"{said}{'' if not reasons else ': ' + '; '.join(reasons)}."
    if known.ready in ("ready", "old"):
        yield f"The tank: {known.ready_words}."
    if species is not None:
        more = "".join(
            f", {name} {low:g} to {high:g}"
            for name, low, high in (
                ("pH", species.ph_low, species.ph_high),
                ("GH", species.gh_low, species.gh_high),
            )
            if low is not None and high is not None
        )
        yield (
            f"Limits of {species.title}: {species.temperature_low_c:g} to "
            f"{species.temperature_high_c:g} °C{more} ({species.source})."
        )
    yield from _oxygen(known)
    yield from _cold(settings, asked, known, now_ms)
    if answer == "go":
        yield from plan_lines(settings, asked, known, now_ms)
    elif answer == "wait":
        yield "The plan comes with the answer `go`: ask again then."
    yield (
        "Temperature is known within about 0.2 °C where its probe was calibrated, within 0.5 °C where not "
        "(common practice, no source). Not seen by any probe: salt, ammonia, medicines."
    )
    yield from (CAUTIONS["electrical"], CAUTIONS["animals"])
    if any("CO2" in reason for reason in reasons):
        yield CAUTIONS["gas"]


def _answered(
    settings: Settings, asked: Asked, known: Known, species: Species | None
) -> tuple[Answer, list[str]]:
    """By the tank's water, the animals' limits, and whether the tank is ready; no go without limits."""
    verdict = may_move(known.to, known.animals, settings.tanks[asked.tank].livestock)
    answer, reasons = verdict.answer, list(verdict.reasons)
    against = "" if species is None else _hardness(known, species)
    if against:
        answer = "don't" if answer in ("go", "wait") else answer
        reasons.append(against)
    if known.ready in ("wait", "don't"):
        reasons.append(f"is {known.here.name} ready? {known.ready_words}")
        if answer == "go" or (answer == "wait" and known.ready == "don't"):
            answer = "don't" if known.ready == "don't" else "wait"
    if known.animals.temperature_low_c is None or known.animals.temperature_high_c is None:
        reasons.append(
            "the limits of the animals are not known: give --species, or --temperature-low and "
            "--temperature-high"
        )
        if answer in ("go", "wait"):
            answer = "not known"
    return answer, reasons


def _hardness(known: Known, species: Species) -> str:
    """What the tank's GH says against them, "" for nothing; a drop test is a degree either way."""
    gh = None if known.tank is None else known.tank.gh
    low, high = species.gh_low, species.gh_high
    if gh is None:
        return ""
    if (low is None or gh >= low - _DROP) and (high is None or gh <= high + _DROP):
        return ""
    span = " to ".join(f"{one:g}" for one in (low, high) if one is not None)
    return (
        f"GH {gh:.1f} of {known.here.name} is outside what {species.title} is kept in ({span} degrees), "
        "more than a drop test's degree"
    )


_DROP = 1.0
_ANSWERS = {"go": "GO", "wait": "WAIT", "don't": "DON'T", "not known": "NOT KNOWN"}


def follow_lines(settings: Settings, asked: Asked) -> Iterator[str]:
    """Live: what to do now, until the waters are close. Raises as `move_lines`."""
    now_ms = listener.system_clock()
    species = None if asked.species is None else find_species(asked.species, Path(settings.path).parent)
    known = what_is_known(settings, asked, species, now_ms)
    answer, reasons = _answered(settings, asked, known, species)
    if answer != "go" or known.tank is None:
        raise SettingsError(
            f"{asked.tank}: there is nothing to follow: {_ANSWERS[answer]}: {'; '.join(reasons)}"
        )
    quantity = SOURCE_TEMPERATURE if asked.other is None else TEMPERATURE
    of = asked.tank if asked.other is None else asked.other
    yield CAUTIONS["electrical"]
    where = "tub" if known.far else "container"
    yield f"Hang the probe ({quantity} of {of}) into the {where}, with its cable in a drip loop."
    plan: Follow | DayFollow | None = None
    with live_readings(settings, of) as readings:
        for reading in readings:
            if reading is None or reading.quantity != quantity or reading.value is None:
                continue
            if reading.flag >= Flag.FAIL:
                continue
            if plan is None:
                if known.far:
                    plan = DayFollow(known.tank.celsius)
                else:
                    water = Solution(asked.water_litres, reading.value, asked.kh, asked.gh)
                    plan = Follow(water, known.tank, asked.container_litres)
            far = abs(known.tank.celsius - reading.value) > RATES.days_from_c
            if far and isinstance(plan, Follow) and not plan.begun:
                yield _TOO_FAR
                return
            said = plan.take(reading.time_ms, reading.value)
            if said:
                yield said
            if plan.done:
                yield CAUTIONS["animals"]
                return


_TOO_FAR = (
    f"The two differ by more than {RATES.days_from_c:g} °C: that is a plan over days; see `rushlight move`."
)


def _titles(known: Known) -> str:
    def said(water: Water) -> str:
        celsius = "temperature not known" if water.celsius is None else f"{water.celsius:.1f} °C"
        return f"{water.name}: {celsius}, pH {'not known' if water.ph is None else f'{water.ph:.2f}'}"

    def hard(water: Solution | None) -> str:
        if water is None:
            return ""
        return "".join(
            f", {name} {value:.1f}"
            for name, value in (("KH", water.kh), ("GH", water.gh))
            if value is not None
        )

    there, here = said(known.there) + hard(known.carrying), said(known.here) + hard(known.tank)
    return f"from {there}; to {here}"


def _oxygen(known: Known) -> Iterator[str]:
    held = {}
    for water in (known.there, known.here):
        if water.celsius is not None and 0 <= water.celsius <= 40:
            held[water.name] = oxygen_saturation_mg_l(water.celsius)
            yield (
                f"{water.name} holds {held[water.name]:.1f} mg/L of oxygen at "
                "saturation (Benson & Krause 1984)."
            )
    less = held.get(known.there.name, 0.0) - held.get(known.here.name, math.inf)
    if less > _LESS_OXYGEN:
        yield (
            f"That is {less:.1f} mg/L less than they are used to: an air stone in the tank for the first "
            "days."
        )


_GUESSED_C = 3.0  # so much colder it may be where the time constant is a guess; common practice, no source
_LESS_OXYGEN = 1.0  # mg/L; common practice, no source


def _cold(settings: Settings, asked: Asked, known: Known, now_ms: int) -> Iterator[str]:
    low = known.animals.temperature_low_c
    if low is None:
        return
    quantity = SOURCE_TEMPERATURE if asked.other is None else TEMPERATURE
    of = asked.tank if asked.other is None else asked.other
    clock = LocalClock(settings.tanks[of].timezone)
    days: dict[int, list[float]] = {}
    parts: dict[int, set[int]] = {}
    with EmbeddedStore(settings_of_tank(settings, of).store_path(), read_only=True) as store:
        for reading in store.readings(of, quantity, now_ms - _TREND_DAYS * _DAY_MS, now_ms):
            if reading.value is not None and reading.flag < Flag.SUSPECT:
                day, minute = clock.local(reading.time_ms)
                days.setdefault(day, []).append(reading.value)
                parts.setdefault(day, set()).add(int(minute // 180))
    epoch = datetime.date.fromisoformat("1970-01-01")
    rows = [
        (epoch + datetime.timedelta(days=day), min(kept), sum(kept) / len(kept))
        for day, kept in sorted(days.items())
        if len(parts[day]) == 8  # a morning alone is colder than its day
    ]
    name = known.there.name
    found = cold_ahead(rows, low)
    if found is None:
        yield f"No trend of {name} can be said: {len(rows)} whole days of readings, {LEAST_DAYS} are needed."
    else:
        when = "no day within two months is too cold by it"
        if found.likely is not None or found.earliest is not None:
            today = epoch + datetime.timedelta(days=clock.local(now_ms)[0])
            likely = (
                "not within two months" if found.likely is None else f"{max(found.likely, today):%a %d %b}"
            )
            when = f"below {low:g} °C likely from {likely}"
            if found.earliest is not None:
                when += f", perhaps from {max(found.earliest, today):%a %d %b}: move them before that day"
        yield (
            f"{name} changes by {found.c_per_day:+.2f} °C a day (± {found.error:.2f} °C, 95 %, "
            f"{found.days_known} days): {when}."
        )
    if asked.night_c is not None:
        yield from _night(settings, asked, known, low)


def _night(settings: Settings, asked: Asked, known: Known, low: float) -> Iterator[str]:
    """The forecast night; how fast a tub follows is known of one that is a tank of the settings."""
    night, name = asked.night_c, known.there.name
    assert night is not None
    if night >= low:
        yield f"The night's {night:g} °C can't bring {name} below {low:g} °C."
        return
    cold = f"A night of {night:g} °C is below the {low:g} °C that they bear"
    now_c = known.there.celsius
    if asked.other is None or now_c is None:
        yield (
            f"{cold}. A tub cools towards it by hours; a small one may reach it by morning: move them, or "
            "bring the tub in, before that night."
        )
        return
    with EmbeddedStore(settings_of_tank(settings, asked.other).store_path(), read_only=True) as store:
        watch, _ = watch_of(asked.other, settings.tanks[asked.other], store)
    model = watch.of(TemperatureDetector).model
    by_morning = after_night(now_c, night, model.time_constant_h(settings.tanks[asked.other].volume_litres))
    guess = "by a usual tank of its volume; a tub in the wind is faster"
    whose = "by its own time constant" if model.learnt else guess
    then = (
        "move them, or bring the tub in, before that night."
        if by_morning < low + (0.0 if model.learnt else _GUESSED_C)
        else "not too cold yet; but nights add up, and its trend counts."
    )
    yield f"{cold}: {name} may go from {now_c:.1f} to {by_morning:.1f} °C by the morning ({whose}): {then}"
