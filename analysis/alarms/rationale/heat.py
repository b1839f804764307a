"""Water too warm or too cold, heater and cooler: rows of the rationalisation."""

from __future__ import annotations

from rushlight.analysis.alarms.rationale.equipment import When
from rushlight.analysis.alarms.rationale.row import Rationale

__all__ = ["ROWS"]

ROWS: dict[str, Rationale] = {
    "heater-stuck-on": Rationale(
        title="heater stuck on",
        headline="heater stuck on in {tank}, {value}{trend}",
        headline_plain="heater stuck on in {tank}{trend}",
        trend=" and rising",
        priority="high",
        consequence="the water goes on warming past what the animals can bear, and warm water holds less "
        "oxygen",
        action=(
            "Unplug the heater at the wall now, with dry hands; don't reach into the water before that.",
            "Leave it in the water for half an hour: hot glass cracks in air.",
            "Open the lid and make the surface ripple; point a fan across it.",
            "Let the water cool by about 1 °C an hour; no ice and no bucket of cold water.",
            "Don't feed until the temperature is right.",
            "Don't plug this heater in again: its thermostat is broken. Replace it.",
        ),
        rule_out="compare with a second thermometer, and look from outside whether the heater's pilot "
        "lamp goes out now and then: a heater that switches itself off is not stuck",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        wakes_from="low",
        cautions=("electrical", "animals"),
    ),
    "heater-not-heating": Rationale(
        title="heater not heating",
        headline="heater not heating in {tank}, {value}{trend}",
        headline_plain="heater not heating in {tank}{trend}",
        trend=" and falling",
        priority="high",
        consequence="the water cools to room temperature; animals that need it warmer weaken, stop "
        "eating and fall ill",
        action=(
            "See from outside whether the heater has power: plug, switched socket, residual-current "
            "device. If that device has tripped, don't switch it back with the heater plugged in.",
            "Unplug the heater at the wall first, with dry hands, before you touch it. If the glass is "
            "cracked or there is water inside, leave it unplugged and replace it.",
            "Keep the warmth in: lid on, leaving a gap for air; blankets round the sides, but never on "
            "lamps, plugs or pumps.",
            "If you have a spare heater: leave it in the water for half an hour, then plug it in; warm "
            "by about 1 °C an hour.",
            "If not: float a closed bottle of warm water and change it often. Don't pour hot water in.",
        ),
        rule_out="compare with a second thermometer, and look from outside whether the heater's pilot "
        "lamp is lit; don't reach in to feel whether it is warm",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        wakes_from="low",
        cautions=("electrical", "animals"),
    ),
    "cooling-not-cooling": Rationale(
        title="cooler not cooling",
        headline="cooler not cooling in {tank}, {value}{trend}",
        headline_plain="cooler not cooling in {tank}{trend}",
        trend=" and rising",
        priority="high",
        consequence="the water warms past what the animals can bear, and warm water holds less oxygen",
        action=(
            When(
                "Open the lid and make the surface ripple; switch the lamp off at its timer. Before a hand "
                "goes in: unplug at the wall first, with dry hands.",
                light=True,
            ),
            When(
                "Open the lid and make the surface ripple. Before a hand goes in: unplug at the wall first, "
                "with dry hands.",
                light=False,
            ),
            "Look whether the fan turns, or the chiller runs and has water flowing through it.",
            "Unplug it at the wall first, then clear the blades, the dust filter or the hose.",
            "Shade the tank and cool the room.",
            "If it is very warm: float one closed bottle of cold water at a time, about 1 °C an hour. No "
            "loose ice.",
            "Don't feed; top up what has evaporated with matched water.",
        ),
        rule_out="listen whether it runs and feel its air with a dry hand, away from the blades; compare "
        "with a second thermometer and look at the room's temperature",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        wakes_from="low",
        cautions=("electrical", "animals"),
    ),
    "temperature-high": Rationale(
        title="water too warm",
        headline="water {value} in {tank}, too warm{trend}",
        headline_plain="water too warm in {tank}{trend}",
        trend=" soon",
        priority="high",
        consequence="animals need more oxygen while warm water holds less; they gasp and can die",
        action=(
            "Open the lid, make the surface ripple and start an air pump if you have one. Before a hand goes "
            "in: unplug at the wall first, with dry hands.",
            When("Unplug the heater at the wall and switch the lamp off.", heater=True, light=True),
            When("Unplug the heater at the wall.", heater=True, light=False),
            When("Switch the lamp off.", heater=False, light=True),
            "Check with a second thermometer.",
            "Shade the tank, cool the room, point a fan across the surface.",
            "Cool by about 1 °C an hour: float one closed bottle of cold water. No loose ice, no large "
            "cold water change.",
            When("Don't feed.", gas=""),
            When("Don't feed, and close the CO2 cylinder's valve until it is cooler.", gas="cylinder"),
            When(
                "Don't feed, and take the reactor's hose out of the water until it is cooler.", gas="reactor"
            ),
        ),
        rule_out="compare with a second thermometer, hung in by its cord or stuck on the outside of the "
        "glass, so that no hand goes into the water",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        wakes_from="low",
        cautions=("electrical", "gas", "animals"),
    ),
    "temperature-low": Rationale(
        title="water too cold",
        headline="water {value} in {tank}, too cold{trend}",
        headline_plain="water too cold in {tank}{trend}",
        trend=" soon",
        priority="high",
        consequence="animals weaken, stop eating and fall ill over hours to days",
        action=(
            When(
                "Check with a second thermometer, then close windows and put the lid on, leaving a gap for "
                "air.",
                heater=True,
            ),
            When(
                "Check with a second thermometer. Before a hand goes in: unplug at the wall first, with dry "
                "hands.",
                heater=False,
            ),
            When(
                "See from outside whether the heater has power and is set right; unplug it at the wall "
                "first, with dry hands, before you touch it.",
                heater=True,
            ),
            When(
                "Shelter it from wind and draught and cover most of it, leaving a gap for air.",
                heater=False,
            ),
            "Blankets round the sides keep the warmth in; keep them off lamps, plugs and pumps.",
            "Warm by about 1 °C an hour; don't pour hot water in.",
            "Feed little or nothing until it is warm again.",
        ),
        rule_out="compare with a second thermometer, hung in by its cord or stuck on the outside of the "
        "glass, so that no hand goes into the water",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        wakes_from="low",
        cautions=("electrical", "animals"),
    ),
}
