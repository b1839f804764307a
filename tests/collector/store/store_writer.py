"""A process that fills a store until it is killed; says each batch's number after its commit.

Run as: store_writer.py PATH FIRST LAST SYNCHRONOUS CHECKPOINT_PAGES
"""

from __future__ import annotations

import os
import sys

import numpy as np  # noqa: F401  (at the start, so that kills don't mostly fall into these imports)
import zstandard  # noqa: F401

from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore

START_MS = 1_772_323_200_000  # 2026-03-01T00:00:00Z
STEP_MS = 180_000
BATCH = 40


def batch(number: int) -> list[Reading]:
    """The readings of a batch, known from its number alone."""
    first = number * BATCH
    return [
        Reading(
            "hallway", "temperature", START_MS + n * STEP_MS, 20 + n % 500 / 100 if n % 97 else None, 1, n
        )
        for n in range(first, first + BATCH)
    ]


def main() -> None:
    path, first, last, synchronous, pages = sys.argv[1:]
    store = EmbeddedStore(path, synchronous=synchronous)  # type: ignore[arg-type]
    store._db.execute(f"PRAGMA wal_autocheckpoint = {int(pages)}")
    for number in range(int(first), int(last)):
        with store.transaction():
            store.add_readings(batch(number))
            saved = store.load_state("writer", "hallway")
            highest = max(number, int(saved[0]) if saved else 0)  # a batch may come again
            store.save_state("writer", "hallway", str(highest).encode(), store.position())
            store.queue_notice(
                occurrence=f"o{number}",
                transition="raised",
                target="0",
                title="t",
                body="b",
                priority="high",
                created_ms=number,
            )
        os.write(1, f"{number}\n".encode())
        if number % 10 == 9:
            store.compact(START_MS + (number + 1) * BATCH * STEP_MS, settle_ms=0)


if __name__ == "__main__":
    main()
