"""The lamp's hours of the settings in words."""

from __future__ import annotations

from rushlight.collector.settings import LightSettings

__all__ = ["lamp_lines", "watched_hours"]


def watched_hours(light: LightSettings | None) -> bool:
    """Whether the settings say when the lamp should be on."""
    return light is not None and (light.on is not None or bool(light.periods))


def lamp_lines(light: LightSettings | None) -> list[str]:
    """What is watched of the lamp's hours; nothing where none are set."""
    if light is None:
        return []
    lines = []
    within = f"within {light.tolerance_min:g} min"
    plain = light.periods or ([] if light.on is None or light.off is None else [[light.on, light.off]])
    if plain:
        days = "Monday to Friday: " if light.weekend else ""
        if len(plain) == 1:
            lines.append(f"{days}lamp on at {plain[0][0]}, off at {plain[0][1]}, {within}")
        else:
            lines.append(f"{days}lamp on {_spans(plain)}, {within}")
    if light.weekend:
        lines.append(f"Saturday and Sunday: lamp on {_spans(light.weekend)}")
    if light.night_light:
        lines.append("a weak light by night is meant: only a bright one is a lamp that is stuck on")
    return lines


def _spans(periods: list[list[str]]) -> str:
    return " and ".join(f"{on} to {off}" for on, off in sorted(periods))
