"""The sensor node's own C++ for the wire, compiled here and read back."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from rushlight.simulator.microcontroller import crc16

HEADER = Path(__file__).parents[2] / "firmware_notes" / "sensor_node" / "wire.h"

PROGRAM = r"""
#include <stdio.h>
#include "wire.h"
static void show(const char *line) { printf("%s\n", line ? line : "nothing"); }
int main() {
  Pack pack;
  printf("%04X\n", crc16("123456789", 9));
  pack.begin("porch", 0);
  pack.add("temperature", "Cel", 23.0625, 4);
  pack.add("room_temperature", "Cel", -0.0625, 3);
  pack.add("ph_probe", "mV", -17.25, 1);
  pack.add("light", "lx", 6399.6, 0);
  show(pack.finish());
  pack.begin("porch", 4294967295u);
  pack.add("temperature", "Cel", NAN, 3);
  pack.add("ph_probe", "mV", INFINITY, 1);
  pack.add("light", "lx", 200000.0, 9);
  pack.add("room_temperature", "Cel", 19.9996, 3);
  pack.add("light", "lx", 0.0, 0);
  show(pack.finish());
  pack.begin("porch", 2);
  show(pack.finish());
  pack.begin("porch", 3);
  for (int i = 0; i < 12; i++) pack.add("room_temperature", "Cel", 1.0, 3);
  show(pack.finish());
}
"""


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    compiler = shutil.which("g++")
    if compiler is None:
        pytest.fail("g++ is not installed; install it with: apt-get install g++")
    folder = tmp_path_factory.mktemp("wire")
    source, program = folder / "wire.cpp", folder / "wire"
    source.write_text(PROGRAM)
    flags = ["-std=c++11", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined", f"-I{HEADER.parent}"]
    subprocess.run([compiler, *flags, "-o", str(program), str(source)], check=True)
    return subprocess.run([str(program)], check=True, capture_output=True, text=True).stdout.splitlines()


def _pack(line: str) -> list[dict[str, object]]:
    body, _, crc = line.rpartition(" *")
    assert crc == f"{crc16(body.encode()):04X}"
    pack = json.loads(body)
    assert isinstance(pack, list)
    return pack


def test_crc_check_value(printed: list[str]) -> None:
    """CRC-16/CCITT-FALSE over "123456789" is 0x29B1: the catalogued check value (from memory)."""
    assert printed[0] == "29B1"


def test_pack_of_values(printed: list[str]) -> None:
    """SenML record fields as in RFC 8428; numbers as rounded by hand."""
    assert _pack(printed[1]) == [
        {"bn": "porch/", "seq": 0, "n": "temperature", "u": "Cel", "v": 23.0625},
        {"n": "room_temperature", "u": "Cel", "v": -0.063},
        {"n": "ph_probe", "u": "mV", "v": -17.3},
        {"n": "light", "u": "lx", "v": 6400},
    ]


def test_probes_that_cannot_be_read_and_the_largest_report_number(printed: list[str]) -> None:
    assert _pack(printed[2]) == [
        {"bn": "porch/", "seq": 4294967295, "n": "temperature", "u": "Cel", "vs": "fault"},
        {"n": "ph_probe", "u": "mV", "vs": "fault"},
        {"n": "light", "u": "lx", "v": 200000.0},
        {"n": "room_temperature", "u": "Cel", "v": 20.0},
        {"n": "light", "u": "lx", "v": 0},
    ]


@pytest.mark.parametrize("line", [3, 4])
def test_empty_and_overlong_packs_are_not_sent(printed: list[str], line: int) -> None:
    assert printed[line] == "nothing"
