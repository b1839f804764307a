"""Units as people have them: read where a value is typed, shown where text reaches a person.

Settings keys, store, wire and events stay in °C, litres and German degrees; what was judged is only converted
for the eye. Conversion of texts is in one place, so no message has to know for whom it is.

Factors: °F and gallon from NIST SP 811 (2008), appendix B.8: °C = (°F - 32) / 1.8; 1 US gallon is
3.785 411 784 L (231 cubic inches, exact). 1 German degree is 10 mg/L of CaO, so 17.848 mg/L as CaCO3
(100.0869 / 56.0774, CIAAW's standard atomic weights of 2021) and 0.35665 meq/L (2 / 56.0774 of 10 mg/L).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Literal, Protocol

__all__ = [
    "DKH_MEQ_L",
    "DKH_MG_L",
    "GALLON_L",
    "Display",
    "celsius",
    "did_you_mean",
    "fahrenheit",
    "in_unit",
    "names_unit",
    "read_two_ways",
    "shown",
    "titles",
    "typed",
]

Display = Literal["metric", "us"]

GALLON_L = 3.785411784
"""Litres of a US liquid gallon."""
DKH_MG_L = 17.848
"""mg/L as CaCO3 of a German degree of hardness."""
DKH_MEQ_L = 0.35665
"""Milliequivalents a litre of a German degree of hardness."""

_PLACES = 2  # a typed value is kept to a hundredth: below what any probe of a tank or drop test tells
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?!\d)")
_TYPED = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(.*)", re.DOTALL)

# by the unit of a key: what may be typed beside a number, in small letters, and its factor and offset
_HARDNESS = {
    **dict.fromkeys(("ppm", "mg/l", "mg/l caco3", "ppm caco3"), (1 / DKH_MG_L, 0.0)),
    "meq/l": (1 / DKH_MEQ_L, 0.0),
    "mmol/l": (2 / DKH_MEQ_L, 0.0),
}
_UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "°C": {
        **dict.fromkeys(("c", "°c", "celsius"), (1.0, 0.0)),
        **dict.fromkeys(("f", "°f", "fahrenheit"), (1 / 1.8, -32 / 1.8)),
    },
    "L": {
        **dict.fromkeys(("l", "litre", "litres", "liter", "liters"), (1.0, 0.0)),
        **dict.fromkeys(("gal", "us gal", "gallon", "gallons"), (GALLON_L, 0.0)),
    },
    "dKH": {**dict.fromkeys(("dkh", "°dh", "dh", "°kh", "degrees"), (1.0, 0.0)), **_HARDNESS},
    "dGH": {**dict.fromkeys(("dgh", "°dh", "dh", "°gh", "degrees"), (1.0, 0.0)), **_HARDNESS},
}
_EXAMPLES = {
    "°C": 'as "24 C" or "75 F"',
    "L": 'as "54 L" or "20 gal"',
    "dKH": 'as "4 dKH", "71 ppm" or "1.4 meq/L"',
    "dGH": 'as "8 dGH" or "143 ppm"',
}


def celsius(fahrenheit_: float) -> float:
    """°F into °C."""
    return (fahrenheit_ - 32.0) / 1.8


def fahrenheit(celsius_: float) -> float:
    """°C into °F."""
    return celsius_ * 1.8 + 32.0


def typed(text: str, unit: str, bare: str = "") -> float:
    """A value as a person typed it, in `unit`, to a hundredth.

    Parameters
    ----------
    text : str
        "75 F", "20 gal", "71 ppm"; a number alone is in `bare`.
    unit : str
        "°C", "L", "dKH" or "dGH".
    bare : str
        Unit of a number alone; "" for `unit`.

    Raises
    ------
    ValueError
        It is none; the message says what may be written.
    """
    match = _TYPED.fullmatch(text.strip())
    name = (match[2].strip() or bare or unit).lower() if match else ""
    known = _UNITS[unit]
    if read_two_ways(text):
        raise ValueError(f"{text[:40]!r} can be read in two ways; write it without a comma")
    if match is None or name not in known:
        raise ValueError(f"{text[:40]!r} can't be read; write it {_EXAMPLES[unit]}")
    factor, offset = known[name]
    value = float(match[1].replace(",", ".")) * factor + offset
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]!r} can't be read; write it {_EXAMPLES[unit]}")
    return value if (factor, offset) == (1.0, 0.0) else round(value, _PLACES)


def read_two_ways(text: str) -> bool:
    """Whether a number's comma is of thousands to some and of decimals to others: nobody may guess it."""
    return _THOUSANDS.match(text.strip()) is not None


def names_unit(value: object, extra: Mapping[str, object] | None) -> bool:
    """Whether a value is text that names a unit, for a key that may have another than its own."""
    known = extra is not None and extra.get("unit") in _UNITS
    return known and isinstance(value, str) and any(sign.isalpha() or sign == "°" for sign in value)


def in_unit(text: str, extra: Mapping[str, object] | None) -> tuple[float, str]:
    """What `typed` makes of it for such a key, and what is wrong in it, "" for nothing."""
    try:
        return typed(text, str((extra or {}).get("unit", ""))), ""
    except ValueError as error:
        return math.nan, str(error)


def did_you_mean(value: float, unit: str) -> str:
    """A question about a value that is out of bounds in its unit, but would do in another; "" for none."""
    if unit == "°C" and 46 <= value <= 113:
        return f'did you mean {value:g} °F ({celsius(value):.1f} °C)? Then write "{value:g} F"'
    if unit in ("dKH", "dGH") and 40 < value <= 40 * DKH_MG_L:
        return (
            f'did you mean {value:g} ppm as CaCO3 ({value / DKH_MG_L:.1f} {unit})? Then write "{value:g} ppm"'
        )
    return ""


# -- what is shown ------------------------------------------------------------------------------------------

_NUMBER = r"[-+−]?\d+(?:\.\d+)?"
_RUN = rf"(?:{_NUMBER}(?: to | → | and |–))*{_NUMBER}"
_AROUND = re.compile(
    r"(?P<by>± ?|\b(?:by|steps? of|differences? of|within|rises?|falls?|fell|cooled|warmed)"
    r"(?: about| more than| less than| at least| at most| up to| some)? )?"
    rf"(?<![\w.])(?P<values>{_RUN})\s?°C"
    r"(?P<step>/h| an hour| a day|/day| below| above| apart| colder| warmer| lower| higher| less| more"
    r"| steps)?"
)
_LITRES = re.compile(rf"(?<![\w./])(?P<values>{_RUN}) (?:L|litres)(?!\w|/(?!h\b))")
_DEGREES = re.compile(rf"(?<![\w.])(?P<values>{_RUN}) (?P<unit>dKH|dGH)(?!\w| \()")
_ONE = re.compile(_NUMBER)
_SMALL_GAL = 2.0
_A_TIME = ("/h", " an hour", " a day", "/day")
_ONE_DECIMAL_FROM = 0.995  # °F an hour or a day: 0.99 has two decimals, and so has what is less
_CUT_NAME = 8  # letters that a headline leaves of a name at least


class _Titled(Protocol):
    @property
    def title(self) -> str: ...


def titles(tanks: Mapping[str, _Titled]) -> list[str]:
    """What people call the tanks of the settings."""
    return [tank.title for tank in tanks.values() if tank.title]


def shown(text: str, display: Display, names: Iterable[str] = ()) -> str:
    """A finished text for people who use these units; with "metric" the same.

    Temperatures, rates of change and differences, litres and hardness are found by their units. °C never
    changes to °F where the number is a difference: "by more than 2 °C", "within 1 °C", "± 0.1 °C",
    "2 °C an hour", "2 °C less". A rule of thumb, "about 1 °C an hour", is one again, "about 2 °F an hour"; a
    limit keeps its decimals, "at most 1.8 °F an hour". `names`: a tank that is called "60 L" goes on being
    called so, also where its name was cut off with "…".
    """
    if display == "metric":
        return text
    kept = [name for name in names if name in text or name[:_CUT_NAME] in text]
    kept = [name for name in kept if _converted(name) != name]
    if not kept:
        return _converted(text)
    kept += [f"{name[:end]}…" for name in kept for end in range(_CUT_NAME, len(name))]
    pattern = "|".join(re.escape(name) for name in sorted(kept, key=len, reverse=True))
    pieces = re.split(f"({pattern})", text)
    return "".join(piece if number % 2 else _converted(piece) for number, piece in enumerate(pieces))


def _converted(text: str) -> str:
    if "°C" in text:
        text = _AROUND.sub(_temperature, text)
        text = re.sub(r"(?<!\d )°C", "°F", text)  # alone, as in a heading
    if " L" in text or "litres" in text:
        text = _LITRES.sub(_gallons, text)
    if "dKH" in text or "dGH" in text:
        text = _DEGREES.sub(
            lambda found: f"{found[0]} ({_each(found, DKH_MG_L, 0.0, 0)} ppm)",
            text,
        )
    return text


def _gallons(found: re.Match[str]) -> str:
    # a litre that is poured is a quarter of a gallon: a tenth of one would be too coarse
    values = _ONE.sub(
        lambda one: _as_gallons(float(one[0].replace("−", "-")), len(one[0].partition(".")[2])),
        found["values"],
    )
    return f"{values} gal"


def _as_gallons(litres: float, had: int) -> str:
    value = litres / GALLON_L
    if had == 0 or abs(value) >= _SMALL_GAL:
        text = f"{value:.1f}"
        return text.rstrip("0").rstrip(".") if had == 0 else text
    return f"{value:.{min(had + 1, 2)}f}"


def _temperature(found: re.Match[str]) -> str:
    step, by = found["step"] or "", found["by"] or ""
    # "within 20 to 26 °C" is where, "within 1 °C" by how much
    where = by.startswith("within") and _ONE.fullmatch(found["values"]) is None
    difference = bool(step) or (bool(by) and not where)
    about = by.endswith("about ") or found.string.endswith("about ", 0, found.start())
    values = (
        _each(found, 1.8, 0.0, 2, about, step in _A_TIME) if difference else _each(found, 1.8, 32.0, 1, about)
    )
    return f"{by}{values} °F{step}"


def _each(
    found: re.Match[str], factor: float, offset: float, most: int, about: bool = False, rate: bool = False
) -> str:
    """Each number of a run, with as many decimals as it had and `most` at most.

    Whole degrees that are said with "about" are whole degrees again: no limit is said so. A `rate` of one
    degree and more has one decimal: it was measured.
    """

    def one(number: re.Match[str]) -> str:
        text = number[0].replace("−", "-")
        had = len(text.partition(".")[2])
        value = float(text) * factor + offset
        sign = "+" if text.startswith("+") else ""
        if about and had == 0:
            return f"{value:{sign}.0f}"
        if rate and had >= 2 and abs(value) >= _ONE_DECIMAL_FROM:
            return f"{value:{sign}.1f}"
        if had == 0 or had > most:
            rounded = f"{value:{sign}.{max(most, 0) if had else min(most, 1)}f}"
            return rounded.rstrip("0").rstrip(".") if "." in rounded else rounded
        return f"{value:{sign}.{had}f}"

    return _ONE.sub(one, found["values"])
