"""The rooms of the package and the order in which they may import one another."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PARTS = ("simulator", "collector", "analysis")
# lowest first: a room imports those before it, and its own modules
ORDER = (
    "simulator",
    "collector",
    "collector.safe_text",
    "collector.errors",
    "collector.units",
    "collector.readings",
    "collector.events",
    "collector.log",
    "collector.settings.bounds",
    "collector.settings.water_tables",
    "collector.settings.tables",
    "collector.electrode",
    "collector.settings",
    "collector.store",
    "collector.influx",
    "collector.intake",
    "collector.links",
    "collector.service",
    "analysis",
    "analysis.findings",
    "analysis.how_installed",
    "analysis.numbers",
    "analysis.estimators",
    "analysis.alarms",
    "analysis.notices",
    "analysis.physics",
    "analysis.detectors",
    "analysis.detectors.frames",
    "analysis.detectors.moment",
    "analysis.detectors.patience",
    "analysis.detectors.valve_hours",
    "analysis.detectors.registry",
    "analysis.detectors.stray_current",
    "analysis.detectors.gas",
    "analysis.detectors.heat",
    "analysis.detectors.lamp",
    "analysis.detectors.probes",
    "analysis.detectors.doubts",
    "analysis.detectors.power",
    "analysis.watch",
    "analysis.replay",
    "analysis.explain",
    "analysis.paper",
    "analysis.views",
    "analysis.service",
    "analysis.beginning",
    "analysis.calibration",
    "analysis.absence",
    "analysis.periodic",
    "analysis.change_over",
    "analysis.errands",
    "analysis.demo",
    "analysis.commands",
)
# a room that is a folder of rooms has its `__init__` alone
FOLDERS = {"collector", "analysis", "analysis.detectors"}
# one who may import a part that nobody else does: the tank of the demo
GUESTS = {"simulator": {"analysis.demo"}}


def room_of(module: str) -> str:
    """The room of a module, as `analysis.detectors.gas` of `analysis.detectors.gas.curve`; "" for none."""
    parts = module.split(".")
    for length in range(len(parts), 0, -1):
        room = ".".join(parts[:length])
        if room in ORDER:
            return "" if room in FOLDERS and length < len(parts) else room
    return ""


def imports(source: str) -> Iterator[tuple[int, str]]:
    """Line and full name of all that a module imports, inside functions and for type checking too."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                yield node.lineno, "." * node.level + (node.module or "")
            yield from (
                (node.lineno, f"{node.module}.{alias.name}") for alias in node.names if not node.level
            )


def modules(root: Path) -> dict[str, str]:
    """Name without `rushlight.` -> source, of all modules of the package."""
    found = {}
    for part in PARTS:
        for path in sorted((root / part).rglob("*.py")):
            name = ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")
            found[name] = path.read_text(encoding="utf-8")
    return found


def bare(sources: dict[str, str]) -> list[str]:
    """Imports of the parts by names under which they are not installed, and relative ones."""
    return [
        f"{where}:{line}: imports {name}; write rushlight.{name}"
        for where, source in sources.items()
        for line, name in imports(source)
        if name.split(".")[0] in PARTS or name.startswith(".")
    ]


def faults(sources: dict[str, str]) -> list[str]:
    """What is against the order, one line each."""
    found = [f"{module}: lies in no room of ORDER" for module in sources if not room_of(module)]
    for module, source in sources.items():
        room = room_of(module)
        if not room:
            continue
        for line, name in imports(source):
            if not name.startswith("rushlight."):
                continue
            target = name.removeprefix("rushlight.")
            if target not in sources:  # a name in a module
                target = target.rpartition(".")[0]
            if target not in sources:
                found.append(f"{module}:{line}: imports {target}, which is not there")
                continue
            other = room_of(target)
            part, other_part = room.split(".")[0], other.split(".")[0]
            if other and part != other_part and other_part in GUESTS and room not in GUESTS[other_part]:
                found.append(f"{module}:{line}: imports {target}; only {GUESTS[other_part]} may")
            elif other and ORDER.index(other) > ORDER.index(room):
                found.append(f"{module}:{line}: {room} imports {target}, which is above it")
    return found


def test_rooms_import_only_what_is_below_them() -> None:
    # that no two rooms import one another follows
    assert faults(modules(ROOT)) == []


def test_there_is_no_room_without_modules() -> None:
    assert set(ORDER) - {room_of(module) for module in modules(ROOT)} == set()


def test_developers_notes_name_every_room() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    paths = (room.replace(".", "/") for room in ORDER)
    wanted = (f"`{path}/`" if (ROOT / path).is_dir() else f"`{path}.py`" for path in paths)
    assert [path for path in wanted if path not in text] == []


def test_parts_are_imported_by_the_names_they_are_installed_under() -> None:
    others = {
        str(path.relative_to(ROOT)): path.read_text(encoding="utf-8")
        for folder in ("bench", "tests", "src/rushlight")
        for path in (ROOT / folder).rglob("*.py")
    }
    assert bare(modules(ROOT) | others) == []


GOOD = {
    "simulator.tank": "import math",
    "collector.errors": "",
    "collector.store.base": "from rushlight.collector.errors import StoreError",
    "collector.store.rows": "from rushlight.collector.store import base",
    "analysis.detectors.gas.curve": "from rushlight.collector.errors import Any",
    "analysis.detectors.doubts.hardness": "from rushlight.analysis.detectors.gas.curve import Curve",
    "analysis.watch.tank_watch": "from rushlight.analysis.detectors.gas.curve import Curve",
    "analysis.demo.run": "from rushlight.simulator.tank import Tank",
}


@pytest.mark.parametrize(
    ("module", "wrong", "said"),
    [
        ("collector.errors", "from rushlight.analysis.watch import tank_watch", "is above it"),
        ("collector.errors", "from rushlight.collector.store.base import Row", "is above it"),
        (
            "analysis.detectors.gas.curve",
            "def f():\n    from rushlight.analysis.watch.tank_watch import Watch",
            "analysis.detectors.gas.curve:2: analysis.detectors.gas imports analysis.watch.tank_watch",
        ),
        (
            "analysis.detectors.gas.curve",
            "if TYPE_CHECKING:\n    from rushlight.analysis.detectors.doubts.hardness import Doubt",
            "is above it",
        ),
        ("simulator.tank", "import rushlight.collector.errors", "is above it"),
        ("analysis.watch.tank_watch", "from rushlight.simulator.tank import Tank", "may"),
        ("analysis.watch.tank_watch", "from rushlight.analysis.gone import Name", "is not there"),
        ("analysis.wash", "", "lies in no room"),
        ("analysis.detectors.wash", "", "lies in no room"),
    ],
)
def test_an_import_against_the_order_is_found(module: str, wrong: str, said: str) -> None:
    assert faults(GOOD) == []
    (fault,) = faults(GOOD | {module: wrong})
    assert said in fault


@pytest.mark.parametrize(
    "wrong",
    [
        "import analysis",
        "from collector.errors import StoreError",
        "from . import base",
        "import simulator.tank",
    ],
)
def test_an_import_by_a_bare_name_is_found(wrong: str) -> None:
    assert bare(GOOD) == []
    assert len(bare(GOOD | {"collector.errors": wrong})) == 1


def test_no_file_is_over_300_lines() -> None:
    bench = {str(path): path.read_text(encoding="utf-8") for path in (ROOT / "bench").rglob("*.py")}
    longest = {module: source.count("\n") for module, source in (modules(ROOT) | bench).items()}
    assert {module: lines for module, lines in longest.items() if lines > 300} == {}


# what makes the bench's runs; `gate`, `score` and the like judge them
MAKERS = ("generate", "scenarios", "tank", "world", "worlds", "faults", "nuisances", "schedules", "probes")
MAKERS += ("keeper", "truth", "short_tank", "short_runs")


def of_the_judge(sources: dict[str, str]) -> list[str]:
    """What the makers of runs import of the analysis, one line each; also by way of one another."""
    found = []
    for module, source in sources.items():
        for line, name in imports(source):
            parts = name.split(".")
            ours = parts[:2] == ["bench", "diagnosis"] and parts[2] not in MAKERS
            if ours or parts[:2] == ["rushlight", "analysis"]:
                found.append(f"{module}:{line}: imports {name}")
    return found


def test_the_bench_tanks_and_their_judge_are_strangers() -> None:
    folder = ROOT / "bench/diagnosis"
    paths = [path for name in MAKERS for path in (folder / f"{name}.py", *(folder / name).rglob("*.py"))]
    sources = {str(path): path.read_text(encoding="utf-8") for path in paths if path.exists()}
    assert len(sources) > len(MAKERS)
    assert of_the_judge(sources) == []
    for wrong in ("from rushlight.analysis.physics import water", "from bench.diagnosis.trace import Trace"):
        assert len(of_the_judge(sources | {"bench.diagnosis.tank": wrong})) == 1
