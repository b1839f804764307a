"""Carbon dioxide and pH: rows of the rationalisation."""

from __future__ import annotations

from rushlight.analysis.alarms.rationale.equipment import When
from rushlight.analysis.alarms.rationale.row import Rationale

__all__ = ["ROWS"]

ROWS: dict[str, Rationale] = {
    "co2-overdose": Rationale(
        title="CO2 overdose",
        headline="CO2 {value} in {tank}{trend}",
        headline_plain="too much CO2 in {tank}{trend}",
        trend=" and rising",
        priority="high",
        consequence="fish and shrimps gasp, lose balance and can die within hours; in the dark the gas "
        "rises fastest, because plants take up none of it",
        action=(
            When(
                "Close the valve on the CO2 cylinder. Then start an air pump, kept above the water line. "
                "Before a hand goes in: unplug at the wall first, with dry hands.",
                gas="cylinder",
                alone=True,
            ),
            When(
                "Start an air pump, kept above the water line. Then lift the reactor's hose out of the "
                "water; never pinch it. Before a hand goes in: unplug at the wall first, with dry hands.",
                gas="reactor",
                alone=True,
            ),
            When(
                "Get air into the water now: start an air pump, kept above the water line. Before a hand "
                "goes in: unplug at the wall first, with dry hands.",
                gas="either",
            ),
            When(
                "Don't trust the solenoid or the timer: it must be the valve on the cylinder itself.",
                gas="cylinder",
                alone=True,
            ),
            When(
                "Cylinder: close the valve on the cylinder itself; don't trust the solenoid or the timer.",
                gas="either",
            ),
            When(
                "It can't be turned off. Fix the open end of its hose above the water line, where nothing "
                "siphons back. Never pinch or plug the hose: the bottle can burst.",
                gas="reactor",
            ),
            "No pump: unplug the filter at the wall, turn its outlet up until it will splash, take your "
            "hand out, dry it, and plug it in again; the tank needs its filter. Or scoop and pour with a "
            "clean jug.",
            "Open the lid a hand's breadth so the gas can leave. CO2 gathers low in small rooms and can't be "
            "smelt: air the room, and go out if you feel dizzy.",
            "Changing part of the water helps only if the new water has the same temperature and "
            "hardness; water that isn't matched harms. Don't raise the pH with chemicals, and don't feed.",
            "Stay until no animal gasps or drifts. Leave the gas off until you know what went wrong.",
        ),
        rule_out="get air in first, then do a drop test of pH and KH. If the pH is as usual, the "
        "electrode is wrong. If KH has fallen, the gas may not have risen. A sample left open for a day "
        "shows the pH without the gas",
        on_delay_s=0,
        off_delay_s=900,
        family="carbon dioxide",
        wakes_from="low",
        cautions=("electrical", "gas", "animals"),
    ),
    "co2-absent": Rationale(
        title="CO2 missing",
        headline="no CO2 reaching {tank} ({value})",
        headline_plain="no CO2 reaching {tank}",
        priority="low",
        consequence="plants stop growing and algae take their place over days; animals are not harmed",
        action=(
            "Look at the bubble counter: no bubbles means no gas is coming.",
            When(
                "Read the gauge. If it is empty, have it refilled. If it isn't, see whether the solenoid "
                "and its timer have power.",
                gas="cylinder",
            ),
            When(
                "Then unplug the solenoid at the wall first, with dry hands, and brush the gas fittings with "
                "soapy water to find a leak. CO2 gathers low in small rooms and can't be smelt: air the "
                "room, and go out if you feel dizzy. Soap harms animals: none of it in the tank.",
                gas="cylinder",
            ),
            When(
                "See whether it is spent or its cap leaks; set up a fresh charge. Before a hand goes into "
                "the tank: unplug at the wall first, with dry hands.",
                gas="reactor",
            ),
            "Bring the gas back slowly over several days and watch the fish for the first hours.",
            When(
                "Don't make up for the missed gas with a higher rate, and don't open the needle valve wide.",
                gas="cylinder",
            ),
            When("Don't make up for the missed gas with a stronger charge.", gas="reactor"),
        ),
        rule_out="look at the bubble counter; if the bubbles come as usual, do a drop test of pH and KH "
        "before you believe the electrode",
        on_delay_s=60,
        off_delay_s=1200,
        family="carbon dioxide",
        cautions=("electrical", "gas", "animals"),
    ),
    "ph-out-of-range": Rationale(
        title="pH out of range",
        headline="pH {value} in {tank}, out of range",
        headline_plain="pH out of range in {tank}",
        priority="medium",
        consequence="animals are stressed. In acid water the filter's bacteria slow down; in alkaline "
        "water more of the ammonia is poisonous",
        action=(
            "Test pH and KH with a drop test before you change anything.",
            "If the test disagrees with the probe, rinse and recalibrate the probe and leave the tank alone. "
            "Before a hand goes in for it: unplug at the wall first, with dry hands.",
            "If KH is close to zero: change about a tenth of the water for harder water of the same "
            "temperature, wait some hours, test again.",
            "If the pH is high: test ammonia, stop feeding, and find what hardens the water (stones, "
            "top-up with tap water).",
            "Don't pour in pH-up or pH-down and don't change much water at once: a jump harms more than "
            "a steady wrong value.",
        ),
        rule_out="measure pH and KH with drop tests, or put the electrode into a fresh buffer (mains "
        "devices unplugged at the wall before a hand goes in): if it is wrong there too, it is the "
        "electrode",
        on_delay_s=0,
        off_delay_s=1200,
        family="carbon dioxide",
        wakes_from="high",
        cautions=("electrical", "animals"),
    ),
}
