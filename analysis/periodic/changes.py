"""The water changes of a span: what the keeper noted, and what the water's temperature showed.

What was seen comes from the beliefs by which the analysis judged each frame; a note that belongs to it counts
with its own share.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rushlight.analysis.detectors.heat.new_water import NewWater
from rushlight.analysis.periodic.figures import old_water_left
from rushlight.analysis.replay.beliefs import Sample
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["Change", "changes_of", "changes_words", "old_water"]

_MINUTE_MS = 60_000
_NOTED_ERROR = 0.1
"""Of a share that was noted, either way: a bucket is not measured. Common practice, no source."""


class Change(NamedTuple):
    """One: when (ms UTC), noted or only seen, its share with lowest and highest (None: can't be said), and
    the step of the water's temperature (°C, None where none was seen).
    """

    time_ms: int
    noted: bool
    share: float | None
    low: float | None
    high: float | None
    step_c: float | None = None

    def words(self) -> str:
        """What is known of it."""
        step = "" if self.step_c is None else f"; the water changed by {self.step_c:+.1f} °C"
        if self.share is None:
            return f"seen, not noted; share not known{step}"
        if self.noted:
            return f"noted, {self.share * 100:.0f} %{step}"
        low, high = (round((one or 0.0) * 100) for one in (self.low, self.high))
        return f"seen, not noted: about {self.share * 100:.0f} % ({low} to {high} %){step}"


def changes_of(samples: Sequence[Sample], log: Sequence[LogEntry]) -> list[Change]:
    """All of a span, by time.

    Parameters
    ----------
    samples : sequence of Sample
        The frames of the span, with what was believed.
    log : sequence of LogEntry
        What was noted in it.
    """
    notes = {entry.time_ms: entry.changed_share for entry in log if entry.changed_share}
    found, taken = list[Change](), set[int]()
    for sample in samples:
        said = sample.beliefs
        if "poured_in_c" not in said:
            continue
        at = round(sample.start_ms - said["poured_in_ago_min"] * _MINUTE_MS)
        note = next((one for one in notes if one not in taken and NewWater.together(at, one)), None)
        if note is not None:
            taken.add(note)
            found.append(_noted(note, notes[note] or 0.0, said["poured_in_c"]))
        elif not any(one.noted and NewWater.together(at, one.time_ms) for one in found):
            share, low, high = (said.get(f"poured_in_share{end}") for end in ("", "_low", "_high"))
            found.append(Change(at, False, share, low, high, said["poured_in_c"]))
    found += [_noted(at, share or 0.0, None) for at, share in notes.items() if at not in taken]
    return sorted(found, key=lambda one: one.time_ms)


def _noted(time_ms: int, share: float, step_c: float | None) -> Change:
    low, high = share * (1 - _NOTED_ERROR), min(1.0, share * (1 + _NOTED_ERROR))
    return Change(time_ms, True, share, low, high, step_c)


def old_water(changes: Sequence[Change]) -> tuple[float, float, float] | None:
    """Share of the old water that is left, its lowest and highest; None without a known change."""
    known = [one for one in changes if one.share is not None]
    if not known:
        return None
    likely, least, most = (
        old_water_left([share or 0.0 for share in shares])
        for shares in ([c.share for c in known], [c.high for c in known], [c.low for c in known])
    )
    return likely, least, most


def changes_words(changes: Sequence[Change]) -> str:
    """All of them in a sentence, "" for none."""
    if not changes:
        return ""
    noted = sum(one.noted for one in changes)
    seen = len(changes) - noted
    parts = [f"{noted} noted"] if noted else []
    parts += [f"{seen} only seen by {'its' if seen == 1 else 'their'} temperature"] if seen else []
    many = f"{len(changes)} water change{'s' if len(changes) > 1 else ''} ({', '.join(parts)})"
    left = old_water(changes)
    unknown = sum(one.share is None for one in changes)
    if left is None:
        return f"{many}: what share can't be said; {_TEACH}"
    likely, least, most = (f"{one * 100:.0f}" for one in left)
    said = f"{many}: {likely} % of the old water is left ({least} to {most} %)"
    if unknown:
        return f"{said}, less what {unknown} of unknown share took; {_TEACH}"
    return said


_TEACH = "note one with its share, or set tap_temperature_c, and the others are known too"
