"""bench/diagnosis/nodes.py: the same tank through other nodes."""

from __future__ import annotations

import pytest

from bench.diagnosis.nodes import NODES, Node, main, seen_through

ROWS = [
    "2026-01-01T00:00:00Z,porch,temperature,24.131\n",
    "2026-01-01T00:00:00Z,porch,ph,6.8200\n",
    "2026-01-01T00:00:10Z,porch,temperature,24.700\n",
    "2026-01-01T00:00:20Z,porch,temperature,\n",
    "2026-01-01T00:00:00Z,porch,temperature,24.131\n",  # a repeat, late
]


def test_interval_keeps_whole_reports_and_their_repeats() -> None:
    kept = list(seen_through(Node("rare", every_s=20), ROWS, 1))
    assert [row.split(",")[0][-4:-1] + row.split(",")[2][0] for row in kept] == [
        ":00t",
        ":00p",
        ":20t",
        ":00t",
    ]
    assert len(list(seen_through(Node("all", every_s=10), ROWS, 1))) == len(ROWS)


@pytest.mark.parametrize(("bits", "shown"), [(9, "24.0000"), (10, "24.2500"), (12, "24.1250")])
def test_steps_of_the_thermometer(bits: int, shown: str) -> None:
    """0.5 °C at 9 bits, halved with each bit: such probes' data sheets (from memory)."""
    first = next(seen_through(Node("coarse", every_s=10, thermometer_bits=bits), ROWS, 1))
    assert first.strip().endswith(f",{shown}")


def test_hum_is_in_single_readings_and_not_in_a_mean() -> None:
    """20 mV of 58.2 mV a unit of pH: up to 0.34."""
    rows = [f"2026-01-01T{i // 360:02d}:{i // 6 % 60:02d}:{i % 6}0Z,porch,ph,7.0000\n" for i in range(300)]

    def spread(node: Node) -> float:
        values = [float(row.rpartition(",")[2]) for row in seen_through(node, rows, 1)]
        return max(values) - min(values)

    assert 0.6 < spread(Node("hum", every_s=10, hum_mv=20.0)) < 0.7
    assert spread(Node("mean", every_s=10, hum_mv=20.0, mean_of=98, converter_bits=10)) < 0.02


def test_rows_of_the_table_have_names_of_their_own_and_unseen_seeds_stay_unseen() -> None:
    assert len({node.name for node in NODES}) == len(NODES)
    assert all(node.every_s % 10 == 0 for node in NODES)
    with pytest.raises(SystemExit):
        main(["--seed", "905", "--out", "nowhere"])
