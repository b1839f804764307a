"""The lamp: rows of the rationalisation."""

from __future__ import annotations

from rushlight.analysis.alarms.rationale.equipment import When
from rushlight.analysis.alarms.rationale.row import Rationale

__all__ = ["ROWS"]

ROWS: dict[str, Rationale] = {
    "light-schedule-drift": Rationale(
        title="lamp on at wrong times",
        headline="lamp of {tank} is on at the wrong times ({value})",
        headline_plain="lamp of {tank} is on at the wrong times",
        signed=True,
        priority="low",
        consequence="lamp, feeding and CO2 drift apart: gas may run in the dark, and algae gain",
        consequence_gasless="plants and animals get their light at other hours each week, and algae gain",
        action=(
            "Compare the timer's clock with yours and set it right.",
            "It may only be the change to or from summer time.",
            "If it slips again within days: replace the timer, don't open it. Unplug it at the wall first, "
            "with dry hands.",
            When("Check that the CO2 still stops before the lamp does.", gas="cylinder"),
        ),
        rule_out="compare the timer's clock with yours, and ask whether somebody has set new times",
        on_delay_s=0,
        off_delay_s=1800,
        family="light",
        cautions=("electrical", "gas"),
    ),
    "light-missing": Rationale(
        title="lamp not on",
        headline="lamp of {tank} should be on and isn't ({value})",
        headline_plain="lamp of {tank} should be on and isn't",
        priority="medium",
        consequence="plants take up no CO2, so gas that goes on running builds up; after days the plants "
        "suffer",
        consequence_gasless="the plants get no light and suffer after some days",
        action=(
            When("Close the CO2 cylinder's valve until the lamp is back.", gas="cylinder"),
            When(
                "Lift the reactor's hose out of the water until the lamp is back; never clamp it. Before a "
                "hand goes in: unplug at the wall first, with dry hands.",
                gas="reactor",
            ),
            "Look whether timer and socket have power. If the residual-current device has tripped, leave "
            "the lamp unplugged.",
            "Unplug the lamp at the wall first, with dry hands, before you touch it; look for damp, a loose "
            "plug, a dead driver.",
            "Don't open the lamp or its driver, and don't hang a makeshift lamp over the water.",
        ),
        rule_out="look at the lamp: if it is lit, the light sensor is covered, has slipped, or its cable "
        "is off",
        on_delay_s=60,
        off_delay_s=900,
        family="light",
        cautions=("electrical", "gas"),
    ),
    "light-stuck-on": Rationale(
        title="lamp stuck on",
        headline="lamp of {tank} should be off and isn't ({value})",
        headline_plain="lamp of {tank} should be off and isn't",
        priority="low",
        consequence="animals get no night, algae grow, and a lamp without pauses warms the water",
        action=(
            "Look at the timer: usually it was switched to stay on.",
            "Switch the lamp off by hand for tonight.",
            "If a relay sticks: unplug the timer at the wall first, with dry hands, and replace it; don't "
            "open it.",
            "Keep to the normal hours the next day.",
        ),
        rule_out="look at the lamp: if it is off, the sun or another lamp shines on the sensor",
        on_delay_s=60,
        off_delay_s=900,
        family="light",
        cautions=("electrical",),
    ),
    "light-dimming": Rationale(
        title="lamp dimming",
        headline="lamp of {tank} is losing light ({value})",
        headline_plain="lamp of {tank} is losing light",
        priority="low",
        consequence="plants get less light each week, use less CO2 and grow poorly",
        consequence_gasless="plants get less light each week and grow poorly",
        action=(
            "Unplug the lamp at the wall first, with dry hands; then wipe the sensor and the lamp's cover: "
            "lime and algae dim both.",
            "See whether plants have grown over the sensor.",
            "If the light still falls: plan for a new tube or lamp.",
            When("With a new lamp begin with fewer hours, not with the old ones at once.", gas=""),
            When(
                "With a new lamp begin with fewer hours, and set the CO2 by the fish, not by the lamp.",
                gas="cylinder",
            ),
            When(
                "With a new lamp begin with fewer hours; the reactor's gas must suit the fish, not the lamp.",
                gas="reactor",
            ),
        ),
        rule_out="wipe the sensor and the lamp's cover, with the lamp unplugged at the wall first, and "
        "compare the next day",
        on_delay_s=0,
        off_delay_s=1800,
        family="light",
        cautions=("electrical", "gas", "animals"),
    ),
}
