"""The README's table of alarms, made from the rationalisation so that the two can't disagree."""

from __future__ import annotations

from analysis.rationale import RATIONALE

__all__ = ["alarm_table"]


def alarm_table() -> str:
    """Every alarm as a row of a Markdown table, in the order of `RATIONALE`; no line end at the end."""
    rows = ["| alarm | priority | if nobody acts | first of all |", "|---|---|---|---|"]
    for name, row in RATIONALE.items():
        rows.append(f"| `{name}` | {row.priority} | {row.consequence} | {row.action[0]} |")
    return "\n".join(rows)


if __name__ == "__main__":
    print(alarm_table())
