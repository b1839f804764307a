"""The soak.

    python -m bench.soak [--kills 200] [--seed 1] [--resend 40]

Exit status 1 where the collector acknowledged a report that is not stored, a reading is stored twice, the
InfluxDB server has not the same readings as the local file, or a loss on the serial line was not counted. A
report that the broker acknowledged to a board and forgot at its own kill is told apart; with `--resend` it
counts, too.
"""

from __future__ import annotations

import argparse
import os
import struct
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from bench.soak.audit import Copy, Verdict, audit_board, audit_copy, audit_serial, broken_promises
from bench.soak.chaos import Chaos, SmallDisk
from bench.soak.load import Board, SerialBoard
from bench.soak.tap import Tap
from bench.soak.world import HERE, BrokerProcess, InfluxProcess, RushlightProcess, build_preload
from collector.settings import StoreSettings
from collector.store.drain_state import drain_report
from collector.store.embedded import EmbeddedStore
from collector.store.influx import InfluxReadings

# name, whether its reports have numbers, whether they have times
BOARDS = (("porch", True, True), ("shed", True, False))
SERIAL = "attic"
TANKS = (*(name for name, *_ in BOARDS), SERIAL)
BUCKET = "soak"


def _settings(port: int, tty: str, influx: str) -> str:
    text = f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\n'
    text += f'[[links]]\nkind = "serial"\nport = "{tty}"\n[status_page]\nenabled = false\n'
    text += f'[store]\nkind = "influxdb"\nurl = "{influx}"\norg = "soak"\nbucket = "{BUCKET}"\n'
    for tank in TANKS:
        text += f'[tanks.{tank}]\nvolume_litres = 54\ntimezone = "Europe/Lisbon"\n'
        text += f"[tanks.{tank}.livestock]\ntemperature_low_c = 8\ntemperature_high_c = 40\n"
    return text


def _newest(path: Path) -> int:
    """The highest number of the serial board's reports that is stored."""
    with EmbeddedStore(path, read_only=True) as store:
        return int(max((r.value or 0 for r in store.readings(SERIAL, "light")), default=-1))


def _until_read(path: Path, service: RushlightProcess, number: int, seconds: float = 120) -> None:
    """Until a report of the serial board from `number` on is stored."""
    end = time.monotonic() + seconds
    while time.monotonic() < end and _newest(path) < number:
        service.look()
        time.sleep(0.5)


def _settle(
    path: Path, service: RushlightProcess, boards: list[Board], influx: StoreSettings, seconds: float = 180
) -> None:
    """Until all is acknowledged, nothing more comes into the store, and the server has it all."""
    end, before, still = time.monotonic() + seconds, -1, 0
    while time.monotonic() < end and still < 8:
        service.look()
        time.sleep(0.5)
        with EmbeddedStore(path, read_only=True) as store:
            position, copied = store.position(), drain_report(store, influx)
        assert copied is not None
        behind = copied.waiting or copied.copying_from_ms is not None or copied.away_since_ms is not None
        quiet = position == before and not behind and not any(board.waiting() for board in boards)
        still, before = still + 1 if quiet else 0, position


class Result(NamedTuple):
    mqtt: list[Verdict]
    serial: Verdict
    broken: list[list[int]]
    copies: list[Copy]
    faults: list[str]
    status: int | None
    seconds: float


class Soak:
    """The programs, what is done to them, and the audit; `arguments` as on the command line."""

    def __init__(self, folder: Path, arguments: argparse.Namespace) -> None:
        self._arguments = arguments
        for name in ("broker", "data", "influx"):
            (folder / name).mkdir()
        clock = folder / "offset"
        clock.write_bytes(struct.pack("=q", 0))
        library = build_preload(HERE / "clockstep.c", folder)
        self._disk = SmallDisk(folder / "data") if os.geteuid() == 0 else None
        self._broker = BrokerProcess(folder / "broker")
        self._broker.start()
        self._tap = Tap(self._broker.port)
        self._influx = InfluxProcess(folder / "influx")
        self._influx.start_first(BUCKET)
        self._server = StoreSettings(kind="influxdb", url=self._influx.url, org="soak", bucket=BUCKET)
        self._serial = SerialBoard(SERIAL, 0.05)
        self._service = RushlightProcess(
            folder / "data",
            _settings(self._tap.port, self._serial.port, self._influx.url),
            LD_PRELOAD=str(library),
            CLOCKSTEP_FILE=str(clock),
        )
        self._service.log = folder / "rushlight.log"
        self._boards = [
            Board(name, self._broker.port, 0.04, seq, timed, arguments.resend) for name, seq, timed in BOARDS
        ]
        self._chaos = Chaos(
            arguments.seed,
            self._broker,
            self._service,
            self._influx,
            None if arguments.no_steps else clock,
            self._disk,
        )

    def run(self) -> bool:
        """Do it all; True where nothing is wrong."""
        try:
            result = self._run()
        finally:
            self._service.kill()
            self._broker.kill()
            self._influx.close()
            self._tap.close()
            for board in self._boards:
                board.close()
            self._serial.close()
            if self._disk is not None:
                self._disk.close()
        return self._tell(result)

    def _run(self) -> Result:
        began = time.monotonic()
        service, boards, serial = self._service, self._boards, self._serial
        service.start()
        while not service.store.exists() or "connected, MQTT" not in service.log.read_text():
            time.sleep(0.1)
        for board in boards:
            board.start()
        serial.start()
        _until_read(service.store, service, 0)  # losses are counted from the first report that is there
        self._chaos.run(self._arguments.kills, tuple(self._arguments.pause))
        self._chaos.step(0)
        if not service.is_running():
            service.start()
        for board in boards:
            board.stop_sending()
        # the serial line goes on until the collector reads it again: a last gap must show
        _until_read(service.store, service, serial.sent)
        serial.stop_sending()
        _settle(service.store, service, boards, self._server)
        status = service.stop()
        took = time.monotonic() - began
        path = service.store
        with EmbeddedStore(path, read_only=True) as store:
            faults = store.check()
        with InfluxReadings(self._server) as server:
            copies = [audit_copy(path, server, tank) for tank in TANKS]
        return Result(
            [audit_board(path, board) for board in boards],
            audit_serial(path, serial),
            [broken_promises(path, board, self._tap) for board in boards],
            copies,
            faults,
            status,
            took,
        )

    def _tell(self, result: Result) -> bool:
        chaos, mqtt, line = self._chaos, result.mqtt, result.serial
        done = [what for _, what in chaos.kills]
        print(f"Seed {self._arguments.seed}, {result.seconds:.0f} s; boards send ", end="")
        resend = self._arguments.resend
        print(f"their last {resend} reports again at a new connection.\n" if resend else "nothing again.\n")
        print("| what was done | times |\n|---|---|")
        print(f"| collector killed (SIGKILL) | {done.count('collector')} |")
        print(f"| broker killed (SIGKILL) | {done.count('broker')} |")
        print(f"| of these, both at once | {chaos.events['both']} |")
        print(f"| InfluxDB killed (SIGKILL) | {done.count('server')} |")
        print(f"| collector's clock stepped | {chaos.events['step']} |")
        print(f"| disk filled | {chaos.events['full']} |")
        ended = self._service.ended
        print(f"| collector ended by itself and was started again | {len(ended)} {ended or ''} |\n")
        print(
            "| MQTT, readings | sent | acknowledged by the broker | stored | acknowledged by the collector "
            "and not stored | forgotten by the broker | doubled | never sent | own time replaced |"
        )
        print("|---|---|---|---|---|---|---|---|---|")
        forgotten = []
        for v, broken in zip(mqtt, result.broken, strict=True):
            forgotten.append([n for n in sorted({n for _, n in v.lost}) if n not in broken])
            print(
                f"| {v.tank} | {v.sent} | {v.acknowledged} | {v.stored} | {2 * len(broken)} |"
                f" {2 * len(forgotten[-1])} | {len(v.doubled)} | {v.strange} | {v.retimed} |"
            )
        print("\n| reports | sent | stored | missing | counted as lost by `seq` | doubled |")
        print("|---|---|---|---|---|---|")
        for v in (*mqtt, line):
            missing = v.sent // 2 - v.stored // 2
            print(
                f"| {v.tank} | {v.sent // 2} | {v.stored // 2} | {missing} | {v.counted} |"
                f" {len(v.doubled) // 2} |"
            )
        print("\n| copy, readings | local file | InfluxDB | missing there | only there |")
        print("|---|---|---|---|---|")
        for c in result.copies:
            print(f"| {c.tank} | {c.local} | {c.server} | {c.missing} | {c.extra} |")
        print(f"\nStore: {result.faults or 'whole'}; the collector's last exit status: {result.status}.\n")
        for board, v, gone in zip(self._boards, mqtt, forgotten, strict=True):
            for number in gone:
                handed = self._tap.handed[v.tank, number]
                print(
                    f"- {v.tank}, report {number}: handed to the collector {handed} times, never "
                    f"acknowledged by it; {_when(board.acknowledged[number], chaos)}."
                )
        for v in (*mqtt, line):
            if v.doubled:
                print(f"{v.tank}: doubled, first of them: {v.doubled[:6]}", file=sys.stderr)
        print(f"serial: first stored {line.first}, last {line.last} of {line.sent // 2}", file=sys.stderr)
        between = line.last - line.first + 1 - line.stored // 2
        bad = [
            any(result.broken),
            any(v.doubled or v.strange for v in (*mqtt, line)),
            any(c.missing or c.extra for c in result.copies),
            bool(resend) and any(forgotten),
            between != line.counted or line.last < line.sent // 2 - 1,
            bool(result.faults) or result.status != 0,
        ]
        if any(bad):
            print(f"failed: {bad}", file=sys.stderr)
        return not any(bad)


def _when(acknowledged: float, chaos: Chaos) -> str:
    """How near a broker's kill: tells a loss in the broker from one in the collector."""
    kills = [at for at, what in chaos.kills if what == "broker"]
    nearest = min(kills, key=lambda at: abs(at - acknowledged), default=None)
    if nearest is None:
        return "no broker was killed"
    before = (nearest - acknowledged) * 1000
    return f"acknowledged {before:+.0f} ms before the nearest kill of the broker was over"


def main() -> int:
    parser = argparse.ArgumentParser(
        description="Kill everything again and again under load, then look for each reading."
    )
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pause", type=float, nargs=2, default=(0.2, 2.0), help="between events, s")
    parser.add_argument(
        "--resend", type=int, default=0, help="reports a board sends again when it reconnects"
    )
    parser.add_argument("--no-steps", action="store_true", help="leave the collector's clock alone")
    parser.add_argument("--keep", help="folder to leave logs in")
    arguments = parser.parse_args()
    folder = Path(arguments.keep or tempfile.mkdtemp(prefix="soak"))
    folder.mkdir(parents=True, exist_ok=True)
    return 0 if Soak(folder.resolve(), arguments).run() else 1


if __name__ == "__main__":
    sys.exit(main())
