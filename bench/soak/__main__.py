"""The soak.

    python -m bench.soak [--kills 200] [--seed 1]

Exit status 1 where an acknowledged reading is lost or stored twice, or a loss on the serial line was not
counted.
"""

from __future__ import annotations

import argparse
import os
import struct
import sys
import tempfile
import time
from pathlib import Path

from bench.soak.audit import Verdict, audit_board, audit_serial
from bench.soak.chaos import Chaos, SmallDisk
from bench.soak.load import Board, SerialBoard
from bench.soak.world import HERE, BrokerProcess, RushlightProcess, build_preload
from collector.store.embedded import EmbeddedStore

# name, whether its reports have numbers, whether they have times
BOARDS = (("porch", True, True), ("shed", True, False))
SERIAL = "attic"


def _settings(port: int, tty: str) -> str:
    text = f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\n'
    text += f'[[links]]\nkind = "serial"\nport = "{tty}"\n[status_page]\nenabled = false\n'
    for tank in (*(name for name, *_ in BOARDS), SERIAL):
        text += f'[tanks.{tank}]\nvolume_litres = 54\ntimezone = "Europe/Lisbon"\n'
        text += f"[tanks.{tank}.livestock]\ntemperature_low_c = 8\ntemperature_high_c = 40\n"
    return text


def _settle(path: Path, service: RushlightProcess, boards: list[Board], seconds: float = 60) -> None:
    """Until all is acknowledged and nothing more comes into the store."""
    end, before, still = time.monotonic() + seconds, -1, 0
    while time.monotonic() < end and still < 6:
        service.look()
        time.sleep(0.5)
        with EmbeddedStore(path, read_only=True) as store:
            position = store.position()
        quiet = position == before and not any(board.waiting() for board in boards)
        still, before = still + 1 if quiet else 0, position


def _soak(folder: Path, kills: int, seed: int, pause_s: tuple[float, float], resend: int) -> bool:
    for name in ("broker", "data"):
        (folder / name).mkdir()
    clock = folder / "offset"
    clock.write_bytes(struct.pack("=q", 0))
    library = build_preload(HERE / "clockstep.c", folder)
    disk = SmallDisk(folder / "data") if os.geteuid() == 0 else None
    broker = BrokerProcess(folder / "broker")
    broker.start()
    serial = SerialBoard(SERIAL, 0.05)
    service = RushlightProcess(
        folder / "data",
        _settings(broker.port, serial.port),
        LD_PRELOAD=str(library),
        CLOCKSTEP_FILE=str(clock),
    )
    service.log = folder / "rushlight.log"
    service.start()
    boards = [Board(name, broker.port, 0.04, seq, timed, resend) for name, seq, timed in BOARDS]
    chaos = Chaos(seed, broker, service, clock, disk)
    began = time.monotonic()
    try:
        while not service.store.exists() or "connected, MQTT" not in service.log.read_text():
            time.sleep(0.1)
        for board in boards:
            board.start()
        serial.start()
        chaos.run(kills, pause_s)
        chaos.step(0)
        if not service.is_running():
            service.start()
        for board in boards:
            board.stop_sending()
        time.sleep(5)  # the serial line goes on until the collector surely reads it: a last gap must show
        serial.stop_sending()
        _settle(service.store, service, boards)
        status = service.stop()
        took = time.monotonic() - began
        with EmbeddedStore(service.store, read_only=True) as store:
            faults = store.check()
        mqtt = [audit_board(service.store, board) for board in boards]
        line = audit_serial(service.store, serial)
    finally:
        service.kill()
        broker.kill()
        for board in boards:
            board.close()
        serial.close()
        if disk is not None:
            disk.close()
    return _tell(chaos, broker, service, mqtt, line, faults, status, took, seed, boards)


def _tell(
    chaos: Chaos,
    broker: BrokerProcess,
    service: RushlightProcess,
    mqtt: list[Verdict],
    line: Verdict,
    faults: list[str],
    status: int | None,
    took: float,
    seed: int,
    boards: list[Board],
) -> bool:
    collector = sum(what == "collector" for _, what in chaos.kills)
    brokers = sum(what == "broker" for _, what in chaos.kills)
    print(f"Seed {seed}, {took:.0f} s.\n")
    print("| what was done | times |\n|---|---|")
    print(f"| collector killed (SIGKILL) | {collector} |\n| broker killed (SIGKILL) | {brokers} |")
    print(f"| of these, both at once | {chaos.events['both']} |")
    print(f"| collector's clock stepped | {chaos.events['step']} |\n| disk filled | {chaos.events['full']} |")
    print(
        f"| collector ended by itself and was started again | {len(service.ended)} {service.ended or ''} |\n"
    )
    print(
        "| MQTT, readings | sent | acknowledged | stored | lost | doubled | never sent | own time replaced |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for v in mqtt:
        print(
            f"| {v.tank} | {v.sent} | {v.acknowledged} | {v.stored} | {len(v.lost)} | {len(v.doubled)} |"
            f" {v.strange} | {v.retimed} |"
        )
    missing = len(line.lost) // 2
    print(
        "\n| serial, reports | sent | stored | missing | counted as lost by `seq` | doubled |"
        "\n|---|---|---|---|---|---|"
    )
    print(
        f"| {line.tank} | {line.sent // 2} | {line.stored // 2} | {missing} | {line.counted} |"
        f" {len(line.doubled)} |"
    )
    print(f"\nStore: {faults or 'whole'}; the collector's last exit status: {status}.")
    for v in (*mqtt, line):
        if v.doubled:
            print(f"{v.tank}: doubled, first of them: {v.doubled[:6]}", file=sys.stderr)
    for v in mqtt:
        if v.lost:
            print(f"{v.tank}: lost, first of them: {v.lost[:6]}", file=sys.stderr)
    for board, v in zip(boards, mqtt, strict=True):
        for number in sorted({number for _, number in v.lost}):
            print(f"{v.tank} report {number}: lost; {_when(board.acknowledged[number], chaos)}.")
    bad = any(v.lost or v.doubled or v.strange for v in mqtt)
    return not (bad or faults or line.doubled or line.strange or missing != line.counted or status != 0)


def _when(acknowledged: float, chaos: Chaos) -> str:
    """How near a broker's kill: tells a loss in the broker from one in the collector."""
    kills = [at for at, what in chaos.kills if what == "broker"]
    nearest = min(kills, key=lambda at: abs(at - acknowledged), default=None)
    if nearest is None:
        return "no broker was killed"
    before = (nearest - acknowledged) * 1000
    return f"acknowledged {before:+.0f} ms before the nearest kill of the broker was over"


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pause", type=float, nargs=2, default=(0.2, 2.0), help="between events, s")
    parser.add_argument(
        "--resend", type=int, default=0, help="reports a board sends again when it reconnects"
    )
    parser.add_argument("--keep", help="folder to leave logs in")
    arguments = parser.parse_args()
    folder = Path(arguments.keep or tempfile.mkdtemp(prefix="soak"))
    folder.mkdir(parents=True, exist_ok=True)
    good = _soak(folder, arguments.kills, arguments.seed, tuple(arguments.pause), arguments.resend)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
