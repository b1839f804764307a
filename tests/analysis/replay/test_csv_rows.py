"""Recorded readings: bad rows, broken clocks, several files. Every complaint names its file and line."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rushlight.analysis.replay.columns import Columns
from rushlight.analysis.replay.csv_rows import RecordedRow, read_parts, read_rows, sound_times
from rushlight.collector.errors import ReplayError

HEADER = "time,tank,quantity,value\n"
BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
IN_2038 = 2_147_483_647_000  # 2038-01-19T03:14:07Z, the last second of a signed 32-bit clock

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def made(body: str | bytes, name: str = "readings.csv", header: str = HEADER) -> Path:
        path = tmp_path / name
        path.write_bytes(header.encode() + (body.encode() if isinstance(body, str) else body))
        return path

    return made


def read(*paths: Path) -> tuple[list[RecordedRow], list[str]]:
    complaints: list[str] = []
    return list(read_rows(paths, complaints.append)), complaints


def text(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat().replace("+00:00", "Z")


def sound(times: list[int], rows_each: int = 1) -> tuple[list[RecordedRow], list[str]]:
    """Through `sound_times`: a report of `rows_each` rows at each time; the value is the report's number."""
    complaints: list[str] = []
    rows: list[RecordedRow] = [
        (time_ms, "hallway", quantity, float(number), False)
        for number, time_ms in enumerate(times)
        for quantity in ("temperature", "ph", "light")[:rows_each]
    ]
    return list(sound_times(iter(rows), complaints.append)), complaints


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-03-01T02:00:00Z",
        "2026-03-01t02:00:00z",
        "2026-03-01 02:00:00Z",
        "2026-03-01T02:00:00.000Z",
        "2026-03-01T02:00:00+00:00",
        "2026-03-01T03:00:00+01:00",
        "2026-02-28T21:00:00-05:00",
        "2026-03-01T07:45:00.0+05:45",
    ],
)
def test_times_of_rfc_3339(write: Write, stamp: str) -> None:
    """RFC 3339 section 5.6: offsets, fractions, lower case and a space are all one moment."""
    rows, complaints = read(write(f"{stamp},hallway,ph,6.9\n"))
    assert rows == [(BEGAN, "hallway", "ph", 6.9, False)] and complaints == []


SHAPES = [
    "2026-03-01T02:00:{:02d}Z",
    "2026-03-01T02:01:{:02d}Z",
    "20260301T020000.0{:02d}Z",  # as long as the first, and its last digits are no seconds
    "2026-W09-7T02:00:{:02d}Z",  # RFC 3339 has no weeks, but they are read
    "2026-03-01T02:00:{:02d}+01:00",
    "2026-03-01T02:{:02d}Z",
]


@given(st.lists(st.tuples(st.sampled_from(SHAPES), st.integers(0, 59)), max_size=12))
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_time_is_read_the_same_whatever_was_before_it(write: Write, shapes: list[tuple[str, int]]) -> None:
    texts = [shape.format(number) for shape, number in shapes]
    rows, complaints = read(write("".join(f"{one},hallway,ph,7.0\n" for one in texts)))
    alone = [round(datetime.fromisoformat(one).timestamp() * 1000) for one in texts]
    assert ([row[0] for row in rows], complaints) == (alone, [])


def test_fractions_of_a_second_are_kept_to_the_millisecond(write: Write) -> None:
    rows, _ = read(write("2026-03-01T02:00:00.123456Z,hallway,ph,6.9\n"))
    assert rows[0][0] == BEGAN + 123


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("2026-03-01T02:00:30Z,hallway,ph", "3 fields where 4 are wanted"),
        ("2026-03-01T02:00:30Z,hallway,ph,6,9", "5 fields where 4 are wanted"),
        ("2026-03-01T02:00:30Z,hallway,ph,acid", "is no number"),
        ("2026-03-01T02:00:30Z,hallway,ph,nan", "nan is no number"),
        ("2026-03-01T02:00:30Z,hallway,ph,-inf", "-inf is no number"),
        ("2026-03-01T02:00:30Z,hallway,ph,1e999", "1e999 is no number"),
        ("2026-03-01T02:00:30,hallway,ph,6.9", "no offset from UTC"),
        ("yesterday,hallway,ph,6.9", "yesterday"),
        ("2026-02-30T02:00:30Z,hallway,ph,6.9", "day is out of range"),
        (",hallway,ph,6.9", "''"),
        ("x" * 150_000 + ",hallway,ph,6.9", "field larger than field limit"),
    ],
)
def test_a_bad_row_is_named_with_its_line_and_the_rest_counts(write: Write, row: str, why: str) -> None:
    path = write(f"2026-03-01T02:00:00Z,hallway,ph,6.8\n{row}\n2026-03-01T02:01:00Z,hallway,ph,7.0\n")
    rows, complaints = read(path)
    assert [value for _, _, _, value, _ in rows] == [6.8, 7.0]
    (complaint,) = complaints
    assert complaint.startswith(f"{path}, line 3: ") and why in complaint and "left out" in complaint


def test_an_empty_value_is_a_fault_of_the_probe_and_an_empty_line_nothing(write: Write) -> None:
    rows, complaints = read(write(f"{text(BEGAN)},hallway,ph,\n\n{text(BEGAN)},hallway,light,0\r\n"))
    assert [row[3] for row in rows] == [None, 0.0] and complaints == []


def test_a_torn_write_costs_its_own_row_only(write: Write) -> None:
    """What a power cut leaves in a file: runs of NUL, half a row, bytes that are no UTF-8."""
    good = [f"{text(BEGAN + n * MINUTE)},hallway,ph,{n}\n".encode() for n in range(4)]
    rows, complaints = read(
        write(
            good[0] + b"\0" * 512 + good[1] + b"2026-03-01T02:0\n" + good[2] + b"\xff\xfe,\x80,\n" + good[3]
        )
    )
    assert [row[3] for row in rows] == [0.0, 1.0, 2.0, 3.0]
    assert {row[1] for row in rows} == {"hallway"}
    assert len(complaints) == 2 and "line 4" in complaints[0] and "line 6" in complaints[1]


def test_many_bad_rows_are_summed_up(write: Write) -> None:
    rows, complaints = read(write("noon,hallway,ph,7\n" * 500 + f"{text(BEGAN)},hallway,ph,7\n"))
    assert len(rows) == 1 and len(complaints) == 21
    assert complaints[-1].endswith("500 rows were left out in all")


@pytest.mark.parametrize("header", ["", "time,tank,value\n", "2026-03-01T02:00:00Z,hallway,ph,7\n"])
def test_another_header_is_an_error(write: Write, header: str) -> None:
    path = write("", header=header)
    with pytest.raises(ReplayError, match="line 1: the header must be 'time,tank,quantity,value'") as caught:
        read(path)
    assert str(path) in str(caught.value)


def test_a_missing_file_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ReplayError, match=r"nowhere\.csv: can't be opened .*; check the name"):
        read(tmp_path / "nowhere.csv")


def test_a_byte_order_mark_is_no_part_of_the_header(write: Write) -> None:
    rows, _ = read(write(f"{text(BEGAN)},hallway,ph,7\n", header="\ufeff" + HEADER))
    assert len(rows) == 1


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(st.binary(max_size=300) | st.text(alphabet='0123456789-:TZ,.\n\r"hp\0', max_size=300).map(str.encode))
def test_no_bytes_break_it(write: Write, junk: bytes) -> None:
    """What can't be read is reported; the good row before it is there whatever follows."""
    rows, complaints = read(write(f"{text(BEGAN)},hallway,ph,7\n".encode() + junk))
    assert rows[0] == (BEGAN, "hallway", "ph", 7.0, False)
    assert all(
        "readings.csv" in complaint or "taken as just arrived" in complaint for complaint in complaints
    )


def test_several_files_are_merged_by_time(write: Write) -> None:
    even = write("".join(f"{text(BEGAN + n * MINUTE)},hallway,ph,{n}\n" for n in range(0, 20, 2)), "even.csv")
    odd = write("".join(f"{text(BEGAN + n * MINUTE)},shed,ph,{n}\n" for n in range(1, 20, 2)), "odd.csv")
    rows, complaints = read(odd, even)
    assert [row[3] for row in rows] == list(range(20)) and complaints == []
    broken = write("noon,shed,ph,7\n", "broken.csv")
    assert read(odd, broken)[1][0].startswith(f"{broken}, line 2: ")


def test_progress_counts_every_good_row(write: Write) -> None:
    path = write(f"{text(BEGAN)},hallway,ph,7\n" * 45_000 + "noon,hallway,ph,7\n")
    steps: list[int] = []
    for _ in read_rows([path], lambda _: None, steps.append):
        pass
    assert sum(steps) == 45_000 and len(steps) == 3


# -- times that can't be --------------------------------------------------------------------------------


@pytest.mark.parametrize("rows_each", [1, 2, 3])
def test_a_single_stamp_in_2038_is_taken_as_just_arrived(rows_each: int) -> None:
    """One report with a broken clock, a row for each of its probes."""
    rows, complaints = sound([BEGAN, BEGAN + MINUTE, IN_2038, BEGAN + 3 * MINUTE], rows_each)
    times = [row[0] - BEGAN for row in rows]
    assert times == [t * MINUTE for t in (0, 1, 1, 3) for _ in range(rows_each)]
    assert [row[4] for row in rows] == [number == 2 for number in range(4) for _ in range(rows_each)]
    assert [row[3] for row in rows] == [float(n) for n in range(4) for _ in range(rows_each)]
    assert len(complaints) == 1 and "days ahead of its neighbours" in complaints[0]


@pytest.mark.parametrize("rows_each", [1, 3])
def test_a_clock_that_was_never_set_is_taken_as_just_arrived(rows_each: int) -> None:
    rows, complaints = sound([BEGAN, 5_000, BEGAN + MINUTE], rows_each)
    assert [row[0] - BEGAN for row in rows] == [t for t in (0, 0, MINUTE) for _ in range(rows_each)]
    assert complaints and "a time of 1970, as a clock that was never set" in complaints[0]


@pytest.mark.parametrize("year", [1971, 1988, 1999, 2012, 2019, 2150])
def test_readings_of_any_year_are_taken_as_they_are(year: int) -> None:
    """Old records too; a board's stamp of 1970 or 2000-01-01 among them is still taken as just arrived."""
    began = int(datetime(year, 3, 1, tzinfo=UTC).timestamp() * 1000)
    rows, complaints = sound([began, began + MINUTE, began + 2 * MINUTE])
    assert [row[0] - began for row in rows] == [0, MINUTE, 2 * MINUTE] and not complaints
    for unset in (5_000, 946_684_805_000, began - 400 * DAY):
        rows, complaints = sound([began, unset, began + MINUTE])
        assert [row[0] - began for row in rows] == [0, 0, MINUTE] and complaints


def test_before_the_first_sound_time_nothing_can_stand_for_it() -> None:
    rows, _ = sound([5_000, 6_000, BEGAN])
    assert [row[0] for row in rows] == [BEGAN]


@pytest.mark.parametrize("rows_each", [1, 3])
@pytest.mark.parametrize("gap", [7 * HOUR, 2 * DAY, 40 * DAY])
def test_a_real_gap_stays_a_gap(rows_each: int, gap: int) -> None:
    times = [BEGAN, BEGAN + MINUTE, BEGAN + gap, BEGAN + gap + MINUTE, BEGAN + gap + 2 * MINUTE]
    rows, complaints = sound(times, rows_each)
    assert [row[0] for row in rows] == [t for t in times for _ in range(rows_each)]
    assert complaints == [] and not any(row[4] for row in rows)


def test_a_whole_report_behind_a_gap_at_the_end_is_believed() -> None:
    rows, _ = sound([BEGAN, BEGAN + 2 * DAY], 3)
    assert [row[0] - BEGAN for row in rows] == [0, 0, 0, 2 * DAY, 2 * DAY, 2 * DAY]


def test_late_rows_keep_their_time() -> None:
    """Rows are in order of arrival, so a time may step back (contract, section 4)."""
    times = [BEGAN + DAY, BEGAN + DAY + MINUTE, BEGAN, BEGAN + 2 * MINUTE, BEGAN + DAY + 2 * MINUTE]
    rows, complaints = sound(times)
    assert [row[0] for row in rows] == times and complaints == []


def test_a_clock_that_stays_in_the_future_holds_nothing_back() -> None:
    rows, _ = sound([BEGAN, *[BEGAN + 30 * DAY] * 100])
    assert len(rows) == 101 and rows[-1][0] == BEGAN + 30 * DAY


moments = st.sampled_from([0, 5_000, IN_2038]) | st.integers(BEGAN, BEGAN + 3 * DAY)


@given(st.lists(moments, max_size=60), st.integers(1, 3))
def test_no_row_is_lost_once_a_time_is_known(times: list[int], rows_each: int) -> None:
    rows, _ = sound([BEGAN, *times], rows_each)
    assert [row[3] for row in rows] == [float(n) for n in range(len(times) + 1) for _ in range(rows_each)]


FIELDS = st.tuples(
    st.sampled_from(["2026-03-01T02:00:00Z", "2026-03-01T03:00:10+01:00", "2026-03-01T02:00", "", "x"]),
    st.sampled_from(["hallway", "", "zwölf"]),
    st.sampled_from(["ph", "light "]),
    st.sampled_from(["6.8", "", " 7", "1e999", "nan", "six", "7,5"]),
)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(FIELDS, max_size=12), st.sampled_from(["\n", "\r\n"]))
def test_fields_in_quotes_mean_the_same_as_without(
    write: Write, rows: list[tuple[str, ...]], end: str
) -> None:
    """RFC 4180: a field may be quoted; a file without quotes is read by a shorter way, and alike."""
    plain = read(write("".join(",".join(row) + end for row in rows), header=HEADER.rstrip("\n") + end))
    one = ",".join(f'"{field}"' for field in HEADER.rstrip("\n").split(",")) + end
    quoted = "".join(",".join(f'"{part}"' for part in ",".join(row).split(",")) + end for row in rows)
    assert read(write(quoted, header=one)) == plain


PARTS = [
    ["2026-03-01T02:00:00Z", "2026-03-01T02:00:30Z", "2026-03-01T02:01:00Z", "2026-03-01T02:00:60Z"],
    ["hallway", "hallway-of-the-house", "hallway-of-the-hause", "h"],
    ["source_temperature", "source_temperaturf", "source_tomperature", "temperature", "ph"],
    ["6.8", "24.062499999999996", "24.0624999", "24.062499", "-0.5", "", "1e3", "1_0", "inf"],
]


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.tuples(*(st.lists(st.sampled_from(part), min_size=1, max_size=2) for part in PARTS)),
    st.lists(st.tuples(*[st.integers(0, 1)] * 4), min_size=1, max_size=12),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
)
def test_a_block_is_read_as_its_rows_are(
    write: Write, parts: tuple[list[str], ...], rows: list[tuple[int, ...]], end: str, ended: bool
) -> None:
    """Names and numbers that differ in one letter; a header in quotes makes the file go row by row."""
    body = end.join(",".join(of[one % len(of)] for of, one in zip(parts, row, strict=True)) for row in rows)
    body += end * ended
    blocks = read(write(body))
    assert blocks == read(write(body, header=HEADER.replace("time", '"time"')))


def test_plain_rows_are_read_by_columns(write: Write) -> None:
    texts = [f"{text(BEGAN + n * MINUTE)},hallway,ph,{7 + n / 100}" for n in range(20)]
    (block, rest) = read_parts([write("\n".join(texts))], pytest.fail)
    assert isinstance(block, Columns) and list(rest) == []  # type: ignore[arg-type]
    assert list(block.rows()) == [
        (BEGAN + n * MINUTE, "hallway", "ph", 7 + n / 100, False) for n in range(20)
    ]
    for odd in ("six", "nan", "7,5", "7\n", "ü"):
        (part, rest) = read_parts(
            [write("\n".join([*texts[:9], f"{texts[9]}{odd}", *texts[10:]]))], lambda _: None
        )
        assert not isinstance(part, Columns) and len(list(part)) >= 19
