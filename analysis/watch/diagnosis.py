"""Which of the detectors' findings is the cause: one cause, one alarm.

A table of which alarm explains which others. An explained finding is dropped while its explanation lasts;
where it had been raised before, the state machine clears it and the new one says what it replaces.
"""

from __future__ import annotations

from collections.abc import Collection

from msgspec.structs import replace

from rushlight.analysis.alarms.endings import BY_PROBE
from rushlight.analysis.findings import Finding
from rushlight.collector.events import PRIORITY_RANK

__all__ = ["EXPLAINS", "diagnose"]

EXPLAINS: dict[str, frozenset[str]] = {
    "power-interrupted": frozenset(
        {"heater-not-heating", "light-missing", "co2-absent", "temperature-low", "light-stuck-on"}
    ),
    "heater-stuck-on": frozenset({"temperature-high", "cooling-not-cooling"}),
    "heater-not-heating": frozenset({"temperature-low"}),
    "cooling-not-cooling": frozenset({"temperature-high"}),
    "stray-current-suspected": frozenset({"co2-overdose", "co2-absent", "ph-out-of-range"}),
    "co2-overdose": frozenset({"ph-out-of-range"}),
    "co2-absent": frozenset({"ph-out-of-range"}),
    "light-missing": frozenset({"light-dimming"}),
    "light-schedule-drift": frozenset({"light-missing", "light-stuck-on"}),
}

_GAS = frozenset({"co2-overdose", "co2-absent"})
# what harms the animals: sent under its own name where a person has silenced the cause
_HARM = frozenset({"co2-overdose", "temperature-high", "temperature-low"})


def diagnose(
    findings: list[Finding],
    active: Collection[str] = (),
    silenced: Collection[tuple[str, str]] = (),
) -> list[Finding]:
    """The findings that are a cause of their own, with `replaces` set where they explain others.

    Parameters
    ----------
    findings : list of Finding
        All that the detectors found, of one tank.
    active : collection of str
        Alarms that were active before. An electrode that begins to jitter while gas streams in takes back no
        overdose; one that jitters already may hide it, and is as urgent then.
    silenced : collection of (alarm, quantity)
        What is shelved or out of service. Who silences a cause knows of it, not of the harm it comes to.
    """
    if len(findings) < 2:
        return findings
    names = {finding.alarm for finding in findings}
    # what a wrong setting has brought about is no cause of anything
    unreal = {n for finding in findings if finding.alarm == "setting-doubtful" for n in finding.explains}
    causes = [finding for finding in findings if finding.alarm not in unreal]
    own = {finding.alarm for finding in findings if finding.beside}
    explained = {
        other
        for finding in causes
        for other in _explains(finding, active, silenced) & names
        if not (finding.alarm in _GAS and other in own)
    }
    stray = "stray-current-suspected" in names
    dark = "power-interrupted" in names
    leapt = None if "co2-overdose" in explained else _may_be_the_probe(findings, active, silenced)
    kept: list[Finding] = []
    for finding in findings:
        if finding is leapt:
            continue
        if leapt is not None and finding.alarm == "co2-overdose":
            seen = [f"it may be the probe: {text}" for text in leapt.observations[-1:]]
            # a copy: its detector gives the same one in the next frame
            finding = replace(finding, observations=[*finding.observations, *seen])
        if finding.alarm in explained:
            if finding.alarm == "co2-overdose" and not finding.holding:
                _may_hide(finding, findings)
            continue
        if finding.alarm == "probe-fault" and (
            (stray and finding.quantity == "ph") or (dark and finding.quantity == "heater_power")
        ):
            continue
        kept.append(finding)
    for finding in kept:
        finding.replaces = ", ".join(sorted(_explains(finding, active, silenced) & explained))
    return kept


def _may_hide(overdose: Finding, findings: list[Finding]) -> None:
    """The electrode can't be believed, and what it shows would be deadly: nobody may sleep over it."""
    for finding in findings:
        if finding.alarm == "probe-fault" and finding.quantity == "ph" and finding.credible:
            finding.priority = max(finding.priority, overdose.priority, key=PRIORITY_RANK.__getitem__)
            seen = [f"if it is right all the same: {text}" for text in overdose.observations[:1]]
            finding.observations = [*finding.observations, *seen]
            finding.rule_out = (
                "get air into the water first, by an air pump kept above the water line; then take "
                "a reading with a drop test, pH and KH: with pH as usual it is the electrode, not gas"
            )


def _may_be_the_probe(
    findings: list[Finding], active: Collection[str], silenced: Collection[tuple[str, str]]
) -> Finding | None:
    """The fault of an electrode whose leap has raised an overdose already; the overdose says so itself.

    One event, one alarm, and the graver one stays (ISA-18.2: no redundant alarms). The fault is an alarm of
    its own as soon as the overdose is over, or a person has silenced that.
    """
    names = {finding.alarm for finding in findings}
    if "co2-overdose" not in names & set(active) or ("co2-overdose", "") in silenced:
        return None
    probes = [f for f in findings if f.alarm == "probe-fault" and f.quantity == "ph"]
    return next((finding for finding in probes if finding.credible == "leap"), None)


def _explains(
    finding: Finding, active: Collection[str], silenced: Collection[tuple[str, str]]
) -> frozenset[str]:
    if finding.alarm == "probe-fault":
        # a probe that can't be trusted takes along what is read from it
        explained = BY_PROBE.get(finding.quantity, frozenset())
        if finding.credible == "values":
            return frozenset()
        if finding.credible == "leap":
            return explained - (_HARM & set(active))  # what was raised of it stays beside it
        if finding.credible == "level":
            explained = explained & {"co2-overdose", "co2-absent", "ph-out-of-range"} - set(active)
            return explained - _HARM if (finding.alarm, finding.quantity) in silenced else explained
        return explained
    if finding.alarm == "stray-current-suspected":
        # no step just now, or one that is judged by its level: what falls is the water's pH
        falls = finding.holding or finding.credible == "level"
        return EXPLAINS[finding.alarm] - {"co2-overdose"} if falls else EXPLAINS[finding.alarm]
    explained = EXPLAINS.get(finding.alarm, frozenset())
    if (finding.alarm, finding.quantity) in silenced:
        explained = explained - _HARM
    return explained | frozenset(finding.explains)
