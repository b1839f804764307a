"""Moving fish: answers, the plan against worked mixing, the trend, readiness, following a probe.

Mixing: (V1 T1 + V2 T2) / (V1 + V2), the method of mixtures of any physics text; worked out by hand beside
each figure. Rates: common practice, no source.
"""

from __future__ import annotations

import datetime
import importlib
import itertools
import math
import re
from pathlib import Path

import pytest

from rushlight.analysis.change_over.cold_ahead import after_night, cold_ahead
from rushlight.analysis.change_over.follow import DayFollow, Follow
from rushlight.analysis.change_over.mixing_plan import RATES, Solution, days_plan, drip, portions
from rushlight.analysis.commands.main import main
from rushlight.analysis.views.readiness import readiness
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry

MINUTE, DAY = 60_000, 86_400_000
NOW = 1_770_000_000_000  # 2026-02-02
TOML = """
[tanks.porch]
volume_litres = 100
timezone = "Europe/Helsinki"
[tanks.porch.livestock]
temperature_low_c = 10
temperature_high_c = 26
[tanks.tub]
volume_litres = 80
timezone = "Europe/Helsinki"
[tanks.tub.livestock]
temperature_low_c = 5
temperature_high_c = 25
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "rushlight.toml").write_text(TOML, "utf-8")
    monkeypatch.chdir(tmp_path)
    # whoever keeps the clock by its name keeps the real one, beyond this test
    for user in ("service.requests", "service.alarm_trial", "service.run", "views.two_waters"):
        importlib.import_module(f"rushlight.analysis.{user}")
    monkeypatch.setattr("rushlight.collector.service.listener.system_clock", lambda: NOW)
    rows = []
    for i in range(24 * 90):
        at = NOW - i * 60 * MINUTE
        rows += [
            Reading("porch", "temperature", at, 18.0, 1, i),
            Reading("tub", "temperature", at, 14.5 + 0.25 * i / 24, 1, i),
        ]
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        store.add_readings(rows)
    return tmp_path


def test_pouring_two_waters_together() -> None:
    # 3 L of 12 °C and 1 L of 20 °C: (36 + 20) / 4 = 14 °C; KH (3·4 + 1·12) / 4 = 6; GH (3·2 + 10) / 4 = 4
    mixed = Solution(3, 12, 4, 2).with_(1, Solution(50, 20, 12, 10))
    assert mixed == pytest.approx((4, 14, 6, 4))


def test_the_plan_keeps_to_its_rate_and_ends_close() -> None:
    water, tank = Solution(4, 14, 4.0, 6.0), Solution(100, 18, 9.0, 8.0)
    steps = portions(water, tank, 12)
    # 2 °C an hour is 0.5 °C a quarter: an eighth of 4 °C; 5 KH at 4 an hour is a fifth, so the eighth counts.
    # 4 L become 4 / (7/8) = 4.57 L of 14.5 °C
    assert steps[0].in_litres == pytest.approx(4 / 7) and steps[0].water.celsius == pytest.approx(14.5)
    before, litres = water, 4.0
    for one in steps:
        assert abs(one.water.celsius - before.celsius) <= 0.5 + 1e-9
        assert one.water.kh is not None and before.kh is not None and one.water.kh - before.kh <= 1.0 + 1e-9
        litres = litres - one.out_litres
        assert one.water.litres == pytest.approx(litres + one.in_litres) and one.water.litres <= 12 + 1e-9
        before, litres = one.water, one.water.litres
    assert abs(before.celsius - 18) <= RATES.close_c and abs((before.kh or 0) - 9) <= RATES.close_hardness
    assert any(one.out_litres > 0 for one in portions(water, tank, 5))
    with pytest.raises(ValueError, match="leave room"):
        portions(water, tank, 4)


def test_dripping_against_a_solution_in_small_steps() -> None:
    water, tank = Solution(4, 14), Solution(100, 18)
    found = drip(water, tank)
    assert found is not None and found.litres_per_h == pytest.approx(2.0)  # 2 °C/h · 4 L / 4 °C
    litres, celsius, hours = 4.0, 14.0, 0.0
    while celsius < 17.5:
        celsius += (18 - celsius) * 2.0 * 0.001 / litres
        litres, hours = litres + 0.002, hours + 0.001
    assert found.hours == pytest.approx(hours, rel=0.01) and found.litres == pytest.approx(litres, rel=0.01)
    assert drip(Solution(4, 17.8), tank) is None


def test_more_than_five_degrees_is_a_plan_over_days() -> None:
    first = datetime.date(2026, 2, 2)
    rows = days_plan(Solution(40, 8), Solution(100, 18), (None, None), first)  # 10 °C at 1.5 a day: 7 days
    assert (rows[-1].date, rows[-1].celsius) == (datetime.date(2026, 2, 9), 18) and len(rows) == 7
    assert max(b - a for a, b in itertools.pairwise([8.0, *(row.celsius for row in rows)])) <= 1.5


def test_over_days_hardness_goes_by_dilution_and_ph_needs_its_days() -> None:
    """Each day's share poured out and the tank's water in, worked by dilution beside what is planned."""
    first = datetime.date(2026, 2, 2)
    rows = days_plan(Solution(40, 10, 12, 20), Solution(100, 16, 4, 8), (8.2, 7.0), first)
    assert len(rows) == 4  # 6 °C at 1.5, 12 dGH at 3, 1.2 pH at 0.3
    kh, gh = 12.0, 20.0
    for row in rows[:-1]:
        kh, gh = kh + row.share * (4 - kh), gh + row.share * (8 - gh)
        assert (kh, gh) == (pytest.approx(row.kh), pytest.approx(row.gh))
    assert [row.ph for row in rows] == pytest.approx([7.9, 7.6, 7.3, 7.0])
    for worse, days in (((12, 21), 5), ((18, 20), 5), ((12, 20), 4)):
        assert len(days_plan(Solution(40, 10, *worse), Solution(100, 16, 4, 8), (8.2, 7.0), first)) == days
    assert len(days_plan(Solution(40, 10, 12, 20), Solution(100, 16, 4, 8), (8.6, 7.0), first)) == 6


def test_go_with_a_plan_and_don_t_without(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["move", "porch", "tub", "--species", "goldfish", "--night", "2"]) == 0
    out = capsys.readouterr().out
    assert "\nGO" in out and "add 0.7 L" in out and "drops a second" in out and "vet" in out  # 4 · ⅐ / …
    assert "-0.25 °C a day" in out and "2 °C is below the 5 °C" in out
    assert main(["move", "porch", "tub", "--species", "stickleback", "--temperature-high", "16"]) == 0
    out = capsys.readouterr().out
    assert "\nDON'T" in out and "above the limits" in out and "add " not in out
    assert main(["move", "porch", "tub", "--temperature", "8"]) == 0
    out = capsys.readouterr().out
    assert (
        "GO, but only by a plan over days" in out
        and "not in one day" in out
        and "exchange 14 % (11.2 L)" not in out  # no litres of a tub that is only typed
        and "exchange 14 %" in out
        and "18.0 °C" in out
        and "drops" not in out
    )


def test_what_is_not_known_is_no_go(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    white_cloud = ("--species", "white-cloud")
    for words, said in (
        (["--temperature", "17.5"], "the limits of the animals are not known"),
        (["--temperature", "17.5", "--temperature-low", "12"], "the limits of the animals are not known"),
        ([*white_cloud], "no good temperature of the other water"),
    ):
        assert main(["move", "porch", *words]) == 0
        out = capsys.readouterr().out
        assert "NOT KNOWN: " in out and said in out and "GO" not in out and "add " not in out, words
    assert main(["move", "porch", "--temperature", "17.5", *white_cloud]) == 0
    assert "\nGO" in capsys.readouterr().out
    # typed limits narrow those of the species (14 to 23 °C), and widen none
    for high, answer in (("17", "DON'T"), ("30", "GO")):
        limits = ("--temperature-low", "2", "--temperature-high", high)
        assert main(["move", "porch", "--temperature", "17.5", *white_cloud, *limits]) == 0
        assert f"\n{answer}" in capsys.readouterr().out
    assert main(["move", "porch", "--temperature", "17.5", "--tank-temperature", "13", *white_cloud,
                 "--temperature-low", "2"]) == 0  # fmt: skip
    assert "DON'T" in capsys.readouterr().out
    for option in ("--temperature", "--kh", "--tank-kh", "--night", "--water"):
        assert main(["move", "porch", "--temperature", "17.5", *white_cloud, option, "nan"]) == 2, option
    assert main(["move", "porch", "--temperature", "63.5", *white_cloud]) == 2  # °F, most likely
    assert main(["move", "porch", "--follow"]) == 2
    assert "NOT KNOWN: the limits" in capsys.readouterr().err


def test_a_morning_is_no_day_of_the_trend(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A tub that swings by 8 °C each day and gets no colder; it is 4:40 there now."""
    (home / "rushlight.db").unlink()
    rows = [Reading("porch", "temperature", NOW - 90 * DAY, 18.0, 1, 0)]  # it has run for long
    for i in range(24 * 5 + 9):
        at = NOW - i * 60 * MINUTE
        hour = (at / 3_600_000 + 2) % 24  # in Helsinki
        celsius = 14 - 4 * math.cos((hour - 4) / 12 * math.pi)
        rows += [
            Reading("porch", "temperature", at, 18.0, 1, i),
            Reading("tub", "temperature", at, celsius, 1, i),
        ]
    with EmbeddedStore("rushlight.db") as store:
        store.add_readings(rows)
    assert main(["move", "porch", "tub", "--temperature-low", "13"]) == 0
    assert "below 13 °C likely from Mon 02 Feb" in capsys.readouterr().out  # today, not yesterday
    assert main(["move", "porch", "tub"]) == 0
    assert re.search(r"changes by [+-]0\.00 °C a day", capsys.readouterr().out)


def test_a_plan_over_days_has_the_tanks_own_days(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    late = NOW - NOW % DAY + 22 * 60 * MINUTE + DAY  # it is the next day in Helsinki already
    monkeypatch.setattr("rushlight.collector.service.listener.system_clock", lambda: late)
    assert main(["move", "porch", "tub", "--temperature", "8", "--tank-temperature", "18"]) == 0
    assert "Thu 05 Feb  exchange 14 % (11.4 L): 9.4 °C" in capsys.readouterr().out


def test_what_is_typed_and_said_is_in_the_keepers_units(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """46.4 °F are 8 °C, 35.6 are 2 (NIST SP 811, B.8); 71 ppm are 4 dKH. Differences have no offset."""
    limits = ["--temperature-low", "4 C", "--temperature-high", "26 C"]
    assert main(["move", "porch", "--temperature", "46.4 F", "--kh", "71 ppm", "--night", "2", *limits]) == 0
    metric = capsys.readouterr().out
    assert "8.0 °C" in metric and "not in one day" in metric
    settings = home / "rushlight.toml"
    settings.write_text(settings.read_text("utf-8") + '[display]\nunits = "us"\n', "utf-8")
    typed = ["--temperature", "46.4", "--kh", "71 ppm", "--night", "35.6", *limits]
    assert main(["move", "porch", *typed]) == 0
    out = capsys.readouterr().out
    assert "46.4 °F" in out and "differ by 18.0 °F" in out and "2.7 °F a day" in out and "°C" not in out
    assert len(out.splitlines()) == len(metric.splitlines())
    assert main(["move", "porch", "tub", "--species", "goldfish", "--night", "35.6"]) == 0
    out = capsys.readouterr().out
    assert "-0.45 °F a day" in out and "35.6 °F is below the 41 °F" in out and "°C" not in out
    assert "at most 3.6 °F an hour" in out and "within about 0.4 °F" in out and "within 0.9 °F" in out


def test_what_is_typed_wrong_is_said(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, said in (
        (["attic"], "attic"),
        (["porch", "attic"], "attic"),
        (["porch", "tub", "--species", "dragon"], "animals.toml"),
        (["porch", "tub", "--water", "5", "--container", "5"], "--container"),
        (["porch", "tub", "--temperature-low", "9", "--temperature-high", "8"], "must be below"),
        (["porch", "--temperature", "64"], "did you mean 64 °F (17.8 °C)"),
        (["porch", "--temperature", "cool"], "75 F"),
        (["porch", "--temperature", "18", "--kh", "71"], "did you mean 71 ppm"),
    ):
        assert main(["move", *words]) == 2
        assert said in capsys.readouterr().err
    (home / "animals.toml").write_text("[dragon]\ntitle = 'dragon'\ntemperature_low_c = 9\n", "utf-8")
    assert main(["move", "porch", "tub", "--species", "dragon"]) == 2
    assert "temperature_high_c" in capsys.readouterr().err
    (home / "animals.toml").write_text(
        "[dragon]\ntitle = 'dragon'\ntemperature_low_c = 19\ntemperature_high_c = 30\n", "utf-8"
    )
    assert main(["move", "porch", "tub", "--species", "dragon"]) == 0
    assert "DON'T" in capsys.readouterr().out


def note(day: float, **tests: float) -> LogEntry:
    return LogEntry(tank="porch", time_ms=NOW + round(day * DAY), tests=tests)


def test_a_new_tank_is_ready_by_its_tests() -> None:
    young, old = NOW - 20 * DAY, NOW - 90 * DAY
    clear = [note(-7, ammonia=0, nitrite=0), note(-3, ammonia=0, nitrite=0), note(-1, ammonia=0, nitrite=0)]
    assert readiness([], young, NOW).answer == "wait"
    assert readiness([], old, NOW).answer == "old"
    assert readiness(clear, young, NOW).answer == "ready"
    assert readiness(clear[1:], young, NOW).answer == "wait"
    assert readiness([*clear[:2], note(-1, ammonia=0, nitrite=0.3)], old, NOW).answer == "don't"
    assert readiness([note(-2, nitrite=0.3), *clear[2:]], young, NOW).answer == "wait"
    assert (
        readiness([note(-17, ammonia=0, nitrite=0), note(-9, ammonia=0, nitrite=0)], young, NOW).answer
        == "wait"
    )


def test_a_tank_that_is_not_ready_changes_the_answer(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with EmbeddedStore("rushlight.db") as store:
        store.add_log(note(-1, nitrite=0.5), "me", NOW)
    assert main(["move", "porch", "tub"]) == 0
    assert "DON'T: is porch ready? the last nitrite test showed 0.5 mg/L" in capsys.readouterr().out


def test_hardness_and_oxygen_are_compared(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Water of 14.5 °C holds 10.2 mg/L and of 18 °C 9.5 (Benson & Krause 1984); of 26 °C it is 8.1."""
    asked = ["move", "porch", "tub", "--species", "goldfish", "--gh", "12", "--kh", "8"]
    for gh, seen in (("2.9", True), ("3.1", False), ("26.1", True), ("25.9", False)):
        assert main([*asked, "--tank-gh", gh, "--tank-kh", "5"]) == 0
        out = capsys.readouterr().out
        assert ("\nDON'T" in out and f"GH {gh} of porch is outside" in out) is seen, gh
        assert "KH 8.0, GH 12.0; to porch" in out and "GH 4 to 25" in out
        assert "less than they are used to" not in out
    assert main(["move", "porch", "tub", "--temperature", "12", "--tank-temperature", "18"]) == 0
    assert "1.3 mg/L less than they are used to" in capsys.readouterr().out  # 10.8 and 9.5
    (home / "animals.toml").write_text(
        '[mine]\ntitle = "mine"\ntemperature_low_c = 5\ntemperature_high_c = 25\ngh_low = 9\ngh_high = 9\n'
    )
    assert main(["move", "porch", "tub", "--species", "mine"]) == 2
    assert "gh_low must be below gh_high" in capsys.readouterr().err


def test_when_a_tub_will_be_too_cold() -> None:
    # 10 °C and a quarter less each day, lowest 1 below the mean: 9 - 0.25 n = 5 after 16 days
    days = [
        (datetime.date(2026, 2, 2) - datetime.timedelta(days=n), 9 + 0.25 * n, 10 + 0.25 * n)
        for n in range(9)
    ][::-1]
    found = cold_ahead(days, 5)
    assert found is not None and found.c_per_day == pytest.approx(-0.25)
    assert found.likely == found.earliest == datetime.date(2026, 2, 18)
    rising = cold_ahead([(day, 20 - low, 20 - mean) for day, low, mean in days], 5)
    assert rising is not None and rising.likely is None
    assert cold_ahead(days[:3], 5) is None


def test_a_cold_night_by_newtons_law(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert after_night(14.5, 2.0, 14.0) == pytest.approx(2 + 12.5 * 0.4895, abs=0.001)  # exp(-10/14)
    tau_h = 10 / math.log(12.5 / (8.12 - 2))  # back from 8.12 °C by the morning
    assert after_night(14.5, 2.0, tau_h) == pytest.approx(8.12)
    for low, soon in (("4", False), ("9", True)):
        assert main(["move", "porch", "tub", "--night", "2", "--temperature-low", low]) == 0
        out = capsys.readouterr().out
        found = re.search(r"may go from 14\.5 to ([\d.]+) °C by the morning \(by a usual tank", out)
        assert found is not None and 5.0 < float(found[1]) < 12.0
        assert ("before that night" in out) is soon and ("nights add up" in out) is not soon
    assert main(["move", "porch", "--temperature", "14", "--night", "2", "--temperature-low", "5"]) == 0
    assert "A tub cools towards it by hours" in capsys.readouterr().out


def test_a_probe_in_the_container_is_followed() -> None:
    water, tank = Solution(4, 14), Solution(100, 18)
    plan, said, celsius, litres = Follow(water, tank, 12), [], 14.0, 4.0
    for minute in range(0, 400):
        words = plan.take(minute * MINUTE, celsius)
        if words:
            said.append((minute, words))
            if "add" in words and "nothing" not in words:
                added = float(words.split("add ")[1].split(" L")[0])
                if "pour" in words:
                    litres -= float(words.split("pour ")[1].split(" L")[0])
                celsius += (18 - celsius) * added / (litres + added)
                litres += added
        if plan.done:
            break
    assert plan.done and "Net them over" in said[-1][1] and said[-1][0] > 60
    assert all(b - a >= 15 for (a, _), (b, _) in itertools.pairwise(said[:-1]))
    # a probe that still hangs in the room's air, as warm as the tank, lets no fish go
    hung = Follow(water, tank, 12)
    assert hung.take(0, 18.1) is None and hung.take(MINUTE, 18.0) is None and not hung.done
    assert "now add" in (hung.take(90_000, 14.0) or "") and not hung.done
    left = Follow(water, tank, 12)
    assert [left.take(i * MINUTE, 17.9) for i in range(2)] == [None, None]
    assert "Net them over" in (left.take(2 * MINUTE, 17.9) or "") and left.done
    hasty = Follow(water, tank, 12)
    assert "now add" in (hasty.take(0, 14.0) or "")
    assert "Add nothing" in (hasty.take(5 * MINUTE, 16.5) or "")


def test_hardness_is_followed_by_what_was_poured_in() -> None:
    """As warm as the tank, and 8 degrees harder: an eighth of the mixture at most in a quarter of an hour."""
    soft, hard = Solution(4, 18, 12), Solution(100, 18, 4)
    same = Follow(soft._replace(kh=None), hard, 40)
    assert same.take(0, 18.0) is None and "Net them" in (same.take(3 * MINUTE, 18.0) or "")
    plan, kh, litres = Follow(soft, hard, 40), 12.0, 4.0
    for minute in range(0, 900):
        words = plan.take(minute * MINUTE, 18.0)
        if words and "add" in words:
            share = min(0.5, 4 * 0.25 / (kh - 4))  # 4 degrees an hour
            added = litres * share / (1 - share)
            assert f"add {added:.1f} L" in words
            kh, litres = kh + share * (4 - kh), litres + added
        if plan.done:
            break
    assert plan.done and 4 < kh <= 5


def test_the_way_over_days_is_followed() -> None:
    hour = 60 * MINUTE
    good, hasty = DayFollow(18.0), DayFollow(18.0)
    assert "at the beginning" in (good.take(0, 8.0) or "") and hasty.take(0, 8.0)
    said = [good.take(n * hour, 8.0 + n / 24 * 1.4) for n in range(1, 49)]
    assert sum(one is not None for one in said) == 2 and "not too fast" in (said[23] or "")
    fast = [hasty.take(n * hour, 8.0 + n / 24 * 4) for n in range(1, 49)]
    assert any(one and "Bring the tub" in one and "at most was meant" in one for one in fast)
    assert not good.done
    assert good.take(60 * hour, 13.1) is None or not good.done
    assert "mix the waters" in (good.take(60 * hour + 3 * MINUTE, 13.1) or "") and good.done
