"""Probes and settings that can't be trusted: rows of the rationalisation."""

from __future__ import annotations

from rushlight.analysis.alarms.rationale.equipment import When
from rushlight.analysis.alarms.rationale.row import Rationale
from rushlight.collector.readings import (
    PH,
    PH_PROBE,
    ROOM_TEMPERATURE,
    SOURCE_PH,
    SOURCE_TEMPERATURE,
    TEMPERATURE,
)

__all__ = ["ROWS"]

ROWS: dict[str, Rationale] = {
    "probe-fault": Rationale(
        title="probe fault",
        headline="{probe} probe of {tank} can't be trusted",
        headline_plain="{probe} probe of {tank} can't be trusted",
        priority="medium",
        consequence="what this probe measures is not being watched; a real fault could go unseen",
        action=(
            "Look from outside: is the probe in the water, is its cable whole and its plug dry?",
            "Check the value by hand (thermometer, drop test) now and every few hours.",
            "Unplug the mains devices at the wall first, with dry hands, before you reach into the water for "
            "it.",
            When(
                "pH electrode: rinse it, check it in a buffer, keep its tip wet. If a pH controller goes by "
                "it, unplug that at the wall: an electrode that reads too high makes it give too much.",
                probes=(PH, PH_PROBE, SOURCE_PH),
            ),
            When(
                "Temperature probe: dry its connector and plug it in again.",
                probes=(TEMPERATURE, ROOM_TEMPERATURE, SOURCE_TEMPERATURE),
            ),
            "Don't change anything in the tank because of this value.",
        ),
        rule_out="compare with a second instrument or a drop test: if both agree, the probe is right",
        on_delay_s=60,
        off_delay_s=600,
        family="probes",
        cautions=("electrical",),
    ),
    "setting-doubtful": Rationale(
        title="setting doubtful",
        headline="{setting} of {tank} doesn't fit the readings ({value})",
        headline_plain="{setting} of {tank} doesn't fit the readings",
        priority="low",
        consequence="what is judged by this setting is judged wrongly: alarms may come too early, too "
        "late or under another name",
        action=(
            When(
                "Look up the setting in rushlight.toml and compare it with the tank: the timer's hours, a "
                "drop test of KH and pH, the heater's dial and a second thermometer.",
                heater=True,
            ),
            When(
                "Look up the setting in rushlight.toml and compare it with the tank: the timer's hours, a "
                "drop test of KH and pH, and a second thermometer.",
                heater=False,
            ),
            "If the setting is wrong, correct it and run `rushlight reload`; nothing else needs doing.",
            "If it is right, the timer, thermostat or probe is off: unplug the device at the wall first, "
            "with dry hands, before you handle it, or rinse and recalibrate the probe.",
            "Don't change water, gas or heat because of this message alone.",
        ),
        rule_out="compare the setting with a measurement of its own: a clock beside the timer, a drop "
        "test, a second thermometer on the outside of the glass",
        on_delay_s=0,
        off_delay_s=1800,
        family="probes",
        cautions=("electrical",),
    ),
}
