"""The plan in words: mixing within hours, dripping, or days with dates."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from rushlight.analysis.change_over.mixing_plan import RATES, days_plan, drip, portions
from rushlight.analysis.change_over.waters import Asked, Known
from rushlight.analysis.physics.numbers import MIXING
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import Settings

__all__ = ["plan_lines"]


def plan_lines(settings: Settings, asked: Asked, known: Known, now_ms: int) -> Iterator[str]:
    """How the two waters are brought together; SettingsError where the container can't hold its water."""
    if known.tank is None or known.carrying is None:
        return
    if known.far:
        yield from _over_days(settings, asked, known, now_ms)
        return
    try:
        steps = portions(known.carrying, known.tank, asked.container_litres)
    except ValueError as error:
        raise SettingsError(f"--container: {error}") from None
    if not steps:
        yield "The waters are as good as the same: float the closed bag half an hour, then net them over."
        return
    yield (
        f"In a container of {asked.container_litres:g} L with {asked.water_litres:g} L of their own "
        f"water, an air "
        f"stone and a lid, at most {RATES.c_per_h:g} °C an hour and {RATES.hardness_per_h:g} degrees "
        f"of hardness an hour "
        "(common practice, no source):"
    )
    for one in steps:
        out = f"pour {one.out_litres:.1f} L away, " if one.out_litres > 0.05 else ""
        hard = "".join(
            f", {name} {value:.1f}"
            for name, value in (("KH", one.water.kh), ("GH", one.water.gh))
            if value is not None
        )
        yield (
            f"  after {one.minute:3.0f} min  {out}add {one.in_litres:.1f} L of {known.here.name}: "
            f"{one.water.litres:.1f} L of {one.water.celsius:.1f} °C{hard}"
        )
    total = steps[-1].minute + RATES.step_min
    yield f"Then net them over: {total:.0f} min in all. Don't pour the water they travel in into the tank."
    dripping = drip(known.carrying, known.tank)
    if dripping is not None:
        yield (
            f"Or drip: {dripping.litres_per_h:.1f} L/h ({dripping.drops_per_s:.0f} drops a second) for "
            f"{dripping.hours:.1f} h, up to {dripping.litres:.0f} L."
        )
    here, there = known.there.ph, known.here.ph
    if here is not None and there is not None and abs(there - here) > MIXING.close_ph:
        yield (
            f"pH goes from {here:.1f} to {there:.1f}. It follows hardness and CO2, not the litres: measure "
            f"it after each portion, and wait while it differs by more than {RATES.ph_per_day:g} from the "
            "one before."
        )
    if known.carrying.kh is None or known.tank.kh is None:
        yield (
            "KH and GH of both are not all known: give --kh, --gh, --tank-kh and --tank-gh, and the "
            "plan holds to them too."
        )
    yield "Stop, add nothing more and give air, if they gasp, lie on their side or race about."


def _over_days(settings: Settings, asked: Asked, known: Known, now_ms: int) -> Iterator[str]:
    assert known.tank is not None and known.carrying is not None  # as `far` has it
    gap = known.tank.celsius - known.carrying.celsius
    zone = ZoneInfo(settings.tanks[asked.tank].timezone)
    today = datetime.datetime.fromtimestamp(now_ms / 1000, zone).date()
    rows = days_plan(known.carrying, known.tank, (known.there.ph, known.here.ph), today)
    yield (
        f"They differ by {abs(gap):.1f} °C: not in one day. Keep them in an aerated, covered tub in a room "
        f"that lies between, with a probe in it, and let it change by {RATES.c_per_day:g} °C a day, "
        f"{RATES.hardness_per_day:g} degrees of hardness and pH {RATES.ph_per_day:g} a day at most (common "
        "practice, no source; channel catfish take 1 to 3 days for warmer water, 4 to 14 for colder: Allen & "
        "Strawn 1971). Each day exchange that share of its water for the tank's, brought to the tub's own "
        "temperature first:"
    )
    litres = None if asked.other is None else settings.tanks[asked.other].volume_litres
    for row in rows[:-1]:
        share = f"exchange {row.share * 100:.0f} %" + (
            "" if litres is None else f" ({row.share * litres:.1f} L)"
        )
        known_too = "".join(
            f", {name} {value:.1f}"
            for name, value in (("KH", row.kh), ("GH", row.gh), ("pH", row.ph))
            if value is not None
        )
        yield f"  {row.date:%a %d %b}  {share}: {row.celsius:.1f} °C{known_too}"
    what = [name for name, pair in _pairs(known).items() if None in pair]
    if what:
        yield f"{', '.join(what)} of both waters: not all known; measure them, or the plan may be too fast."
    yield (
        f"On {rows[-1].date:%a %d %b} ask again: then it is a matter of an hour. Stop, and go back to the "
        "day before, if they lie on their side or gasp. Test the tub's ammonia each day; at more than 0 "
        "exchange more."
    )
    yield "The way with its probe: the same command with --follow."


def _pairs(known: Known) -> dict[str, tuple[float | None, float | None]]:
    assert known.tank is not None and known.carrying is not None
    return {
        "KH": (known.carrying.kh, known.tank.kh),
        "GH": (known.carrying.gh, known.tank.gh),
        "pH": (known.there.ph, known.here.ph),
    }
