"""Worlds that end with their test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.whole.tanks import Board
from tests.whole.world import Config, Make, World


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    made: list[World] = []

    def one(config: Config | None = None, boards: list[Board] | None = None) -> World:
        made.append(World(tmp_path, config, boards))
        return made[-1]

    yield one
    for world in made:
        world.close()
