"""Which of the detectors' findings is the cause: one cause, one alarm.

A table of which alarm explains which others. An explained finding is dropped while its explanation stands;
where it had been raised before, the state machine clears it and the new one says what it replaces.
"""

from __future__ import annotations

from analysis.types import Finding

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

# a probe that can't be trusted takes along what is read from it
_BY_PROBE: dict[str, frozenset[str]] = {
    "temperature": frozenset(
        {
            "heater-stuck-on",
            "heater-not-heating",
            "cooling-not-cooling",
            "temperature-high",
            "temperature-low",
        }
    ),
    "ph": frozenset({"co2-overdose", "co2-absent", "ph-out-of-range"}),
    "light": frozenset({"light-schedule-drift", "light-missing", "light-stuck-on", "light-dimming"}),
}


def diagnose(findings: list[Finding]) -> list[Finding]:
    """The findings that stand for a cause of their own, with `replaces` set where they explain others."""
    if len(findings) < 2:
        return findings
    names = {finding.alarm for finding in findings}
    # what a wrong setting has brought about is no cause of anything
    unreal = {n for finding in findings if finding.alarm == "setting-doubtful" for n in finding.explains}
    causes = [finding for finding in findings if finding.alarm not in unreal]
    explained = {other for finding in causes for other in _explains(finding) & names}
    stray = "stray-current-suspected" in names
    dark = "power-interrupted" in names
    kept: list[Finding] = []
    for finding in findings:
        if finding.alarm in explained:
            continue
        if finding.alarm == "probe-fault" and (
            (stray and finding.quantity == "ph") or (dark and finding.quantity == "heater_power")
        ):
            continue
        kept.append(finding)
    for finding in kept:
        finding.replaces = ", ".join(sorted(_explains(finding) & explained))
    return kept


def _explains(finding: Finding) -> frozenset[str]:
    if finding.alarm == "probe-fault":
        return _BY_PROBE.get(finding.quantity, frozenset())
    return EXPLAINS.get(finding.alarm, frozenset()) | frozenset(finding.explains)
