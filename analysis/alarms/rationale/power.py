"""Silence, power cuts and stray current: rows of the rationalisation."""

from __future__ import annotations

from rushlight.analysis.alarms.rationale.equipment import When
from rushlight.analysis.alarms.rationale.row import Rationale

__all__ = ["ROWS"]

ROWS: dict[str, Rationale] = {
    "device-silent": Rationale(
        title="device silent",
        headline="no report from {tank} for {value}",
        headline_plain="no report from {tank}",
        priority="high",
        consequence="nothing in this tank is being watched until the device reports again",
        action=(
            "Look at the tank: do the filter and all else run? Are fish gasping at the surface or lying "
            "on their side?",
            When(
                "If everything is off it is a power cut: get air into the water. Before a hand goes in: "
                "unplug at the wall first, with dry hands.",
                gas="",
            ),
            When(
                "If everything is off it is a power cut: close the CO2 cylinder's valve and get air in. "
                "Before a hand goes in: unplug at the wall first, with dry hands.",
                gas="cylinder",
            ),
            When(
                "If everything is off it is a power cut: take the reactor's hose out of the water and get "
                "air in. Before a hand goes in: unplug at the wall first, with dry hands.",
                gas="reactor",
            ),
            "If the tank is well: look at the device's USB supply and cable, then at the wireless "
            "network or broker.",
            "Restart the device by unplugging its supply at the wall, with dry hands.",
            "Check the temperature by hand until it reports again; don't go by the last values, they are "
            "old.",
        ),
        rule_out="look at the device's own light and whether other tanks report: if they are silent too, "
        "it is the network, the broker or the mains",
        on_delay_s=0,
        off_delay_s=600,
        family="power",
        wakes_from="low",
        cautions=("electrical", "gas", "animals"),
    ),
    "power-interrupted": Rationale(
        title="power interrupted",
        headline="power lost at {tank}, water {value}",
        headline_plain="power lost at {tank}",
        priority="high",
        consequence="without a running filter oxygen falls within hours, the filter's bacteria die off "
        "and the water drifts to room temperature",
        action=(
            "Get air into the water: a battery air pump, or scoop and pour with a clean jug every few "
            "minutes. Before a hand goes in: unplug all devices at the wall first, with dry hands.",
            "See whether the room has power. If a residual-current device has tripped, unplug all tank "
            "devices at the wall, with dry hands, before you switch it back on, then plug in one at a time; "
            "leave out what trips it.",
            When("Close the CO2 cylinder's valve.", gas="cylinder"),
            When("Take the reactor's hose out of the water; never clamp it.", gas="reactor"),
            "Against cold: lid on with a gap for air, and blankets round the sides. Don't feed.",
            "When the power is back: a closed filter that was off for hours holds foul water. Unplug it at "
            "the wall, rinse its media in tank water, then restart it.",
            When("Plug the heater in only when it is fully under water.", heater=True),
        ),
        rule_out="see whether the room's lights and the tank's other devices have power: if they have, "
        "one device alone has failed",
        on_delay_s=0,
        off_delay_s=900,
        family="power",
        wakes_from="low",
        cautions=("electrical", "gas", "animals"),
    ),
    "stray-current-suspected": Rationale(
        title="stray current suspected",
        headline="stray current? keep hands out of the water of {tank}",
        headline_plain="stray current? keep hands out of the water of {tank}",
        priority="critical",
        least_priority="critical",
        consequence="a person who touches the water could get an electric shock that kills; animals "
        "suffer too",
        action=(
            "Keep your hands out of the water, off the tank's metal parts and off its cables. Keep "
            "others and children away.",
            "With dry hands, standing on a dry floor, switch the tank's circuit off at the breaker, or "
            "unplug everything at the wall if the plugs are dry and within reach without touching the "
            "tank.",
            "Only then look for a cracked heater, a damaged cable or a damp plug. Replace it, don't mend it.",
            "Leave the suspect out, and have a licensed electrician check socket, earth and "
            "residual-current device before the tank is plugged in again.",
            "While the power is off use a battery air pump.",
            "Anyone who felt a shock should see a doctor; in an emergency call an ambulance.",
        ),
        rule_out="keep hands out; with the tank's circuit off at the breaker, see whether the readings "
        "still jump (whoever built the board can run it from a battery): if they do, it is the board and "
        "not the mains",
        on_delay_s=0,
        off_delay_s=1800,
        family="power",
        wakes_from="low",
        cautions=("person-first", "electrical", "animals"),
    ),
}
