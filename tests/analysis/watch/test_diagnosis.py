"""One cause, one alarm. The cases follow the contract's section 5: what has a specific alarm raises that one
and not also the general one. There is no outside reference for the table itself."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.diagnosis import EXPLAINS, diagnose

READ_FROM = {
    "temperature": [
        "heater-stuck-on",
        "heater-not-heating",
        "cooling-not-cooling",
        "temperature-high",
        "temperature-low",
    ],
    "ph": ["co2-overdose", "co2-absent", "ph-out-of-range"],
    "light": ["light-schedule-drift", "light-missing", "light-stuck-on", "light-dimming"],
}
GENERAL = sorted({name for names in EXPLAINS.values() for name in names})
ALARMS = sorted({*EXPLAINS, *GENERAL, "device-silent"})


def found(*names: str) -> list[Finding]:
    """Findings by name; `probe-fault/ph` is about that probe."""
    return [Finding(alarm=n.split("/")[0], quantity=n.partition("/")[2]) for n in names]


def kept(*names: str) -> list[str]:
    return sorted(f.alarm + (f"/{f.quantity}" if f.quantity else "") for f in diagnose(found(*names)))


@pytest.mark.parametrize(
    ("cause", "consequences"),
    [
        ("heater-stuck-on", ["temperature-high"]),
        ("heater-not-heating", ["temperature-low"]),
        ("cooling-not-cooling", ["temperature-high"]),
        ("co2-overdose", ["ph-out-of-range"]),
        ("co2-absent", ["ph-out-of-range"]),
        ("power-interrupted", ["heater-not-heating", "light-missing", "co2-absent"]),
        ("power-interrupted", ["temperature-low"]),
        ("stray-current-suspected", ["co2-overdose", "ph-out-of-range"]),
        ("light-schedule-drift", ["light-missing"]),
    ],
)
def test_one_cause_one_alarm(cause: str, consequences: list[str]) -> None:
    for order in ([cause, *consequences], [*consequences, cause]):
        (alone,) = diagnose(found(*order))
        assert alone.alarm == cause
        assert alone.replaces == ", ".join(sorted(consequences))


def test_a_chain_of_explanations_ends_at_its_beginning() -> None:
    """Mains lost, so the heater is off, so the water is cold: only the first is told."""
    (alone,) = diagnose(found("temperature-low", "heater-not-heating", "power-interrupted"))
    assert alone.alarm == "power-interrupted"
    assert alone.replaces == "heater-not-heating, temperature-low"


@pytest.mark.parametrize("quantity", sorted(READ_FROM))
def test_a_probe_that_fails_takes_along_what_is_read_from_it(quantity: str) -> None:
    for name in READ_FROM[quantity]:
        assert kept(name, f"probe-fault/{quantity}") == [f"probe-fault/{quantity}"]
        others = [q for q in READ_FROM if q != quantity]
        for other in others:
            assert kept(name, f"probe-fault/{other}") == sorted([name, f"probe-fault/{other}"])


def test_steps_by_stray_current_are_no_fault_of_the_electrode() -> None:
    assert kept("probe-fault/ph", "stray-current-suspected") == ["stray-current-suspected"]
    both = ["probe-fault/temperature", "stray-current-suspected"]
    assert kept(*both) == both


def test_two_causes_are_two_alarms() -> None:
    assert kept("co2-overdose", "heater-stuck-on") == ["co2-overdose", "heater-stuck-on"]
    assert kept("light-missing", "temperature-high") == ["light-missing", "temperature-high"]
    assert kept("probe-fault/ph", "probe-fault/light") == ["probe-fault/light", "probe-fault/ph"]


def test_one_finding_alone_is_kept_whatever_it_is() -> None:
    for name in ALARMS:
        assert kept(name) == [name]
    assert diagnose([]) == []


def test_every_name_of_the_table_is_an_alarm_and_none_explains_itself() -> None:
    for cause, consequences in EXPLAINS.items():
        rationale_for(cause)
        for name in consequences:
            rationale_for(name)
        assert cause not in consequences


sets = st.sets(st.sampled_from([*ALARMS, *(f"probe-fault/{q}" for q in READ_FROM)]), min_size=1)


@given(sets, st.randoms(use_true_random=False))
def test_something_is_always_kept_and_order_does_not_matter(names: set[str], chance: object) -> None:
    shuffled = sorted(names)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    active = kept(*shuffled)
    assert active and set(active) <= names
    assert active == kept(*sorted(names))
    # what stands is explained by nothing else that stands
    for one in active:
        assert not any(one in EXPLAINS.get(other, ()) for other in active)


def test_the_general_alarm_clears_when_its_cause_is_found() -> None:
    """Through the state machine: the general one first, then its cause; the new one says what it replaces."""
    book = AlarmBook("hallway", "Hallway shelf")
    now = 1_772_330_400_000
    events = []
    for minute in range(60):
        names = ["temperature-low"] if minute < 20 else ["temperature-low", "heater-not-heating"]
        events += book.update(diagnose(found(*names)), now + minute * 60_000)
    said = [(event.event, event.alarm) for event in events]
    assert said.index(("raised", "temperature-low")) < said.index(("raised", "heater-not-heating"))
    assert ("cleared", "temperature-low") in said
    assert book.standing() == {"heater-not-heating"}


def test_an_electrode_that_jitters_may_hide_a_surge_and_is_as_urgent() -> None:
    """Gas bubbles that strike it make an electrode jitter; so does air, and then there is no surge."""
    jitters = Finding(alarm="probe-fault", quantity="ph", credible="level", observations=["it jumps by 0.05"])
    surge = Finding(alarm="co2-overdose", priority="critical", observations=["pH 6.2, about 60 mg/L CO2"])
    (said,) = diagnose([jitters, surge])
    assert said.alarm == "probe-fault" and said.priority == "critical"
    assert said.observations[-1].endswith("about 60 mg/L CO2")
    assert said.rule_out.startswith("get air into the water first")
    again = Finding(alarm="probe-fault", quantity="ph", credible="level")
    assert {f.alarm for f in diagnose([again, surge], {"co2-overdose"})} == {"probe-fault", "co2-overdose"}


def leapt() -> Finding:
    return Finding(alarm="probe-fault", quantity="ph", credible="leap", observations=["pH 5.0", "it leapt"])


def test_a_leap_that_has_raised_an_overdose_is_one_event_and_one_alarm() -> None:
    """ISA-18.2 (2016) asks that one event is not reported by several alarms; the graver one stays."""
    surge = Finding(alarm="co2-overdose", priority="critical", observations=["pH 5.0, about 900 mg/L"])
    for order in ([leapt(), surge], [surge, leapt()]):
        (alone,) = diagnose(order, {"co2-overdose"})
        assert (alone.alarm, alone.priority) == ("co2-overdose", "critical")
        assert alone.observations == ["pH 5.0, about 900 mg/L", "it may be the probe: it leapt"]
    assert len(surge.observations) == 1, "its detector gives the same finding in each frame"
    # not raised yet: the fault, as before
    (alone,) = diagnose([leapt(), surge])
    assert alone.alarm == "probe-fault"


@pytest.mark.parametrize("other", ["stray-current-suspected", "setting-doubtful"])
def test_a_leap_is_hidden_by_no_overdose_that_is_explained_away(other: str) -> None:
    surge = Finding(alarm="co2-overdose", priority="critical")
    cause = Finding(alarm=other, explains=["co2-overdose"])
    said = {f.alarm for f in diagnose([leapt(), surge, cause], {"co2-overdose"})}
    assert said == ({other} if other.startswith("stray") else {other, "probe-fault"})


def test_a_leap_is_told_where_the_overdose_is_silenced_or_over() -> None:
    surge = Finding(alarm="co2-overdose", priority="critical")
    both = diagnose([leapt(), surge], {"co2-overdose"}, {("co2-overdose", "")})
    assert {f.alarm for f in both} == {"co2-overdose", "probe-fault"}
    other = Finding(alarm="light-missing")
    assert len(diagnose([leapt(), other], {"co2-overdose"})) == 2
    # of the electrode only, and only a leap: another fault is no part of that event
    for fault in (
        Finding(alarm="probe-fault", quantity="temperature", credible="leap"),
        Finding(alarm="probe-fault", quantity="ph", credible="values"),
    ):
        assert fault in diagnose([fault, surge], {"co2-overdose"})


@pytest.mark.parametrize(
    ("cause", "harm"),
    [
        ("heater-stuck-on", "temperature-high"),
        ("cooling-not-cooling", "temperature-high"),
        ("heater-not-heating", "temperature-low"),
        ("power-interrupted", "temperature-low"),
    ],
)
def test_who_silences_a_cause_hears_of_the_harm(cause: str, harm: str) -> None:
    said = diagnose(found(cause, harm), (), {(cause, "")})
    assert sorted(finding.alarm for finding in said) == sorted([cause, harm])
    assert [finding.replaces for finding in said] == ["", ""]
    (alone,) = diagnose(found(cause, harm), (), {("device-silent", "")})
    assert alone.alarm == cause


def test_a_silenced_electrode_that_jitters_hides_no_surge() -> None:
    surge = Finding(alarm="co2-overdose", priority="critical")
    jitters = Finding(alarm="probe-fault", quantity="ph", credible="level")
    assert len(diagnose([jitters, surge], (), {("probe-fault", "ph")})) == 2
    out_of_water = Finding(alarm="probe-fault", quantity="ph")
    assert len(diagnose([out_of_water, surge], (), {("probe-fault", "ph")})) == 1


@pytest.mark.parametrize("way", ["shelved", "out of service"])
def test_a_person_s_silence_reaches_the_diagnosis(way: str) -> None:
    """A heater known to be dead, its alarm silenced: that the water gets too cold is told all the same."""
    book, key = AlarmBook("alcove"), ("alcove", "heater-not-heating", "")
    if way == "shelved":
        book.shelve(key, 9 * 3_600_000, 0, "keeper")
    else:
        book.out_of_service(key, 0, "keeper")
    assert book.silenced() == {("heater-not-heating", "")}
    events = []
    for minute in range(60):
        both = found("heater-not-heating", "temperature-low")
        events += book.update(diagnose(both, book.standing(), book.silenced()), minute * 60_000)
    assert [(e.event, e.alarm) for e in events] == [("raised", "temperature-low")]


def test_a_current_that_is_not_seen_just_now_hides_no_surge() -> None:
    surge = Finding(alarm="co2-overdose", priority="critical")
    for holding in (False, True):
        stray = Finding(alarm="stray-current-suspected", quantity="ph", holding=holding)
        assert ("co2-overdose" in {f.alarm for f in diagnose([stray, surge])}) == holding


@pytest.mark.parametrize(
    ("quantity", "alarm"), [("ph", "co2-overdose"), ("temperature", "heater-not-heating")]
)
def test_a_loose_contact_explains_nothing(quantity: str, alarm: str) -> None:
    """The readings that come are right."""
    loose = Finding(alarm="probe-fault", quantity=quantity, credible="values")
    assert len(diagnose([loose, Finding(alarm=alarm)])) == 2
    assert diagnose([broken := Finding(alarm="probe-fault", quantity=quantity), Finding(alarm=alarm)]) == [
        broken
    ]


@pytest.mark.parametrize("gas", ["co2-overdose", "co2-absent"])
def test_a_ph_with_a_cause_of_its_own_is_an_alarm_beside_gas(gas: str) -> None:
    own = Finding(alarm="ph-out-of-range", beside=True)
    names = [finding.alarm for finding in diagnose([*found(gas), own])]
    assert names == [gas, "ph-out-of-range"]
    assert [finding.alarm for finding in diagnose([*found(gas), Finding(alarm="ph-out-of-range")])] == [gas]
    # an electrode or a current that can't be believed takes it along all the same
    for other in ("stray-current-suspected", "probe-fault/ph"):
        assert [finding.alarm for finding in diagnose([*found(other), own])] == [other.split("/")[0]]
