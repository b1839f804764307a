"""What the sensor node's resolution and interval do to the diagnosis.

    python -m bench.diagnosis.nodes --seed 611 --count 20 --out runs/nodes

Each tank is made once, with a fine thermometer and a report every ten seconds, and then seen through each
kind of node: the same water, the same fault, the same noise of the probes. What differs between two rows of
the table comes from the node alone. Training stream only.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import re
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bench.diagnosis.judgement import judge
from bench.diagnosis.scenarios import build
from bench.diagnosis.score import replay
from bench.diagnosis.summary import print_failures, print_worlds
from bench.diagnosis.tank import Course
from bench.diagnosis.world import World
from bench.diagnosis.worlds import WORLDS, Kind

__all__ = ["NODES", "Node", "main", "seen_through"]

HARMFUL = (
    "co2-overdose",
    "heater-stuck-on",
    "heater-not-heating",
    "ph-out-of-range",
    "temperature-high",
    "power-interrupted",
    "cooling-not-cooling",
)
FINE_S = 10  # between reports of the runs that are made
SLOPE_MV = 58.2  # of an ideal electrode for each unit of pH at 20 °C, Nernst
GAIN = 3.0  # of the amplifier, usual for such boards: common practice, no source
SPAN_MV = 4096.0  # of the converter
CONVERTER_NOISE = 0.5  # rms of one conversion, in its own steps: common practice, no source


def _fine(world: World, plain: Course, setup: dict[str, Any]) -> None:
    setup.update(report_every_s=FINE_S, t_step=0.001)


FINE = Kind("fine", "a report every ten seconds, temperature in steps of 0.001 °C", setup=_fine)


@dataclass(frozen=True)
class Node:
    """One kind of node; the defaults are the notes' own node."""

    name: str
    every_s: int = 60  # a multiple of FINE_S
    thermometer_bits: int = 12  # 9 to 12: steps of 0.5 to 0.0625 °C
    converter_bits: int = 16  # behind the electrode's amplifier
    mean_of: int = 1  # conversions for one reading
    hum_mv: float = 0.0  # amplitude of the mains' hum at the electrode; a mean over whole periods has none

    @property
    def t_step(self) -> float:
        """Steps of the thermometer, °C."""
        return 0.5 ** (self.thermometer_bits - 8)

    @property
    def ph_step(self) -> float:
        """Steps of one conversion, pH."""
        return SPAN_MV / 2.0**self.converter_bits / GAIN / SLOPE_MV

    def ph(self, value: float, rng: np.random.Generator) -> float:
        """What the node says of a pH that the electrode shows."""
        step = self.ph_step
        if self.mean_of > 1:  # over whole periods; the noise of the conversions makes steps finer
            spread = math.sqrt((CONVERTER_NOISE**2 + 1 / 12) / self.mean_of)
            return value + rng.normal(0, spread) * step
        hum = self.hum_mv / SLOPE_MV * math.sin(rng.uniform(0, 2 * math.pi))
        return round((value + hum) / step + rng.normal(0, CONVERTER_NOISE)) * step


NODES = (
    Node("every 60 s, 12-bit thermometer, 16-bit converter"),
    Node("every 10 s", every_s=10),
    Node("every 30 s", every_s=30),
    Node("every 2 min", every_s=120),
    Node("every 5 min", every_s=300),
    Node("every 10 min", every_s=600),
    Node("every 20 min", every_s=1200),
    Node("thermometer 11 bits", thermometer_bits=11),
    Node("thermometer 10 bits", thermometer_bits=10),
    Node("thermometer 9 bits", thermometer_bits=9),
    Node("converter 12 bits, one reading", converter_bits=12),
    Node("converter 10 bits, one reading", converter_bits=10),
    Node("converter 10 bits, mean of 100", converter_bits=10, mean_of=100),
    Node("converter 16 bits, one reading, hum 5 mV", hum_mv=5.0),
    Node("converter 10 bits, one reading, hum 5 mV", converter_bits=10, hum_mv=5.0),
    Node("converter 16 bits, one reading, hum 20 mV", hum_mv=20.0),
)


def seen_through(node: Node, rows: Iterable[str], seed: int) -> Iterator[str]:
    """The rows of a run of `FINE` as the node would have sent them.

    Parameters
    ----------
    node : Node
    rows : iterable of str
        `time,tank,quantity,value` with line ends, without the header; in order of arrival.
    seed : int
        Of the converter's noise and the hum's phase.
    """
    rng = np.random.default_rng(seed)
    change: dict[str, Callable[[float], str]] = {
        "temperature": lambda v: f"{round(v / node.t_step) * node.t_step:.4f}",
        "room_temperature": lambda v: f"{round(v / node.t_step) * node.t_step:.4f}",
        "ph": lambda v: f"{node.ph(v, rng):.4f}",
    }
    numbers: dict[str, int] = {}  # a repeat of a report has the number of the report
    for row in rows:
        time, tank, quantity, value = row.rstrip("\n").split(",")
        number = numbers.setdefault(time, len(numbers))
        if number % (node.every_s // FINE_S):
            continue
        if value and quantity in change:
            value = change[quantity](float(value))
        yield f"{time},{tank},{quantity},{value}\n"


def _judged(
    job: tuple[Path, int, int, str | None, tuple[Node, ...]],
) -> tuple[list[dict[str, Any]], list[str]]:
    """One tank through all nodes: verdicts and errors."""
    out, seed, index, alarm, nodes = job
    WORLDS.setdefault(FINE.name, FINE)
    fine = out / f"fine-{seed}-{index:03d}"
    truth = build(fine, "train", seed, index, alarm, FINE.name)
    settings = (fine / "rushlight.toml").read_text(encoding="utf-8")
    with (fine / "readings.csv").open(encoding="utf-8") as file:
        header, rows = next(file), file.readlines()
    verdicts, errors = [], []
    for number, node in enumerate(nodes):
        folder = out / f"{fine.name}-{number}"
        folder.mkdir(exist_ok=True)
        every, times = re.subn(r"report_every_s = \d+", f"report_every_s = {node.every_s}", settings)
        if times != 1:
            raise RuntimeError(f"{fine}/rushlight.toml: report_every_s is written {times} times, not once")
        (folder / "rushlight.toml").write_text(every, encoding="utf-8")
        with (folder / "readings.csv").open("w", encoding="utf-8") as to:
            to.write(header)
            to.writelines(seen_through(node, rows, index))
        _, error = replay(folder, None)
        if error:
            errors.append(f"{folder}: {error}")
        lines = (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()
        about = truth | {"world": node.name, "scenario": folder.name}
        verdicts.append(judge(about, [json.loads(line) for line in lines if line.strip()]))
        shutil.rmtree(folder)
    shutil.rmtree(fine)
    return verdicts, errors


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=611)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first tank")
    parser.add_argument("--out", type=Path, required=True, help="for the runs while they are judged")
    parser.add_argument("--only", default="", help="only nodes with this text in their name, and the first")
    parser.add_argument("--harmful", action="store_true", help="faults that may harm soon, no quiet runs")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--failures", action="store_true", help="list what was missed and false")
    args = parser.parse_args(arguments)
    if 900 <= args.seed < 1000:
        parser.error("seeds 900 to 999 are kept unseen")
    nodes = NODES[:1] + tuple(n for n in NODES[1:] if args.only in n.name)
    args.out.mkdir(parents=True, exist_ok=True)
    jobs = [
        (args.out, args.seed, i, HARMFUL[i % len(HARMFUL)] if args.harmful else None, nodes)
        for i in range(args.first, args.first + args.count)
    ]
    verdicts: list[dict[str, Any]] = []
    errors: list[str] = []
    with multiprocessing.Pool(args.jobs) as pool:
        for found, wrong in pool.imap_unordered(_judged, jobs):
            verdicts += found
            errors += wrong
            with (args.out / "verdicts.jsonl").open("a", encoding="utf-8") as kept:
                kept.writelines(json.dumps(v) + "\n" for v in found)
    verdicts.sort(key=lambda v: [n.name for n in nodes].index(v["world"]))
    print_worlds(verdicts)
    if args.failures:
        print_failures(verdicts)
    for error in errors:
        print(error, file=sys.stderr)
    return 1 if errors else 0


if __name__ == "__main__":
    sys.exit(main())
