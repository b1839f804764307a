"""What the tests of the notes share: compiled programs."""

from __future__ import annotations

import pytest

from tests.firmware_notes.avr import Workshop


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    """Compiles for the AVR; the run fails where a compiler or simavr is missing."""
    return Workshop(tmp_path_factory.mktemp("avr"))
