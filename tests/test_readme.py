"""The README says what is so: commands, settings, figures, tables, paths."""

from __future__ import annotations

import configparser
import math
import re
import tomllib
from pathlib import Path

import click
import pytest

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.commands.main import cli
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.notices.channels import split_urls
from rushlight.analysis.physics.numbers import ELECTRODE, WATER
from rushlight.analysis.physics.water import carbon_dioxide_mg_l
from rushlight.analysis.service.systemd_unit import unit_text
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings
from rushlight.simulator.scene import SCENE
from tests.refresh_readme import MOST_LINES, alarm_table, block, excerpt
from tests.settings_reference import EXAMPLES, MEANINGS, keys, settings_table
from tests.trade_rule import trade_rule_mg_l

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text()
DIAGNOSIS = (ROOT / "docs/diagnosis.md").read_text()
PAGES = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    *(f"docs/{p.name}" for p in sorted((ROOT / "docs").glob("*.md"))),
]
FENCES = re.findall(r"^```(\w+)\n(.*?)^```", TEXT, re.DOTALL | re.MULTILINE)


def _fenced(language: str) -> list[str]:
    return [body for kind, body in FENCES if kind == language]


def test_it_begins_with_the_job_in_one_paragraph_and_two_commands() -> None:
    title, paragraph, heading = TEXT.split("\n\n")[:3]
    assert title == "# Rushlight"
    assert len(paragraph) > 300
    assert heading == "## Two commands"
    demo, tests = _fenced("bash")[:2]
    assert demo.strip().endswith("rushlight demo")
    assert tests.strip() == "bash tests/run"
    # CI runs the README's command
    assert 'bash tests/run "$@"' in (ROOT / ".ci/run").read_text()


def test_alarm_table_is_in_step() -> None:
    assert block("alarms") == alarm_table(), "run: python -m tests.refresh_readme"
    assert alarm_table().count("\n") == len(RATIONALE) + 1


def test_every_setting_has_its_line_in_the_reference() -> None:
    assert set(MEANINGS) == set(keys())
    assert block("settings") == settings_table(), "run: python -m tests.refresh_readme"


def _with(key: str, value: str) -> str:
    """The smallest settings of the README with one key more, and what that key can't be without."""
    head, _, name = key.rpartition(".")
    head = head.replace("NAME", "porch")
    lines = {f"{name.replace('QUANTITY', 'light')} = {value}"}
    together = {
        "quiet_from": 'quiet_to = "07:00"', "quiet_to": 'quiet_from = "23:00"',
        "weekend": 'on = "12:00"\noff = "20:00"', "ph_setpoint": 'control = "ph-controller"',
        "password_env": 'username = "me"',
        "tls_certificate": 'tls_key = "key.pem"', "tls_key": 'tls_certificate = "one.pem"',
        "topic": 'tank = "porch"\nquantity = "ph"', "tank": 'topic = "a/b"\nquantity = "ph"',
        "quantity": 'topic = "a/b"\ntank = "porch"', "field": 'topic = "a"\ntank = "porch"\nquantity = "ph"',
        "keep_local_days": 'kind = "influxdb"\nurl = "http://localhost:8086"\nbucket = "tanks"',
    }  # fmt: skip
    lines |= set(together.get(name, "").splitlines())
    pairs = {"on": "off", "off": "on"}
    if name in pairs:
        lines.add(f'{pairs[name]} = "09:00"')
    smallest = _fenced("toml")[0]
    if ".points" in head:
        point = {"ph": "6.88", "mv": "4.1", name: value}
        inner = ", ".join(f"{one} = {given}" for one, given in point.items())
        return f"{smallest}[{head.removesuffix('.points')}]\npoints = [{{ {inner} }}]\n"
    if head.startswith("links.serial"):
        return re.sub(rf'(kind = "serial"\n)(?:{name} = .*\n)?', rf"\1{name} = {value}\n", smallest, count=1)
    if head.startswith("links"):
        table = "[[links.map]]\n" if head.endswith(".map") else ""
        return f'{smallest}[[links]]\nkind = "mqtt"\n{table}' + "\n".join(sorted(lines)) + "\n"
    if f"[{head}]" in smallest:
        plain = re.sub(rf"^{name} = .*\n", "", smallest, flags=re.MULTILINE)
        return plain.replace(f"[{head}]", f"[{head}]\n" + "\n".join(sorted(lines)))
    return f"{smallest}[{head}]\n" + "\n".join(sorted(lines)) + "\n"


@pytest.mark.parametrize("key", sorted(EXAMPLES))
def test_every_example_of_the_reference_can_be_written_so(key: str) -> None:
    assert key in keys()
    for value in EXAMPLES[key].split(", or "):
        parse_settings(_with(key, value))


def test_what_is_free_text_or_a_date_has_an_example() -> None:
    bare = [
        line
        for line in settings_table().splitlines()
        if re.search(r"\| (text|list|a date) \|.*\|  \|$", line)
    ]
    assert bare == []
    assert re.search(r"\| `path` \|.*\| text \| rushlight.db \| `\"/var", settings_table())


def test_demo_output_is_of_this_scene_and_a_good_one() -> None:
    shown = block("demo")
    for chapter in SCENE.chapters:
        if chapter.expected_alarm is not None:
            assert re.search(rf"^{chapter.title} +{chapter.expected_alarm} ", shown, re.MULTILINE)
    assert not re.search("LATE|MISSED|FALSE", shown), "run: python -m tests.refresh_readme"
    assert len(shown.splitlines()) <= MOST_LINES + 3  # the fence and the command


def test_the_excerpt_is_the_first_fault_and_the_table() -> None:
    frame = [f"{'':18}│ {line}".rstrip() for line in ("HIGH: title", "", "Step.", "", "Rest.")]
    notice = ["Sat 02:00  A notice arrives, 5 min after it began:", *frame, " " * 18 + "└──"]
    printed = "\n".join(
        ["Start", "", "Sat 01:00  Spilt", "  A story.", *notice, "", "fault  alarm", "a  b", "End"]
    )
    assert [line.strip() for line in excerpt(printed).splitlines()] == [
        "[…]", "Sat 01:00  Spilt", "A story.", "Sat 02:00  A notice arrives, 5 min after it began:",
        "│ HIGH: title", "│", "│ Step.", "[…]", "", "fault  alarm", "a  b", "End",
    ]  # fmt: skip


def test_it_is_short() -> None:
    assert len(TEXT.splitlines()) <= 250


def test_commands_are_those_of_the_program() -> None:
    section = TEXT[TEXT.index("## Commands") : TEXT.index("## Safety")]
    described = {}
    for entry in re.findall(r"^\| `rushlight ([^`]+)` \|(.*)\|$", section, re.MULTILINE):
        described[entry[0].split()[0]] = " ".join(entry)
    assert set(described) == set(cli.commands)
    for name, words in described.items():
        command = cli.commands[name]
        options = {option for p in command.params if isinstance(p, click.Option) for option in p.opts}
        assert set(re.findall(r"--[a-z-]+", words)) <= options, name


def test_settings_examples_are_valid_alone_and_together() -> None:
    smallest, further, boards = _fenced("toml")
    (server,) = re.findall(
        r"^```toml\n(.*?)^```", (ROOT / "docs/influxdb.md").read_text(), re.DOTALL | re.MULTILINE
    )
    settings = parse_settings(smallest)
    assert list(settings.tanks) == ["porch"]
    whole = parse_settings("\n".join((smallest, further, boards)))
    assert len(whole.links) == 2
    assert set(whole.notices.wake_for) <= set(RATIONALE)
    assert set(tomllib.loads(further)) == {"tanks", "notices"}
    assert parse_settings(smallest + server).store.kind == "influxdb"


def test_notice_variables_are_those_of_the_settings() -> None:
    (exports,) = [body for body in _fenced("bash") if "export" in body]
    names = dict(re.findall(r"export (\w+)='([^']*)'", exports))
    notices = parse_settings(_fenced("toml")[0]).notices
    assert set(names) == {notices.urls_env, notices.heartbeat_url_env}
    assert len(split_urls(names[notices.urls_env])) == 1


def test_the_unit_starts_a_command_of_the_program() -> None:
    (words,) = re.findall(r"^sudo \S*rushlight (service install [^#\n]+)", TEXT, re.MULTILINE)
    group = cli.commands[words.split()[0]]
    assert isinstance(group, click.Group) and words.split()[1] in group.commands
    unit = unit_text(parse_settings(_fenced("toml")[0]), Path("rushlight.toml"), "keeper", Path("/etc/x.env"))
    parser = configparser.ConfigParser()
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(unit)
    command = parser["Service"]["ExecStart"].split()
    assert command[0].endswith("/rushlight") and command[1] in cli.commands


@pytest.mark.parametrize(("celsius", "percent"), [(15.0, 22), (25.0, 9)])
def test_the_trade_rules_bias_is_as_stated(celsius: float, percent: int) -> None:
    """The reference is our own function, which tests/analysis/physics/test_water.py holds to PHREEQC."""
    bias = trade_rule_mg_l(6.8, 4.0) / carbon_dioxide_mg_l(6.8, 4.0, celsius) - 1
    assert round(-100 * bias) == percent
    assert re.search(rf"\b{percent} %( too low)? at {celsius:g} °C", DIAGNOSIS)


def test_the_error_of_co2_is_as_stated() -> None:
    """What the detector judges by where the electrode was calibrated in the last month."""
    settings = parse_settings(
        '[tanks.desk]\nvolume_litres = 60\ntimezone = "UTC"\nwater.carbonate_hardness_dkh = 4.0\n'
        "livestock.temperature_low_c = 18\nlivestock.temperature_high_c = 28\n"
        "ph_calibration.calibrated = 2026-02-20\n"
    )
    watch = TankWatch("desk", settings.tanks["desk"])
    for minute in range(20):
        for quantity, value in (("temperature", 24.0), ("ph", 6.8)):
            at = 1_772_330_400_000 + minute * 60_000  # 2026-03-01
            watch.feed(Reading("desk", quantity, at, value, Flag.PASS))
    shown = watch.of(CarbonDioxideDetector).shown
    assert shown is not None
    gas = shown.gas
    wide = math.exp(2 * gas.error)  # 95 %: two standard errors
    said = (
        f"{gas.mg_l:.0f} mg/L, **probably between {gas.low:.0f} and {gas.high:.0f} (two in three), "
        f"95 % between {gas.mg_l / wide:.0f} and {gas.mg_l * wide:.0f} mg/L**"
    )
    assert said in " ".join(DIAGNOSIS.split())
    assert f"a drop test good to {WATER.kh_error_dkh:g} dKH" in " ".join(DIAGNOSIS.split())
    assert f"an electrode good to {ELECTRODE.calibrated_ph:g} pH" in " ".join(DIAGNOSIS.split())
    assert math.hypot(math.log(10) * 0.05, 0.3 / 4) == pytest.approx(gas.error / 2, rel=0.01)  # "halve that"


@pytest.mark.parametrize("name", PAGES)
def test_files_that_are_named_are_there(name: str) -> None:
    text = (ROOT / name).read_text()
    for target in re.findall(r"\]\((?!https?://)([^)#]+)\)", text):
        assert ((ROOT / name).parent / target).exists(), target
    for path in re.findall(r"`((?:collector|analysis|simulator|tests|docker|bench)/[\w./-]*)`", text):
        made_by_its_reader = path == "docker/data"
        assert made_by_its_reader or (ROOT / path).exists(), path


def test_developers_notes_name_every_package() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    for package in ("collector", "analysis", "simulator", "firmware_notes", "bench", "docker", "tests"):
        assert f"`{package}/`" in text
