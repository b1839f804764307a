"""The forms of the keeper's jobs: what each asks, in words for who has not read the commands' help."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.physics.buffers import BUFFERS
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.settings import Settings

__all__ = ["TITLES", "Field", "Form", "form_of", "in_the_forms_words"]

Choices = Sequence[tuple[str, str]]

TITLES = {
    "away": (
        "Leave home",
        "May you leave? Each point with its number, and a sheet for who looks after the tank.",
    ),
    "move": ("Move animals in", "Are both waters fit for it today, and how they are brought together."),
    "calibrate": ("Calibrate a probe", "An electrode in its buffers, a thermometer, a light sensor."),
    "try": (
        "Try an alarm",
        "A marked test alarm on the whole way to the phone. Answer it: Leave home looks for that.",
    ),
    "report": (
        "Report",
        "A week or a month as a page and a PDF: how steady, what alarmed, what to look at next.",
    ),
    "bundle": (
        "A moment in one file",
        "For an alarm that was missed or false: readings and answers, no names.",
    ),
}
"""Each job that a keeper begins: its name, and what it is for."""


class Field(NamedTuple):
    """One thing that is asked. `kind`: text, lines, day, moment, choice or tick."""

    name: str
    label: str
    kind: str = "text"
    hint: str = ""
    choices: Choices = ()
    value: str = ""
    required: bool = False


class Form(NamedTuple):
    """One form of a job; `others` are further buttons of it, each with what it begins."""

    kind: str
    title: str
    button: str
    fields: tuple[Field, ...]
    words: str = ""
    others: Choices = ()

    @property
    def kinds(self) -> set[str]:
        """What it may begin."""
        return {self.kind, *(kind for kind, _ in self.others)}


def form_of(
    kind: str, settings: Settings, tank: str, given: Mapping[str, str], species: Choices = ()
) -> tuple[Form, ...]:
    """The forms of a job; `given` are the fields that were sent in the query, as beginnings."""
    unit = "°F" if settings.display.units == "us" else "°C"
    litres = "gal" if settings.display.units == "us" else "L"
    forms = {
        "away": lambda: _away(settings, tank, unit, litres),
        "move": lambda: _move(settings, tank, unit, litres, species),
        "calibrate": lambda: _calibrate(unit),
        "try": _try,
        "report": _report,
        "bundle": _bundle,
    }[kind]()
    return tuple(
        form._replace(fields=tuple(one._replace(value=given.get(one.name, one.value)) for one in form.fields))
        for form in forms
    )


def in_the_forms_words(text: str, forms: Sequence[Form]) -> str:
    """A message of the command in the words of the form: its options by the labels of the fields."""
    labels = {field.name: field.label for form in forms for field in form.fields}
    labels |= {"buffer": "First buffer", "point": "What it gave", "undo": "Undo"}

    def label(found: re.Match[str]) -> str:
        name = labels.get(found[1])
        return f"“{name}”" if name else found[0]

    here = re.sub(r"\(`?rushlight note [^)]*\)", "(on the tank’s page)", text)
    return re.sub(r"--([a-z][a-z0-9-]*)", label, here)


def _away(settings: Settings, tank: str, unit: str, litres: str) -> tuple[Form, ...]:
    gas = settings.tanks[tank].co2 is not None
    fields = [
        Field("from", "The day you leave", "day", required=True),
        Field("to", "The day you are back", "day", required=True),
        Field(
            "room-low",
            f"Coldest the room may get, {unit}",
            hint="Left empty: of the last 14 days, where the room is measured.",
        ),
        Field("room-high", f"Warmest the room may get, {unit}"),
        Field("evaporates", f"Evaporates a day, {litres}"),
    ]
    if gas:
        fields.append(Field("co2-days", "Days that the CO2 supply still lasts"))
    fields += [
        Field("call", "Whom to call, a line each", "lines", "For the sheet: a name and a number."),
        Field("feed", "What to feed, and when", "lines"),
        Field(
            "leave-alone", "What not to touch", "lines", "Left empty: heater, timer, CO2, valves, settings."
        ),
    ]
    words = "The sheet that comes of it is what every sitter’s link shows from then on."
    return (Form("away", "May you leave?", "Look at all points", tuple(fields), words),)


def _move(settings: Settings, tank: str, unit: str, litres: str, species: Choices) -> tuple[Form, ...]:
    others = [("", "what this tank’s second probe measures, or what is typed below")]
    others += [(name, one.title or name) for name, one in settings.tanks.items() if name != tank]
    kind = Field("species", "Which animals", "choice", choices=[("", "by the limits below"), *species])
    if not species:
        kind = Field("species", "Which animals", hint="As goldfish; a name that is not known lists all.")
    fields = (
        Field("other", "They come from", "choice", choices=others),
        kind,
        Field("temperature", f"Their water, {unit}", hint="What is typed comes before what was measured."),
        Field("ph", "Its pH"),
        Field("kh", "Its KH, dKH"),
        Field("gh", "Its GH, dGH"),
        Field("tank-temperature", f"This tank, {unit}"),
        Field("tank-kh", "This tank’s KH, dKH"),
        Field("tank-gh", "This tank’s GH, dGH"),
        Field("temperature-low", f"The lowest that they can bear, {unit}"),
        Field("temperature-high", f"The highest, {unit}"),
        Field("night", f"Coldest night ahead where the tub is, {unit}"),
        Field("water", f"Water that they travel in, {litres}", value="1" if litres == "gal" else "4"),
        Field("container", f"The container holds, {litres}", value="3" if litres == "gal" else "12"),
    )
    words = (
        "A hardness may be typed as “71 ppm”, too. Follow it live: with a probe in the container it says "
        "when to pour."
    )
    live = (("follow", "Follow it live"),)
    return (Form("move", "The two waters", "Answer and plan", fields, words, live),)


def _calibrate(unit: str) -> tuple[Form, ...]:
    buffers = [("", "none"), *((one, f"{one}, {BUFFERS[one].title}") for one in sorted(BUFFERS, key=float))]
    live = (
        Field("buffer", "First buffer", "choice", choices=buffers[1:], value="7.00"),
        Field("buffer2", "Second buffer", "choice", choices=buffers, value="4.00"),
        Field("buffer3", "Third buffer", "choice", choices=buffers),
        Field("celsius", f"Their temperature, {unit}", hint="Left empty: it is asked for each."),
    )
    typed = (
        Field(
            "points",
            "What it gave, as 7.00=+3.2 4.00=172.5",
            hint="Buffer = millivolts, a space between two.",
            required=True,
        ),
        Field("celsius", f"Temperature of the buffers, {unit}", required=True),
        Field("at", "When, by the tank’s clock", "moment", "Left empty: now."),
    )
    heat = (
        Field("ice", "It is in crushed ice and water, 0.0 °C; or:", "tick"),
        Field("reference", f"What a good thermometer shows, {unit}"),
        Field(
            "value",
            f"Typed: what Rushlight shows then, {unit}",
            hint="Left empty: it waits for a steady reading.",
        ),
    )
    lamp = (
        Field("reference", "What a lux meter shows beside it, lx", required=True),
        Field(
            "value", "Typed: what Rushlight shows then, lx", hint="Left empty: it waits for a steady reading."
        ),
    )
    out = "While a probe is out of the tank its readings are kept and not judged."
    return (
        Form("calibrate ph", "pH, in buffers", "Begin", live, out),
        Form("calibrate ph", "pH, from values read off", "Keep it", typed),
        Form("calibrate temperature", "Thermometer", "Begin", heat, out),
        Form("calibrate light", "Light sensor", "Begin", lamp),
    )


def _try() -> tuple[Form, ...]:
    alarms = [(name, row.title) for name, row in RATIONALE.items()]
    quantities = [("", "none"), *((name, info.title) for name, info in QUANTITIES.items())]
    fields = (
        Field("alarm", "Which", "choice", choices=alarms, value="co2-overdose"),
        Field("quantity", "Of which probe, for a probe’s alarm", "choice", choices=quantities),
    )
    return (Form("try", "Which alarm", "Raise it as a test", fields, "It ends by itself."),)


def _report() -> tuple[Form, ...]:
    lamps = [(one, one) for one in ("led", "fluorescent", "metal-halide", "incandescent", "sun")]
    fields = (
        Field("span", "How long", "choice", choices=[("week", "a week"), ("month", "a month")], value="week"),
        Field("to", "Up to the end of", "day", "Left empty: now."),
        Field("lamp", "The lamp, for PPFD from lux", "choice", choices=lamps, value="led"),
    )
    return (Form("report", "A week or a month", "Make it", fields),)


def _bundle() -> tuple[Form, ...]:
    fields = (
        Field("around", "Around this moment, by the tank’s clock", "moment", required=True),
        Field("hours", "Hours either way", value="6"),
        Field("days", "Days before it, to learn from", value="14"),
    )
    return (Form("bundle", "Which moment", "Make the file", fields),)
