"""Power cuts for the running collector, made up from a record of what it wrote and synced.

    python -m bench.soak.power [--cuts 200] [--seed 1] [--sabotage sync-off]

`rushlight run` takes reports from a real broker while a preloaded library records, in order, its writes
to the store and its log, its syncs, and what it sends to the broker. A cut at a random moment leaves
what was synced; of what was written since, each 512-byte sector is there or not. The store that is left
is opened: every report whose acknowledgement had been sent must be in it once. Exit status 1 where one
is not.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from bench.soak.load import Board, number_of
from bench.soak.sabotage import SABOTAGES
from bench.soak.world import ROOT, BrokerProcess, RushlightProcess, build_preload
from rushlight.collector.errors import StoreError
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.store.powercut import SYNC, Operation, left_by_a_cut, read_operations

TANK = """[status_page]
enabled = false
[tanks.porch]
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.porch.livestock]
temperature_low_c = 8
temperature_high_c = 40
"""
_CONNECT, _PUBACK = 1, 4  # MQTT control packet types (OASIS MQTT 5.0, table 2-1)


def record(folder: Path, seconds: float, sabotage: str | None = None) -> list[Operation]:
    """All that a collector did to its files and said to the broker until it was killed."""
    library = build_preload(ROOT / "tests/collector/store/powercut.c", folder)
    log = folder / "operations"
    (folder / "broker").mkdir()
    broker = BrokerProcess(folder / "broker")
    broker.start()
    settings = f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {broker.port}\n{TANK}'
    service = RushlightProcess(
        folder, settings, sabotage, LD_PRELOAD=str(library), POWERCUT_LOG=str(log), POWERCUT_SENT="1"
    )
    service.start()
    board = Board("porch", broker.port, 0.01, True, True)
    try:
        while "connected, MQTT" not in service.log.read_text():
            time.sleep(0.1)
        board.start()
        time.sleep(seconds)
        service.kill()
        board.stop_sending()
    finally:
        service.kill()
        board.close()
        broker.kill()
    return read_operations(log)


def acknowledgements(operations: list[Operation]) -> list[int]:
    """How many reports were acknowledged up to each operation, itself included."""
    streams: dict[int, bytearray] = {}
    count, counts = 0, []
    for operation in operations:
        if operation.file == 3:
            if operation.data[0] >> 4 == _CONNECT:
                streams[operation.offset] = bytearray()
            stream = streams.get(operation.offset)
            if stream is not None:
                stream += operation.data
                while (size := _packet(stream)) is not None:
                    count += stream[0] >> 4 == _PUBACK
                    del stream[:size]
        counts.append(count)
    return counts


def _packet(stream: bytearray) -> int | None:
    """Length of the first whole packet, None where there is none yet."""
    length, shift, at = 0, 0, 1
    while at < len(stream):
        length |= (stream[at] & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if not stream[at - 1] & 0x80:
            return at + length if at + length <= len(stream) else None
    return None


def fault(path: Path, acknowledged: int) -> str:
    """Empty, or what is wrong with the store that is left."""
    try:
        with EmbeddedStore(path) as store:
            if faults := store.check():
                return f"damaged: {faults[0]}"
            for quantity in ("temperature", "light"):
                found = [number_of(quantity, r.value) for r in store.readings("porch", quantity)]
                if found != list(range(len(found))):
                    return f"{quantity}: not each report once, in order"
                if len(found) < acknowledged:
                    return f"{quantity}: {acknowledged} acknowledged, {len(found)} there"
    except StoreError as error:
        return str(error)
    return ""


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--cuts", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=15)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sabotage", choices=sorted(SABOTAGES), help="take a safety out: it must fail")
    arguments = parser.parse_args()
    chance = random.Random(arguments.seed)
    with tempfile.TemporaryDirectory(prefix="soak") as name:
        folder = Path(name)
        operations = record(folder, arguments.seconds, arguments.sabotage)
        counts = acknowledgements(operations)
        first = next((n for n, count in enumerate(counts) if count), None)
        if first is None:
            sys.exit("bench.soak.power: nothing was acknowledged, so there is nothing to lose")
        faults, lost_if_all = [], 0
        for number in range(arguments.cuts):
            end = chance.randrange(first, len(operations)) + 1
            images = left_by_a_cut(operations[:end], chance)
            path = folder / f"cut{number}.db"
            path.write_bytes(images[0])
            Path(f"{path}-wal").write_bytes(images[1])
            lost_if_all += counts[end - 1]
            if found := fault(path, counts[end - 1]):
                faults.append(f"cut {number}: {found}")
            for left in folder.glob(f"cut{number}.db*"):
                left.unlink()
    syncs = sum(operation.kind == SYNC for operation in operations)
    print("| power cuts | operations | syncs | acknowledged in all | looked for, all cuts | faults |")
    print("|---|---|---|---|---|---|")
    print(
        f"| {arguments.cuts} | {len(operations)} | {syncs} | {counts[-1]} | {lost_if_all} | {len(faults)} |"
    )
    print("\n".join(faults[:10]), file=sys.stderr)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
