"""The soak.

    python -m bench.soak [--kills 200] [--seed 1] [--resend 40] [--sabotage NAME]

Exit status 1 where the collector acknowledged a report that is not stored, a reading is stored twice, the
InfluxDB server has not the same readings as the local file, a loss on the serial line was not counted, an
alarm is missing or was cleared while it stood, or a notice did not reach a target or came again without a
reason. A report that the broker acknowledged to a board and forgot at its own kill is counted apart; with
`--resend` it counts, too.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

from bench.soak.alarms import SURE_MS, audit_notices, cleared_too_soon, compared, replayed, spans, unseen
from bench.soak.audit import as_they_came, audit_board, audit_copy, audit_plain, audit_serial, broken_promises
from bench.soak.chaos import Chaos, SmallDisk
from bench.soak.clock import FastClock
from bench.soak.load import AlarmBoard, Board, BoardWithoutNumbers, SerialBoard
from bench.soak.result import Result, tell
from bench.soak.sabotage import SABOTAGES
from bench.soak.tap import Tap
from bench.soak.targets import Target
from bench.soak.world import HERE, BrokerProcess, InfluxProcess, RushlightProcess, build_preload
from rushlight.analysis.notices.channels import target_name
from rushlight.collector.influx.reader import InfluxReadings
from rushlight.collector.influx.state import drain_report
from rushlight.collector.settings import StoreSettings, load_settings
from rushlight.collector.store.embedded import EmbeddedStore

# name, whether its reports have numbers, whether they have times
BOARDS = (("porch", True, True), ("shed", True, False))
SERIAL, PLAIN, ALARMS = "attic", "cellar", "loft"
TANKS = (*(name for name, *_ in BOARDS), SERIAL, PLAIN, ALARMS)
BUCKET = "soak"
RATE = 60  # the clock's pace: five minutes hold five hours of alarms and reminders
_ALARM_RATE = 30  # below it nobody waits for the tank to grow warm
_RESEND_RATE = 10  # up to here reports that are sent again come closer together than a board's own
_HOUR_MS = 3_600_000


def _settings(port: int, tty: str, influx: str) -> str:
    text = f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\n'
    text += BoardWithoutNumbers.settings(PLAIN)
    text += f'[[links]]\nkind = "serial"\nport = "{tty}"\n[status_page]\nenabled = false\n'
    text += f'[store]\nkind = "influxdb"\nurl = "{influx}"\norg = "soak"\nbucket = "{BUCKET}"\n'
    text += "[notices]\npicture = false\n"
    for tank in TANKS:
        low, high = (18, AlarmBoard.LIMIT_C) if tank == ALARMS else (8, 40)
        # a start takes minutes of this clock: no board is silent for that
        text += f'[tanks.{tank}]\nvolume_litres = 54\ntimezone = "Europe/Lisbon"\nreport_every_s = 1800\n'
        text += f"[tanks.{tank}.livestock]\ntemperature_low_c = {low}\ntemperature_high_c = {high}\n"
    return text


def _yesterday_morning() -> int:
    """ms UTC; so that a run does not come near midnight, when a day is packed."""
    return time.time_ns() // 1_000_000 // (24 * _HOUR_MS) * 24 * _HOUR_MS - 18 * _HOUR_MS


def _newest(path: Path) -> int:
    """The highest number of the serial board's reports that is stored."""
    with EmbeddedStore(path, read_only=True) as store:
        return int(max((r.value or 0 for r in store.readings(SERIAL, "light")), default=-1))


def _until_read(path: Path, chaos: Chaos, number: int, seconds: float = 120) -> None:
    """Until a report of the serial board from `number` on is stored."""
    end = time.monotonic() + seconds
    while time.monotonic() < end and _newest(path) < number:
        chaos.look()
        time.sleep(0.5)


def _settle(
    path: Path, chaos: Chaos, boards: list[Board], influx: StoreSettings, seconds: float = 180
) -> None:
    """Until all is acknowledged, nothing more comes into the store, and the server has it all."""
    end, before, still = time.monotonic() + seconds, -1, 0
    while time.monotonic() < end and still < 8:
        chaos.look()
        time.sleep(0.5)
        with EmbeddedStore(path, read_only=True) as store:
            position, copied = store.position(), drain_report(store, influx)
        assert copied is not None
        behind = copied.waiting or copied.copying_from_ms is not None or copied.away_since_ms is not None
        quiet = position == before and not behind and not any(board.waiting() for board in boards)
        still, before = still + 1 if quiet else 0, position


def _wait_for_notices(path: Path, chaos: Chaos, seconds: float = 60) -> None:
    """Until no first notice of an alarm waits any more."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        chaos.look()
        with EmbeddedStore(path, read_only=True) as store:
            if not any(n.transition == "raised" and not n.number for n in store.pending_notices()):
                return
        time.sleep(0.2)


class Soak:
    """The programs, what is done to them, and the audit; `arguments` as on the command line."""

    def __init__(self, folder: Path, arguments: argparse.Namespace) -> None:
        self._arguments = arguments
        for name in ("broker", "data", "influx"):
            (folder / name).mkdir()
        self._clock = FastClock(folder / "clock", _yesterday_morning(), arguments.rate)
        library = build_preload(HERE / "clockstep.c", folder)
        self._disk = SmallDisk(folder / "data") if os.geteuid() == 0 else None
        self._broker = BrokerProcess(folder / "broker")
        self._broker.start()
        self._tap = Tap(self._broker.port)
        self._influx = InfluxProcess(folder / "influx")
        self._influx.start_first(BUCKET)
        self._server = StoreSettings(kind="influxdb", url=self._influx.url, org="soak", bucket=BUCKET)
        self._targets = [Target(), Target()]
        now, port = self._clock.now_ms, self._broker.port
        self._serial = SerialBoard(SERIAL, 0.05, now)
        self._service = RushlightProcess(
            folder / "data",
            _settings(self._tap.port, self._serial.port, self._influx.url),
            arguments.sabotage,
            LD_PRELOAD=str(library),
            CLOCKSTEP_FILE=str(folder / "clock"),
            RUSHLIGHT_NOTICE_URLS=" ".join(target.url for target in self._targets),
        )
        self._service.log = folder / "rushlight.log"
        # without a time, only the pace tells a new boot from what is sent again
        again = arguments.resend
        untimed = again if arguments.rate <= _RESEND_RATE else 0
        self._boards = [
            Board(name, port, 0.04, seq, timed, again if timed else untimed, now)
            for name, seq, timed in BOARDS
        ]
        self._plain = BoardWithoutNumbers(PLAIN, port, 0.15, now)
        self._loft = AlarmBoard(ALARMS, port, 0.1, again, now)
        self._all = [*self._boards, self._plain, self._loft]
        steps = not arguments.no_steps
        programs = (self._broker, self._service, self._influx)
        self._chaos = Chaos(arguments.seed, *programs, self._clock, steps, self._disk, self._targets)

    def run(self) -> bool:
        """Do it all; True where nothing is wrong."""
        try:
            result = self._run()
        finally:
            self._service.kill()
            self._broker.kill()
            self._influx.close()
            self._tap.close()
            for board in self._all:
                board.close()
            self._serial.close()
            for target in self._targets:
                target.close()
            if self._disk is not None:
                self._disk.close()
        return tell(self._arguments, self._chaos, self._tap, self._boards, result)

    def _run(self) -> Result:
        began = time.monotonic()
        service, serial = self._service, self._serial
        service.start()
        while not service.store.exists() or "connected, MQTT" not in service.log.read_text():
            time.sleep(0.1)
        for board in self._all:
            board.start()
        serial.start()
        _until_read(service.store, self._chaos, 0)  # losses are counted from the first report that is there
        self._chaos.run(self._arguments.kills, tuple(self._arguments.pause))
        self._clock.step(0)
        if not service.is_running():
            service.start()
        calm_ms = self._calm()
        for board in self._all:
            board.stop_sending()
        ended_ms = self._clock.now_ms()
        # the serial line goes on until the collector reads it again: a last gap must show
        _until_read(service.store, self._chaos, serial.sent)
        serial.stop_sending()
        _settle(service.store, self._chaos, self._all, self._server)
        _wait_for_notices(service.store, self._chaos)
        status = service.stop()
        return self._audit(status, time.monotonic() - began, calm_ms, ended_ms)

    def _calm(self) -> int:
        """The tank grows warm once more while little is done; from when on that is asked about, ms.

        One target refuses at first, and the collector is killed once while the alarm stands: whatever the
        random part met, each safety of alarms and notices is needed once.
        """
        calm_ms = self._clock.now_ms()
        if self._arguments.rate < _ALARM_RATE:
            return calm_ms
        asked_ms = calm_ms + 250 * AlarmBoard.PERIOD_S  # a quarter of a period
        (start, _), *_ = self._loft.warm(asked_ms, asked_ms + 2000 * AlarmBoard.PERIOD_S)
        self._targets[0].mood = "refusing"
        self._until(start + SURE_MS)
        self._targets[0].mood = "well"
        self._until(start + SURE_MS + 60_000)
        self._chaos.kill_collector()
        self._service.start()
        self._until(start + AlarmBoard.HOLD_S * 1000)
        return asked_ms

    def _until(self, time_ms: int) -> None:
        while self._clock.now_ms() < time_ms:
            self._chaos.look()
            time.sleep(0.1)

    def _audit(self, status: int | None, seconds: float, calm_ms: int, ended_ms: int) -> Result:
        path, loft = self._service.store, self._loft
        with EmbeddedStore(path, read_only=True) as store:
            faults = store.check()
            events = as_they_came(path)
            rows = {event.occurrence: store.notices(event.occurrence) for event in events}
        with InfluxReadings(self._server) as server:
            copies = [audit_copy(path, server, tank) for tank in TANKS]
        settings = load_settings(self._service.folder / "rushlight.toml")
        mine = [event for event in events if event.tank == loft.tank]
        disturbed = [at for at, what in self._chaos.kills if what == "collector"] + self._chaos.full
        return Result(
            [audit_board(path, board) for board in self._boards],
            audit_serial(path, self._serial),
            audit_board(path, self._plain),
            audit_plain(path, self._plain, self._tap),
            audit_board(path, self._loft),
            {board.tank: broken_promises(path, board, self._tap) for board in self._all},
            copies,
            compared(mine, replayed(path, settings, loft.tank)) if self._arguments.no_steps else None,
            unseen(mine, loft.warm(calm_ms, ended_ms), ended_ms),
            spans(mine)[1] + cleared_too_soon(mine, loft.warm(0, ended_ms), self._clock),
            audit_notices(
                [event for event in events if event.event == "raised"],
                rows,
                {target_name(target.url): target.got for target in self._targets},
                disturbed,
            ),
            faults,
            status,
            self._service.ended,
            seconds,
        )


def main() -> int:
    parser = argparse.ArgumentParser(
        description="Kill everything again and again, then look for each reading, alarm and notice."
    )
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pause", type=float, nargs=2, default=(0.2, 2.0), help="between events, s")
    parser.add_argument(
        "--resend", type=int, default=0, help="reports a board sends again when it reconnects"
    )
    parser.add_argument("--rate", type=int, default=RATE, help="the clock's seconds in one of the machine's")
    parser.add_argument("--no-steps", action="store_true", help="leave the collector's clock alone")
    parser.add_argument("--sabotage", choices=sorted(SABOTAGES), help="take a safety out: it must fail")
    parser.add_argument("--keep", help="folder to leave logs in")
    arguments = parser.parse_args()
    folder = Path(arguments.keep or tempfile.mkdtemp(prefix="soak"))
    folder.mkdir(parents=True, exist_ok=True)
    return 0 if Soak(folder.resolve(), arguments).run() else 1


if __name__ == "__main__":
    sys.exit(main())
