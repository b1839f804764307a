"""The settings' `[store] keep_days`."""

from __future__ import annotations

import pytest

from collector.errors import SettingsError
from collector.settings import parse_settings


def test_days_to_keep_are_given_by_quantity() -> None:
    assert parse_settings("[store]\nkeep_days = { light = 400 }").store.keep_days == {"light": 400}


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("lihgt = 400", r"store\.keep_days\.lihgt: .*did you mean 'light'"),
        ("ph = 0", r"store\.keep_days\.ph: .*1 day"),
    ],
)
def test_a_wrong_one_is_named(line: str, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        parse_settings(f"[store]\nkeep_days = {{ {line} }}")
