"""Water changes that were seen by their temperature and are not in the keeper's log."""

from __future__ import annotations

from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.watch.tank_watch import TankWatch

__all__ = ["unnoted_pours"]

_SHOWN_MS = 2 * 86_400_000  # later nobody remembers how much it was; common practice, no source


def unnoted_pours(watch: TankWatch, now_ms: int) -> list[str]:
    """Those of the last two days, a line each: a note says how much, and what it did to the hardness."""
    water, tank = watch.of(TemperatureDetector).water, watch.tank
    lines = []
    for pour in water.pours:
        noted = any(water.together(pour.began_ms, at) for at, _ in water.noted)
        if noted or not 0 <= now_ms - pour.began_ms < _SHOWN_MS:
            continue
        share = water.share(tank, pour)
        about = "" if share is None else f", about {share[0] * 100:.0f} %"
        typed = "20" if share is None else f"{share[0] * 100:.0f}"
        lines.append(
            f"other water was poured in on {tank.clock.moment_text(pour.began_ms)} (it changed by "
            f"{pour.step_c:+.1f} °C{about}): note it, rushlight note {tank.name} --changed {typed}%"
        )
    return lines
