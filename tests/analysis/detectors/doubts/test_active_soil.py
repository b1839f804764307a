"""Over active soil a hardness test is true of its day only: the days after it make no setting doubtful."""

from __future__ import annotations

from rushlight.analysis.detectors.doubts.hardness import GasDays
from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.moment import GasFacts, Moment, Tank
from rushlight.collector.settings import parse_settings

SETTINGS = """
[tanks.shelf]
volume_litres = 60
timezone = "UTC"
[tanks.shelf.water]
carbonate_hardness_dkh = 8.0
active_soil = {soil}
[tanks.shelf.livestock]
temperature_low_c = 18.0
temperature_high_c = 30.0
[tanks.shelf.co2]
"""


def doubted(soil: str) -> bool:
    """Whether the KH is doubted after five days at a pH that 8 dKH would make deadly."""
    tank = Tank("shelf", parse_settings(SETTINGS.format(soil=soil)).tanks["shelf"])
    days = GasDays()
    for block in range(5 * 288):
        start, day, minute = block * 300_000, block // 288, block % 288 * 5.0
        ph = 6.3 if 600 <= minute < 1200 else 7.2
        moment = Moment(
            Frame(start, start + 60_000, 24.0, None, ph, None, None, {}), day, minute, True, set()
        )
        moment.gas = GasFacts(ph=ph)
        days.update(tank, moment)
    return days.found is not None


def test_soil_takes_up_hardness_and_the_setting_is_not_doubted_for_it() -> None:
    assert not doubted("true")
    assert doubted("false")  # the same days, where nothing takes it up
