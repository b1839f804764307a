"""The alarm rationalisation (ISA-18.2 / IEC 62682): one table, read by detectors, alarms, notices and status.

Every alarm of the contract has one row: what happens if nobody acts, what to do in short steps, what not to
touch, how urgent it is by default, and its delays. Delays are common practice, no source: detectors wait out
single readings and have deadbands of their own, so on-delays are short, and off-delays long enough that an
alarm can't chatter.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from rushlight.collector.events import Priority

__all__ = ["RATIONALE", "CautionName", "Family", "Rationale", "rationale_for"]

Family = Literal["carbon dioxide", "heat", "light", "probes", "power"]
CautionName = Literal["person-first", "electrical", "gas", "animals"]


class Rationale(msgspec.Struct, frozen=True, kw_only=True):
    """One row of the rationalisation.

    Attributes
    ----------
    title : str
        The alarm in a few words.
    headline, headline_plain : str
        First line of a notice, with and without a number; `{value}`, `{tank}`, `{probe}`, `{trend}`,
        `{setting}`.
    trend : str
        Put in for `{trend}` while harm is still ahead.
    signed : bool
        The value has a direction (early or late), so its sign is shown.
    priority, least_priority : Priority
        Where no better estimate is at hand, and the floor under any estimate.
    consequence : str
        What follows if nobody acts.
    action : tuple of str
        Steps in order; the first fits a phone's lock screen.
    rule_out : str
        What would rule it out: a clause of what to look at, and what it would mean; no full stop.
    on_delay_s, off_delay_s : int
        Seconds a condition must stand before it is raised, and be gone before it is cleared.
    family : Family
    harmful : bool
        True where animals (or a person) come to harm; False where plants suffer or sight is lost.
    wakes_from : Priority or None
        From this priority on it can bring death, or hide what does, within a night: it wakes a person in the
        quiet hours unless the time left says that the morning is soon enough. None: it waits for the morning.
    cautions : tuple of str
        Names of the texts in `rushlight.analysis.alarms.cautions`, in the order in which they are shown.
    """

    title: str
    headline: str
    headline_plain: str
    priority: Priority
    consequence: str
    action: tuple[str, ...]
    on_delay_s: int
    off_delay_s: int
    family: Family
    harmful: bool
    cautions: tuple[CautionName, ...]
    trend: str = ""
    signed: bool = False
    least_priority: Priority = "low"
    rule_out: str = ""
    wakes_from: Priority | None = None

    def steps(self) -> str:
        """The action as numbered lines."""
        return "\n".join(f"{number}. {step}" for number, step in enumerate(self.action, 1))


def rationale_for(alarm: str) -> Rationale:
    """The row of one alarm; KeyError that lists the known names otherwise."""
    try:
        return RATIONALE[alarm]
    except KeyError:
        raise KeyError(f"{alarm!r} is no alarm; known are {', '.join(RATIONALE)}") from None


RATIONALE: dict[str, Rationale] = {
    "co2-overdose": Rationale(
        title="CO2 overdose",
        headline="CO2 {value} in {tank}{trend}",
        headline_plain="too much CO2 in {tank}{trend}",
        trend=" and rising",
        priority="high",
        consequence="fish and shrimps gasp, lose balance and can die within hours; in the dark plants take "
        "up none of the gas, so it goes on rising",
        action=(
            "Get air into the water now: start an air pump that stands above the water line. Unplug at the "
            "wall before a hand goes in, as to point the filter's outlet at the surface.",
            "Open the lid a hand's breadth so the gas can leave.",
            "Cylinder: close the valve on the cylinder itself; don't trust the solenoid or the timer.",
            "Yeast or citric-acid reactor: it can't be turned off, so take its hose out of the tank and fix "
            "the open end above the water line, where nothing siphons back. Never pinch or plug the hose: "
            "the bottle can burst.",
            "Air the room if a cylinder has been leaking.",
            "Don't change a large part of the water with water that isn't matched, don't raise the pH with "
            "chemicals, and don't feed.",
            "Stay until the animals breathe quietly; leave the gas off until you know why it ran over.",
        ),
        rule_out="air first; then take a reading with a drop test, pH and KH: with pH as usual the "
        "electrode is off, with KH fallen the gas need not have risen; a sample left standing open for a "
        "day shows the pH without the gas",
        on_delay_s=0,
        off_delay_s=900,
        family="carbon dioxide",
        harmful=True,
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
            "Cylinder: read the pressure gauge; empty, have it refilled. Full, check that the "
            "solenoid's plug and timer have power and, with the solenoid unplugged, brush the gas fittings "
            "with soapy water to find a leak; soap harms animals, so none of it into the tank.",
            "Reactor: see whether it is spent or its cap leaks; set up a fresh charge.",
            "Bring the gas back slowly over several days and watch the fish for the first hours.",
            "Don't make up for the missed gas with a higher rate, and don't open the needle valve wide.",
        ),
        rule_out="look at the bubble counter; where the bubbles come as usual, take a reading of pH and "
        "KH with a drop test before you believe the electrode",
        on_delay_s=60,
        off_delay_s=1200,
        family="carbon dioxide",
        harmful=False,
        cautions=("electrical", "gas", "animals"),
    ),
    "ph-out-of-range": Rationale(
        title="pH out of range",
        headline="pH {value} in {tank}, out of range",
        headline_plain="pH out of range in {tank}",
        priority="medium",
        consequence="animals are stressed; in acid water the filter's bacteria slow down, in alkaline water "
        "more of the ammonia is in its poisonous form",
        action=(
            "Test pH and KH with a drop test before you change anything.",
            "If the test disagrees with the probe, rinse and recalibrate the probe and leave the tank alone.",
            "KH close to zero: change about a tenth of the water with harder water of the same temperature, "
            "wait some hours, test again.",
            "pH high: test ammonia, stop feeding, and find what hardens the water (stones, top-up with tap "
            "water).",
            "Don't pour in pH-up or pH-down and don't change much water at once: a jump harms more than a "
            "steady wrong value.",
        ),
        rule_out="measure pH and KH with drop tests, or put the electrode into a fresh buffer (mains "
        "devices unplugged at the wall before a hand goes in): where the reading is off there "
        "too, it is the electrode",
        on_delay_s=0,
        off_delay_s=1200,
        family="carbon dioxide",
        harmful=True,
        wakes_from="high",
        cautions=("electrical", "animals"),
    ),
    "heater-stuck-on": Rationale(
        title="heater stuck on",
        headline="heater stuck on in {tank}, {value}{trend}",
        headline_plain="heater stuck on in {tank}{trend}",
        trend=" and rising",
        priority="high",
        consequence="the water goes on warming past what the animals stand, and warm water holds less oxygen",
        action=(
            "Unplug the heater at the wall now; don't reach into the water before that.",
            "Leave it hanging in the water for half an hour: hot glass cracks in air.",
            "Open the lid and make the surface ripple; point a fan across it.",
            "Let the water cool by about 1 °C an hour; no ice and no bucket of cold water.",
            "Don't feed until the temperature is right.",
            "Don't plug this heater in again: its thermostat is done, replace it.",
        ),
        rule_out="compare with a second thermometer, and look from outside whether the heater's pilot "
        "lamp goes out now and then: a heater that switches itself off is not stuck",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        harmful=True,
        wakes_from="low",
        cautions=("electrical", "animals"),
    ),
    "heater-not-heating": Rationale(
        title="heater not heating",
        headline="heater not heating in {tank}, {value}{trend}",
        headline_plain="heater not heating in {tank}{trend}",
        trend=" and falling",
        priority="high",
        consequence="the water cools to room temperature; warm-water fish weaken, stop eating and fall ill",
        action=(
            "See from outside whether the heater has power: plug, switched socket, residual-current device. "
            "If that device has tripped, don't switch it back with the heater plugged in.",
            "Before you touch the heater unplug it at the wall; cracked glass or water inside: leave it "
            "unplugged and replace it.",
            "Keep the warmth in: lid on, blankets round the sides, but never on lamps, plugs or pumps.",
            "Spare heater: leave it in the water for half an hour, then plug it in; warm by about 1 °C "
            "an hour.",
            "No spare: float a closed bottle of warm water and change it often. Don't pour hot water in.",
        ),
        rule_out="compare with a second thermometer, and look from outside whether the heater's pilot "
        "lamp is lit; don't reach in to feel whether it is warm",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        harmful=True,
        wakes_from="low",
        cautions=("electrical", "animals"),
    ),
    "cooling-not-cooling": Rationale(
        title="cooler not cooling",
        headline="cooler not cooling in {tank}, {value}{trend}",
        headline_plain="cooler not cooling in {tank}{trend}",
        trend=" and rising",
        priority="high",
        consequence="the water warms past what the animals stand, and warm water holds less oxygen",
        action=(
            "Open the lid and make the surface ripple; switch the lamp off at its timer.",
            "Look whether the fan turns or the chiller runs and has water flowing through it.",
            "Unplug it at the wall before you touch it; clear the blades, the dust filter or the hose.",
            "Shade the tank and cool the room.",
            "Very warm: float one closed bottle of cold water at a time, about 1 °C an hour. No loose ice.",
            "Don't feed; top up what has evaporated with matched water.",
        ),
        rule_out="listen whether it runs and feel its air with a dry hand, away from the blades; compare"
        " with a second thermometer and look at the room's temperature",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        harmful=True,
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
            "Open the lid, make the surface ripple and start an air pump if you have one.",
            "Unplug the heater at the wall and switch the lamp off.",
            "Check with a second thermometer.",
            "Shade the tank, cool the room, point a fan across the surface.",
            "Cool by about 1 °C an hour: one floating closed bottle of cold water, no loose ice, no large "
            "cold water change.",
            "Don't feed, and stop the CO2 until it is cooler.",
        ),
        rule_out="compare with a second thermometer, hung in by its cord or stuck outside on the glass, "
        "so that no hand goes into the water",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        harmful=True,
        wakes_from="low",
        cautions=("electrical", "gas", "animals"),
    ),
    "temperature-low": Rationale(
        title="water too cold",
        headline="water {value} in {tank}, too cold{trend}",
        headline_plain="water too cold in {tank}{trend}",
        trend=" soon",
        priority="high",
        consequence="warm-water fish weaken, stop eating and fall ill over hours to days",
        action=(
            "Check with a second thermometer, then close windows and put the lid on.",
            "See from outside whether the heater has power and is set right; unplug it at the wall before "
            "you touch it.",
            "Blankets round the sides keep the warmth in; keep them off lamps, plugs and pumps.",
            "Warm by about 1 °C an hour; don't pour hot water in.",
            "Feed little or nothing until it is warm again.",
        ),
        rule_out="compare with a second thermometer, hung in by its cord or stuck outside on the glass, "
        "so that no hand goes into the water",
        on_delay_s=60,
        off_delay_s=900,
        family="heat",
        harmful=True,
        wakes_from="low",
        cautions=("electrical", "animals"),
    ),
    "light-schedule-drift": Rationale(
        title="lamp off schedule",
        headline="lamp of {tank} switches off schedule ({value})",
        headline_plain="lamp of {tank} switches at the wrong time",
        signed=True,
        priority="low",
        consequence="day and night slide away from feeding and CO2 times: gas may run in the dark, and algae "
        "gain",
        action=(
            "Compare the timer's clock with yours and set it right.",
            "A change to or from summer time may be all it is.",
            "Slips again within days: replace the timer, don't open it. Unplug it at the wall before you "
            "handle it.",
            "Check that the CO2 still stops before the lamp does.",
        ),
        rule_out="compare the timer's clock with yours, and ask whether somebody has set the lamp's "
        "times anew",
        on_delay_s=0,
        off_delay_s=1800,
        family="light",
        harmful=False,
        cautions=("electrical",),
    ),
    "light-missing": Rationale(
        title="lamp missing",
        headline="lamp of {tank} should be on and isn't ({value})",
        headline_plain="lamp of {tank} should be on and isn't",
        priority="medium",
        consequence="plants take up no CO2, so gas that goes on running builds up; after days they decline",
        action=(
            "Close the CO2 until the lamp is back.",
            "Look whether timer and socket have power. If the residual-current device has tripped, leave the "
            "lamp unplugged.",
            "Unplug the lamp at the wall before you touch it; look for damp, a loose plug, a dead driver.",
            "Don't open the lamp or its driver, and don't hang a makeshift lamp over the water.",
        ),
        rule_out="look at the lamp: where it is lit, the light sensor is covered, has slipped, or its "
        "cable is off",
        on_delay_s=60,
        off_delay_s=900,
        family="light",
        harmful=False,
        cautions=("electrical", "gas"),
    ),
    "light-stuck-on": Rationale(
        title="lamp stuck on",
        headline="lamp of {tank} should be off and isn't ({value})",
        headline_plain="lamp of {tank} should be off and isn't",
        priority="low",
        consequence="animals get no night, algae grow, and a lamp without pauses warms the water",
        action=(
            "Look at the timer: an override left on is the usual reason.",
            "Switch the lamp off by hand for tonight.",
            "A relay that sticks: unplug the timer at the wall with dry hands and replace it; don't open it.",
            "Next day keep to the normal hours; don't make up for anything.",
        ),
        rule_out="look at the lamp: where it is out, the sun or another lamp shines on the sensor",
        on_delay_s=60,
        off_delay_s=900,
        family="light",
        harmful=False,
        cautions=("electrical",),
    ),
    "light-dimming": Rationale(
        title="lamp dimming",
        headline="lamp of {tank} is losing light ({value})",
        headline_plain="lamp of {tank} is losing light",
        priority="low",
        consequence="plants get less light each week, use less CO2 and grow poorly",
        action=(
            "Wipe the sensor and the lamp's cover with the lamp unplugged at the wall: lime and algae dim "
            "both.",
            "See whether plants have grown over the sensor.",
            "Still falling: plan for a new tube or lamp.",
            "With a new lamp begin with fewer hours, and set the CO2 by the fish, not by the lamp.",
        ),
        rule_out="wipe the sensor and the lamp's cover, the lamp unplugged at the wall first, and "
        "compare the next day",
        on_delay_s=0,
        off_delay_s=1800,
        family="light",
        harmful=False,
        cautions=("electrical", "animals"),
    ),
    "probe-fault": Rationale(
        title="probe fault",
        headline="{probe} probe of {tank} can't be trusted",
        headline_plain="{probe} probe of {tank} can't be trusted",
        priority="medium",
        consequence="what this probe watches is not being watched; a real fault could go unseen",
        action=(
            "Look from outside: is the probe in the water, is its cable whole and its plug dry?",
            "Check the value by hand (thermometer, drop test) and again every few hours.",
            "Unplug the mains devices at the wall before you reach into the water for it.",
            "pH electrode: rinse it, check it in a buffer, keep its tip wet; temperature probe: dry "
            "and reseat its connector.",
            "Don't change heater, CO2 or water because of this value.",
        ),
        rule_out="compare with a second instrument or a drop test: where both agree, the probe is right",
        on_delay_s=60,
        off_delay_s=600,
        family="probes",
        harmful=False,
        cautions=("electrical",),
    ),
    "device-silent": Rationale(
        title="device silent",
        headline="no report from {tank} for {value}",
        headline_plain="no report from {tank}",
        priority="high",
        consequence="nothing in this tank is being watched until the device reports again",
        action=(
            "Look at the tank: are filter, lamp and heater running, and do the animals breathe quietly?",
            "Everything off: it is a power cut; close the CO2 and get air into the water.",
            "Tank well: look at the device's USB supply and cable, then at the wireless network or broker.",
            "Restart the device by unplugging its supply at the wall, with dry hands.",
            "Check temperature by hand until it reports again; don't go by the last values, they are old.",
        ),
        rule_out="look at the device's own light and whether other tanks report: where they are silent "
        "too, it is the network, the broker or the mains",
        on_delay_s=0,
        off_delay_s=600,
        family="power",
        harmful=False,
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
            "Get air into the water: a battery air pump, or, with all devices unplugged, scoop and pour with "
            "a clean jug every few minutes.",
            "See whether the room has power. If a residual-current device has tripped, unplug all tank "
            "devices with dry hands before you switch it back on, then plug in one at a time; what trips it "
            "stays out.",
            "Close the CO2 cylinder's valve; take a reactor's hose out, its open end above the water line.",
            "Lid on and blankets round the sides against cold, with a gap for air. Don't feed.",
            "Power back: a closed filter that stood for hours holds foul water; unplug it, rinse its "
            "media in tank water, then restart it. Heater only when it is fully under water.",
        ),
        rule_out="see whether the room's lights and the tank's other devices have power: where they "
        "have, lamp or heater has failed alone",
        on_delay_s=0,
        off_delay_s=900,
        family="power",
        harmful=True,
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
            "With dry hands, standing dry, switch the tank's circuit off at the breaker, or unplug "
            "everything at the wall if the plugs are dry and within reach without touching the tank.",
            "Only then look for a cracked heater, a damaged cable or a damp plug. Replace it, don't mend it.",
            "Leave the suspect out, and have a licensed electrician check socket, earth and residual-current "
            "device before the tank is plugged in again.",
            "While the power is off use a battery air pump.",
            "Anyone who felt a shock should see a doctor; in an emergency call an ambulance.",
        ),
        rule_out="keep hands out; with the tank's circuit off at the breaker, run the pH board from a "
        "battery: steps that go on then are the board's own and not the mains",
        on_delay_s=0,
        off_delay_s=1800,
        family="power",
        harmful=True,
        wakes_from="low",
        cautions=("person-first", "electrical", "animals"),
    ),
    "setting-doubtful": Rationale(
        title="setting doubtful",
        headline="{setting} of {tank} doesn't fit what is seen ({value})",
        headline_plain="{setting} of {tank} doesn't fit what is seen",
        priority="low",
        consequence="what is judged by this setting is judged wrongly: alarms may come too early, too late "
        "or under another name",
        action=(
            "Look up the setting in rushlight.toml and compare it with the tank: the timer's hours, a "
            "drop test of KH and pH, the heater's dial and a second thermometer.",
            "Is the setting wrong, correct it there and start the service again; nothing else is to do.",
            "Is it right, then timer, thermostat or probe is off: unplug the device at the wall before you "
            "handle it, and rinse and recalibrate the probe.",
            "Don't change water, gas or heat because of this message alone.",
        ),
        rule_out="compare the setting with a second measure of its own: a clock beside the timer, a drop "
        "test, a second thermometer outside on the glass",
        on_delay_s=0,
        off_delay_s=1800,
        family="probes",
        harmful=False,
        cautions=("electrical",),
    ),
}
