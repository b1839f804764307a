"""collector/settings/__init__.py: each slip is named by its key, with what to do."""

from __future__ import annotations

import pytest

from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import parse_settings

TANK = """
[tanks.porch]
volume_litres = 60
timezone = "Europe/Helsinki"
[tanks.porch.livestock]
temperature_low_c = 20
temperature_high_c = 26
"""
SERIAL = '[[links]]\nkind = "serial"\nport = "/dev/ttyUSB0"\n'
MQTT = '[[links]]\nkind = "mqtt"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[[links]]\nkind = "serail"', "links[1].kind: invalid value 'serail'; write 'serial' or 'mqtt'"),
        ('[[links]]\nport = "x"', "links[1].kind: missing"),
        (MQTT + "prot = 1", "links[1].prot: unknown key; did you mean 'port'?"),
        (SERIAL + MQTT + "prot = 1", "links[2].prot: unknown key; did you mean 'port'?"),
        (MQTT + 'protocol = "4"', "links[1].protocol: invalid value '4'; write '5' or '3.1.1'"),
        (MQTT + "port = 1.5", "links[1].port: must be a whole number, not a decimal"),
        (
            MQTT + "map = 3",
            "links[1].map: must be an array of tables, as in [[links.map]], not a whole number",
        ),
        (MQTT + '[[links.map]]\ntopic = "t"\ntank = "x"\nquantity = "ph"\nfeild = "v"', "mean 'field'?"),
        (MQTT + '[[links.map]]\ntopic = "t"\ntank = "x"\nquantity = "ph"\nunit = "R"', "write 'Cel' or 'K'"),
        (MQTT + '[[links.map]]\ntopic = "t"\nquantity = "ph"', "links[1].map[1].tank: missing"),
        (
            SERIAL + SERIAL.replace('"/dev/ttyUSB0"', "7"),
            "links[2].port: must be text in quotes, not a whole",
        ),
        ("links = 3", "links: must be an array of tables"),
        ("[tanks]\nporch = 3", "tanks.porch: must be a table, not a whole number"),
        (TANK.replace("60", '"60"'), "tanks.porch.volume_litres: must be a number, not text in quotes"),
        (
            TANK + "[tanks.porch.heater]\nsetpont_c = 23",
            "heater.setpont_c: unknown key; did you mean 'setpoint_c'?",
        ),
        (
            TANK + '[tanks.porch.co2]\nsource = "pump"',
            "co2.source: invalid value 'pump'; write 'cylinder'",
        ),
        (TANK + '[tanks.porch.light]\non = "25:00"\noff = "1:00"', "light.on: '25:00' is not a time of day"),
        (TANK + "[tanks.porch.heater]\nsetpoint_c = 75.2", "did you mean 75.2 °F (24.0 °C)?"),
        (
            TANK + "[tanks.porch.water]\ncarbonate_hardness_dkh = 71.4",
            "did you mean 71.4 ppm as CaCO3 (4.0 dKH)?",
        ),
        ("[notices]\nresend_min = nan", "notices.resend_min: must be a finite number"),
        ("[notices]\nresend_min = 1e15", "notices.resend_min: must be from 1 to 1440 minutes"),
        ("[notices]\nresend_min = 0.00001", "notices.resend_min: must be from 1 to 1440 minutes"),
        ("[notices]\nheartbeat_min = 0.5", "notices.heartbeat_min: must be from 1 to 1440 minutes"),
        ("[notices]\nheartbeat_min = 1441", "notices.heartbeat_min: must be from 1 to 1440 minutes"),
        ("[status_page]\nport = -1", "status_page.port: must be from 0 to 65535"),
        ("[status_page]\nport = 65536", "status_page.port: must be from 0 to 65535"),
        (SERIAL + MQTT + "port = 0", "links[2].port: must be from 1 to 65535"),
        (MQTT + "port = 65536", "links[1].port: must be from 1 to 65535"),
        (
            "[store]\nkeep_days = { ph = 36526 }",
            "store.keep_days.ph: must be from 1 to 36525 days, not 36526",
        ),
        ("[notices]\npicture_wait_s = -1", "notices.picture_wait_s: must be from 0 to 300 seconds"),
        (TANK.replace("26", "inf"), "tanks.porch.livestock.temperature_high_c: must be a finite number"),
        ("x = = 3", "not valid TOML"),
    ],
)
def test_a_slip_is_named_with_what_to_do(text: str, message: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, "mine.toml")
    assert message in str(caught.value)
    assert all(line.startswith("mine.toml: ") for line in str(caught.value).splitlines())


def test_one_slip_does_not_hide_another() -> None:
    text = MQTT + "prot = 1\n" + TANK.replace("Helsinki", "Nowhere") + "[tanks.porch.heatr]\nwatts = 5"
    with pytest.raises(SettingsError) as caught:
        parse_settings(text)
    assert "links[1].prot" in str(caught.value) and "tanks.porch.heatr" in str(caught.value)


def test_whole_numbers_are_taken_where_decimals_are_meant() -> None:
    settings = parse_settings(SERIAL + TANK)
    assert settings.tanks["porch"].volume_litres == 60.0
    assert settings.tanks["porch"].livestock.co2_limit_mg_l == 30.0


@pytest.mark.parametrize(
    "name", ["http://tank.local", "tank.local:8742", "*", "", "a b", "tank.local/x", "-a"]
)
def test_a_name_of_the_page_is_a_name(name: str) -> None:
    with pytest.raises(SettingsError, match=r"status_page.hosts\[2\]: .* is no name of a machine"):
        parse_settings(f'[status_page]\nhosts = ["tank.local", "{name}"]')
    assert parse_settings('[status_page]\nhosts = ["tank.local", "192.0.2.7", "fd00::1"]').status_page.hosts
