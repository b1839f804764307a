"""The sensor node's program, compiled for an 8-bit AVR and run on simavr with its parts around it."""

from __future__ import annotations

import contextlib
import mmap
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.conftest import wait_for

NOTES = Path(__file__).parents[2] / "firmware_notes"
SKETCH = NOTES / "sensor_node"
BOARD = Path(__file__).parent / "simulated_board"
CORE = Path("/usr/share/arduino/hardware/arduino/avr")  # where Debian's arduino-core-avr puts it
CHIP = "-mmcu=atmega328p"
PACKAGES = "arduino-core-avr gcc-avr avr-libc libsimavr-dev gcc libc6-dev"
FLAGS = (
    *(CHIP, "-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_ARCH_AVR", "-DDECIMAL_DIG=__DECIMAL_DIG__"),
    *("-Os", "-flto", "-ffunction-sections", "-fdata-sections"),
)
INCLUDES = tuple(
    f"-I{CORE / folder}"
    for folder in (
        "cores/arduino",
        "variants/standard",
        "libraries/Wire/src",
        "libraries/Wire/src/utility",
    )
)
CPP = ("-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics")


class Program(NamedTuple):
    """A compiled sketch."""

    elf: Path
    flash: int  # bytes
    ram: int  # bytes that are taken before the stack
    millis_at: str  # address of the core's count of milliseconds
    warnings: str


class Line(NamedTuple):
    """A line that the board sent."""

    at: float  # simulated seconds
    text: str


def _run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    if done.returncode:
        pytest.fail(f"{' '.join(str(word) for word in command[:1])}: {done.stderr[-3000:]}")
    return done


class Workshop:
    """Compiles; the core once, a sketch for each set of options once.

    Parameters
    ----------
    folder : Path
        For what is compiled.
    """

    def __init__(self, folder: Path) -> None:
        missing = [name for name in ("avr-gcc", "avr-g++", "gcc") if shutil.which(name) is None]
        if not CORE.is_dir() or not Path("/usr/include/simavr").is_dir():
            missing.append("the core or simavr")
        if missing:
            pytest.fail(f"not installed: {', '.join(missing)}; install with: apt-get install {PACKAGES}")
        self._folder = folder
        self._programs: dict[tuple[str, ...], Program] = {}
        self.board = folder / "board"
        _run(
            *("gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", self.board, *sorted(BOARD.glob("*.c"))),
            *("-lsimavr", "-lutil", "-lm"),
        )
        self._core = self._make_core()

    def _make_core(self) -> Path:
        objects = []
        for source in [
            *sorted((CORE / "cores/arduino").glob("*.c*")),
            *sorted((CORE / "libraries/Wire/src").rglob("*.c*")),
        ]:
            target = self._folder / f"{source.name}.o"
            compiler = ("avr-gcc", "-std=gnu11") if source.suffix == ".c" else ("avr-g++", *CPP)
            _run(*compiler, *FLAGS, *INCLUDES, "-w", "-c", source, "-o", target)
            objects.append(target)
        archive = self._folder / "core.a"
        _run("avr-gcc-ar", "rcs", archive, *objects)
        return archive

    def program(self, *options: str) -> Program:
        """The sketch with options such as `-DREPORT_MS=5000`."""
        if options not in self._programs:
            self._programs[options] = self._compile(options)
        return self._programs[options]

    def _compile(self, options: tuple[str, ...]) -> Program:
        name = self._folder / f"node{len(self._programs)}"
        done = _run(
            *("avr-g++", *CPP, *FLAGS, *INCLUDES, "-Wall", "-Wextra", *options),
            *("-x", "c++", "-include", "Arduino.h", "-c", SKETCH / "sensor_node.ino", "-o", f"{name}.o"),
        )
        elf = name.with_suffix(".elf")
        _run(
            *("avr-gcc", CHIP, "-Os", "-flto", "-fuse-linker-plugin", "-Wl,--gc-sections"),
            *(f"{name}.o", self._core, "-lm", "-o", elf),
        )
        sizes = {}
        for row in _run("avr-size", "-A", elf).stdout.splitlines():
            if row.startswith("."):
                section, size, _ = row.split()
                sizes[section] = int(size)
        millis = next(row for row in _run("avr-nm", elf).stdout.splitlines() if row.endswith("timer0_millis"))
        data = sizes[".data"]
        ram = data + sizes[".bss"] + sizes.get(".noinit", 0)
        warnings = "\n".join(row for row in done.stderr.splitlines() if str(SKETCH) in row)
        return Program(elf, sizes[".text"] + data, ram, "0x" + millis.split()[0], warnings)


class SimulatedBoard:
    """A board at a pseudo-terminal.

    Parameters
    ----------
    workshop : Workshop
    program : Program
    folder : Path
    events : str
        Lines "seconds what value"; see `simulated_board/board.c`.
    until_s : float
        Simulated seconds to run.
    speed : float
        Times as fast as real time at most; 0: as fast as it goes; -1: that, and nobody is at the port.
    skip_s : float
        Seconds of sleep after each report that are left out.
    """

    def __init__(
        self,
        workshop: Workshop,
        program: Program,
        folder: Path,
        events: str,
        until_s: float,
        speed: float = 0,
        skip_s: float = 0,
    ) -> None:
        self.port = folder / "tty"
        self._clock_file = folder / "clock"
        self._output = folder / "board.txt"
        plan = folder / "events.txt"
        plan.write_text(events)
        with self._output.open("w") as output:
            self._process = subprocess.Popen(
                [
                    *(str(workshop.board), str(program.elf), str(plan), str(self.port)),
                    *(str(self._clock_file), str(until_s), str(speed), str(skip_s), program.millis_at),
                ],
                stdin=subprocess.PIPE,
                stdout=output,
            )
        wait_for(self.port.is_symlink, "the board's terminal")
        with self._clock_file.open("rb") as file:
            self._clock = mmap.mmap(file.fileno(), 8, access=mmap.ACCESS_READ)

    def now_ms(self) -> int:
        """Simulated milliseconds."""
        return int.from_bytes(self._clock[:8], "little")

    def switch_on(self) -> None:
        """Begin; the collector should be at the port."""
        assert self._process.stdin is not None
        self._process.stdin.write(b"\n")
        self._process.stdin.flush()

    def go_on(self) -> None:
        """The last report was taken; what is left out after it may be left out now."""
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.write(b".")
            self._process.stdin.flush()

    def is_running(self) -> bool:
        return self._process.poll() is None

    def wait_end(self, seconds: float) -> None:
        """Until all is simulated."""
        assert self._process.wait(seconds) == 0, self._output.read_text()[-2000:]

    def lines(self) -> list[Line]:
        """All that was sent and is no banner."""
        found = [
            row.split(" ", 2) for row in self._output.read_text().splitlines() if row.startswith("line ")
        ]
        return [Line(float(row[1]), row[2]) for row in found if len(row) == 3]

    def packs(self) -> list[Line]:
        """The lines that are whole packs."""
        return [line for line in self.lines() if re.fullmatch(r"\[.*\] \*[0-9A-F]{4}", line.text)]

    def ram_never_used(self) -> int:
        """Bytes between variables and the deepest stack; after the end."""
        (row,) = [row for row in self._output.read_text().splitlines() if row.startswith("ram ")]
        return int(row.split()[1])

    def end(self) -> None:
        """Whatever it does."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(10)
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        self._clock.close()


@contextmanager
def simulated_board(*args: object, **more: object) -> Iterator[SimulatedBoard]:
    """A board that ends with the block; arguments as `SimulatedBoard`."""
    board = SimulatedBoard(*args, **more)  # type: ignore[arg-type]
    try:
        yield board
    finally:
        board.end()
