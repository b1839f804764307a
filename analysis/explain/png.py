"""The explanation of an alarm as a PNG. Run as a program, `python -m rushlight.analysis.explain.png`, by
whoever must not hold matplotlib's memory: the service for its notices, and the status page.

Colours are those of Okabe and Ito (2008), which people with any colour vision can distinguish; lines differ
in their dashes as well.
"""

from __future__ import annotations

import os
import sys
import textwrap
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rushlight.analysis.explain.context import parted
from rushlight.analysis.explain.curves import Curve, Panel, round_step, tick_text
from rushlight.analysis.explain.displayed import displayed
from rushlight.analysis.explain.explanation import Explanation, explain
from rushlight.analysis.how_installed import how_to_add
from rushlight.collector.errors import RushlightError, SettingsError
from rushlight.collector.settings import load_settings
from rushlight.collector.units import titles

__all__ = ["draw_png", "main", "require_matplotlib"]

_BLACK, _BLUE, _SKY, _VERMILION, _PURPLE = "#000000", "#0072B2", "#56B4E9", "#D55E00", "#CC79A7"
_STYLES: dict[str, dict[str, Any]] = {
    "measured": {"color": _BLACK, "linewidth": 1.5, "zorder": 4},
    "expected": {"color": _BLUE, "linewidth": 1.5, "linestyle": (0, (5, 2)), "zorder": 3},
    "forecast": {"color": _VERMILION, "linewidth": 1.8, "linestyle": (0, (1, 1.2)), "zorder": 5},
    "flagged": {"color": _VERMILION, "linestyle": "", "marker": "x", "markersize": 4, "zorder": 5},
}
_WIDTH_IN, _PANEL_IN, _DPI = 8.0, 2.6, 110
_LINE_IN = 0.17  # of small text
_PICTURE_DAYS = 4.0  # of learning before a notice's picture; it must be quick
_THIN_MS = 55_000


def require_matplotlib() -> None:
    """SettingsError with what to do, where matplotlib is not installed."""
    from importlib.util import find_spec

    if find_spec("matplotlib") is None:
        raise SettingsError(f"a picture needs matplotlib; to add it: {how_to_add('matplotlib')}")


def draw_png(explanation: Explanation, path: str | os.PathLike[str]) -> None:
    """Draw it into a file, which appears only when it is whole.

    Raises
    ------
    OSError
        The file can't be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    zone = ZoneInfo(explanation.timezone)
    event = explanation.event
    head = textwrap.wrap(event.summary, 84)
    notes = ["Seen: " + "; ".join(event.observations) + "."] if event.observations else []
    notes.append(f"What would rule it out: {event.rule_out.removeprefix('rule out: ')}.")
    if explanation.note:
        notes.append(explanation.note)
    foot = [line for text in notes for line in textwrap.wrap(text, 118, subsequent_indent="    ")]
    panels = explanation.panels
    top, bottom = 0.35 + 0.24 * len(head) + 0.56, 0.5 + _LINE_IN * (len(foot) + 1)
    height = top + bottom + _PANEL_IN * max(1, len(panels))
    figure = Figure(figsize=(_WIDTH_IN, height), dpi=_DPI, facecolor="white")
    FigureCanvasAgg(figure)
    place = figure.add_gridspec(
        max(1, len(panels)),
        1,
        top=1 - top / height,
        bottom=bottom / height,
        left=0.1,
        right=0.97,
        hspace=0.55,
    )
    figure.text(0.02, 1 - 0.2 / height, "\n".join(head), fontsize=12, weight="bold", va="top")
    when = datetime.fromtimestamp(explanation.decided_ms / 1000, zone)
    figure.text(
        0.02,
        1 - (0.3 + 0.24 * len(head)) / height,
        f"{event.alarm}, raised {when:%a %d %b %Y, %H:%M} by the tank's own clock ({explanation.timezone})",
        fontsize=8.5,
        va="top",
    )
    figure.text(0.02, (bottom - 0.5) / height, "\n".join(foot), fontsize=8, va="top", linespacing=1.35)
    for number, panel in enumerate(panels):
        _panel(figure.add_subplot(place[number]), explanation, panel, zone, first=number == 0)
    if not panels:
        figure.text(0.5, 0.55, "The store has no curve to show for it.", ha="center")
    part = Path(f"{os.fspath(path)}.part")
    try:
        figure.savefig(part, format="png", metadata={"Software": "Rushlight"})
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _panel(axes: Any, explanation: Explanation, panel: Panel, zone: ZoneInfo, first: bool) -> None:
    from matplotlib import dates
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    low, high = panel.span()

    def at(time_ms: int) -> datetime:
        return datetime.fromtimestamp(time_ms / 1000, zone)

    for start_ms, end_ms in explanation.gaps:
        axes.axvspan(at(start_ms), at(end_ms), facecolor="#dddddd", zorder=0)
    if explanation.gaps:
        axes.plot([], [], color="#dddddd", linewidth=7, label="no report")
    for band in panel.bands:
        if band.points:
            axes.fill_between(
                [at(t) for t, _, _ in band.points],
                [a for _, a, _ in band.points],
                [b for _, _, b in band.points],
                color=_SKY,
                alpha=0.3,
                linewidth=0,
                label=band.name,
                zorder=1,
            )
    for limit in panel.limits:
        text = f"{limit.name}: {limit.value:.{panel.decimals}f}"
        if low <= limit.value <= high:
            axes.axhline(limit.value, color=_VERMILION, linewidth=1.1, linestyle="-.", label=text, zorder=2)
        else:
            axes.plot([], [], " ", label=f"({text} lies outside)")
    for curve in panel.curves:
        _curve(axes, curve, at, panel.outside())
    axes.axvline(at(explanation.decided_ms), color=_PURPLE, linewidth=2, zorder=6)
    if explanation.over_ms is not None:
        axes.axvline(at(explanation.over_ms), color=_PURPLE, linewidth=1, linestyle=":", zorder=6)
    if first:
        form = "%d %b" if explanation.to_ms - explanation.from_ms > 3 * 86_400_000 else "%H:%M"
        late = explanation.decided_ms > (explanation.from_ms + explanation.to_ms) / 2
        axes.annotate(
            f"raised {at(explanation.decided_ms):{form}}",
            (at(explanation.decided_ms), high),
            xytext=(-4 if late else 4, -3),
            textcoords="offset points",
            ha="right" if late else "left",
            va="top",
            fontsize=8,
            color="#8a3f68",
            weight="bold",
            zorder=7,
        )
    axes.set_xlim(at(explanation.from_ms), at(explanation.to_ms))
    axes.set_ylim(low, high)
    axes.set_title(panel.heading(), fontsize=9.5, loc="left", pad=19)
    kinds: Any = dates  # not all of it is typed
    locator = kinds.AutoDateLocator(tz=zone, minticks=4, maxticks=9)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(kinds.ConciseDateFormatter(locator, tz=zone, show_offset=False))
    step = round_step(high - low, 5)
    axes.yaxis.set_major_locator(MultipleLocator(step))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: tick_text(value, step)))
    axes.tick_params(labelsize=8)
    axes.grid(color="#e6e6e6", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    # between heading and curve, where it hides neither
    axes.legend(
        fontsize=7.5,
        frameon=False,
        loc="lower left",
        bbox_to_anchor=(-0.005, 1.0),
        ncols=5,
        borderaxespad=0,
        handlelength=2.2,
        columnspacing=1.2,
    )


def _curve(axes: Any, curve: Curve, at: Any, outside: list[float]) -> None:
    """One curve, broken where readings are missing; a few points are joined whatever lies between."""
    style = _STYLES[curve.role] | ({"drawstyle": "steps-post"} if curve.step else {})
    sparse = len(curve.points) < 40
    if sparse and curve.role == "measured":
        style = style | {"marker": "o", "markersize": 3}
    label: str | None = curve.name
    if curve.role == "flagged" and outside:
        label = f"{curve.name} (also {', '.join(f'{value:g}' for value in outside[:3])}, outside)"
    for part in [curve.points] if sparse else parted(curve.points):
        axes.plot([at(t) for t, _ in part], [v for _, v in part], label=label, **style)
        label = None


def main(arguments: list[str]) -> int:
    """`python -m rushlight.analysis.explain.png SETTINGS STORE ALARM-ID NOW_MS FILE`; 0, or 1 and one line on
    why."""
    if len(arguments) != 5:
        print(
            "usage: python -m rushlight.analysis.explain.png SETTINGS STORE ALARM-ID NOW_MS FILE",
            file=sys.stderr,
        )
        return 2
    from rushlight.analysis.replay.sources import open_readings
    from rushlight.collector.store.embedded import EmbeddedStore

    config, store_path, alarm_id, now_ms, path = arguments
    if hasattr(os, "nice"):
        os.nice(10)  # the watch comes first
    try:
        settings = load_settings(config)
        with (
            EmbeddedStore(store_path, read_only=True) as store,
            open_readings(settings, store, sys.stderr) as readings,
        ):
            found = explain(
                settings, store, readings, alarm_id, int(now_ms), warm_up_days=_PICTURE_DAYS, thin_ms=_THIN_MS
            )
        draw_png(displayed(found, settings.display.units, titles(settings.tanks)), path)
    except (RushlightError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
