from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.plant.quantity import UNITS
from monitor.plant.reading import Quality, Reading, Rejected, Signal
from monitor.plant.types import Plant
from monitor.record.csv_in import read_readings, write_rejected
from monitor.record.csv_lines import MAX_LINE, RAW_KEPT

T0 = 1_930_339_800.0  # 2031-03-03T21:30:00Z
HEADER = "time,sump,signal,value\n"


def read(plant: Plant, text: str, name: str = "R.csv") -> tuple[list[Reading], list[Rejected]]:
    path = plant.file.parent / name
    data = text.encode("utf-8", "surrogateescape")
    path.write_bytes(gzip.compress(data) if name.endswith(".gz") else data)
    rejected: list[Rejected] = []
    return list(read_readings(path, plant, rejected.append)), rejected


def test_plain_rows_become_readings(plant: Plant) -> None:
    text = HEADER + (
        "2031-03-03T21:30:00+00:00,lathe-04,level,251.4\n"
        "2031-03-03T21:30:00Z,lathe-04,running,1\n"
        "2031-03-03T22:35:00.25+01:00,lathe-04,refractometer,5.2\n"
    )
    readings, rejected = read(plant, text)
    assert not rejected
    assert readings == [
        Reading("lathe-04", Signal.LEVEL, 251.4, T0, T0),
        Reading("lathe-04", Signal.RUNNING, 1.0, T0, T0),
        Reading("lathe-04", Signal.REFRACTOMETER, 5.2, T0 + 300.25, T0 + 300.25),
    ]


def test_gzip_byte_order_mark_crlf_and_blank_lines_are_read(plant: Plant) -> None:
    text = "\ufeff" + HEADER + "2031-03-03T21:30:00Z,lathe-04,level,251.4\r\n\r\n\n"
    readings, rejected = read(plant, text, "R.csv.gz")
    assert [reading.value for reading in readings] == [251.4]
    assert not rejected


def test_values_are_converted_from_the_declared_unit_and_from_the_unit_column(plant: Plant) -> None:
    declared, _ = read(plant, HEADER + "2031-03-03T21:30:00Z,mill-07,level,10\n")
    assert declared[0].value == 10 * 25.4
    text = (
        "time,sump,signal,value,unit\n"
        "2031-03-03T21:30:00Z,mill-07,level,25,cm\n"
        "2031-03-03T21:30:00Z,mill-07,coolant_temperature,68,\n"
        "2031-03-03T21:30:00Z,lathe-04,level,0.25,m\n"
    )
    readings, rejected = read(plant, text)
    assert not rejected
    assert [reading.value for reading in readings] == [250.0, UNITS["degF"].to_canonical(68.0), 250.0]
    assert readings[1].value == pytest.approx(20.0)


def test_columns_may_stand_in_another_order_and_be_quoted(plant: Plant) -> None:
    readings, rejected = read(plant, 'value,signal,sump,time\n"251.4",level,"lathe-04",2031-03-03T21:30:00Z\n')
    assert not rejected
    assert readings == [Reading("lathe-04", Signal.LEVEL, 251.4, T0, T0)]


def test_quality_and_reason_come_back(plant: Plant) -> None:
    text = (
        "time,sump,signal,value,quality,reason\n"
        "2031-03-03T21:30:00Z,lathe-04,level,251.4,doubtful,foam\n"
        "2031-03-03T21:35:00Z,lathe-04,level,,bad,'=sensor says nothing\n"
    )
    readings, rejected = read(plant, text)
    assert not rejected
    assert readings == [
        Reading("lathe-04", Signal.LEVEL, 251.4, T0, T0, Quality.DOUBTFUL, "foam"),
        Reading("lathe-04", Signal.LEVEL, None, T0 + 300, T0 + 300, Quality.BAD, "=sensor says nothing"),
    ]


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("2031-03-03T21:30:00Z,lathe-99,level,1", "no sump 'lathe-99' in plant.toml"),
        ("2031-03-03T21:30:00Z,lathe-04,levle,1", "no signal is called 'levle'; it is one of level, refractometer"),
        ("2031-03-03T21:30:00Z,lathe-04,ph,8", "no signal ph in plant.toml; it has level, refractometer, running"),
        ("2031-03-03T21:30:00Z,lathe-04,level,", "no value"),
        ("2031-03-03T21:30:00Z,lathe-04,level,high", "'high' is no number"),
        ("2031-03-03T21:30:00Z,lathe-04,level,1_000", "'1_000' is no number"),
        ("2031-03-03T21:30:00Z,lathe-04,level,nan", "'nan' is not finite"),
        ("2031-03-03T21:30:00Z,lathe-04,level,1e999", "'1e999' is not finite"),
        ("2031-03-03T21:30:00Z,lathe-04,running,2", "running is 2; it must be 0 or 1"),
        ("2031-03-03T21:30:00,lathe-04,level,1", "is not of the form 2031-03-03T21:30:00+00:00"),
        ("2031-02-30T21:30:00Z,lathe-04,level,1", "does not exist"),
        ("03.03.2031 21:30,lathe-04,level,1", "is not of the form"),
        ("2031-03-03T21:30:00Z,lathe-04,level", "3 fields where 4 belong"),
        ("2031-03-03T21:30:00Z,lathe-04,level,251,4", "5 fields where 4 belong"),
        ('2031-03-03T21:30:00Z,lathe-04,"level,1', "3 fields where 4 belong"),
        ("\udcff,lathe-04,level,1", r"'\\xff' is not of the form"),
    ],
)
def test_a_bad_row_is_passed_on_with_file_line_and_why_and_reading_goes_on(plant: Plant, row: str, why: str) -> None:
    good = "2031-03-03T21:30:00Z,lathe-04,level,{}\n"
    readings, rejected = read(plant, HEADER + good.format(1) + row + "\n" + good.format(2))
    assert [reading.value for reading in readings] == [1.0, 2.0]
    (one,) = rejected
    assert one.where == f"{plant.file.parent / 'R.csv'}:3"
    assert why in one.why
    assert one.raw == row.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


@pytest.mark.parametrize(
    ("unit", "why"), [("L", "L is a unit of volume"), ("gal", "which gallon"), ("furlong", "is no unit known here")]
)
def test_a_unit_that_does_not_fit_is_a_bad_row(plant: Plant, unit: str, why: str) -> None:
    text = "time,sump,signal,value,unit\n" + f"2031-03-03T21:30:00Z,lathe-04,level,1,{unit}\n"
    readings, (one,) = read(plant, text)
    assert not readings
    assert why in one.why


def test_a_line_without_end_is_cut_and_refused_and_the_next_is_read(plant: Plant) -> None:
    padded = "2031-03-03T21:30:00Z,lathe-04,level,1" + " " * (3 * MAX_LINE) + "\n"
    readings, (one,) = read(plant, HEADER + padded + "2031-03-03T21:30:00Z,lathe-04,level,2\n")
    assert [reading.value for reading in readings] == [2.0]
    assert f"longer than {MAX_LINE}" in one.why
    assert len(one.raw) == RAW_KEPT


def rows_at(*minutes: float) -> str:
    return HEADER + "".join(
        f"2031-03-{3 + int(m // 1440):02}T{int(m % 1440 // 60):02}:{int(m % 60):02}:00Z,lathe-04,level,{m:g}\n"
        for m in minutes
    )


def values(readings: list[Reading]) -> list[float | None]:
    return [reading.value for reading in readings]


def test_rows_up_to_an_hour_out_of_order_are_taken_and_arrive_when_the_newest_did(plant: Plant) -> None:
    readings, rejected = read(plant, rows_at(600, 660, 600, 661))
    assert not rejected
    assert values(readings) == [600, 660, 600, 661]
    assert [(r.arrived_s - readings[0].time_s) / 60 for r in readings] == [0, 60, 60, 61]


def test_rows_more_than_an_hour_out_of_order_are_refused(plant: Plant) -> None:
    readings, (one,) = read(plant, rows_at(600, 661, 600, 662))
    assert values(readings) == [600, 661, 662]
    assert "1.0 h behind line 3" in one.why
    assert one.where.endswith(":4")


def test_a_lone_leap_ahead_is_refused_and_does_not_take_the_rest_with_it(plant: Plant) -> None:
    readings, (one,) = read(plant, rows_at(600, 605, 605 + 20 * 1440, 610, 615))
    assert values(readings) == [600, 605, 610, 615]
    assert "480.0 h ahead" in one.why
    assert one.where.endswith(":4")


@pytest.mark.parametrize("behind", [1, 5, 50])
def test_a_gap_of_days_is_believed(plant: Plant, behind: int) -> None:
    minutes = [600, 605, *(605 + 5 * 1440 + 5 * number for number in range(behind))]
    readings, rejected = read(plant, rows_at(*minutes))
    assert values(readings) == minutes
    assert not rejected


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "the file is empty"),
        ("time,sump,value\n", "no column 'signal'"),
        ("time,sump,signal,value,units\n", "unknown column 'units'"),
        ("time,time,sump,signal,value\n", "twice the column 'time'"),
        ("time;sump;signal;value\n", "separated by commas"),
    ],
)
def test_a_wrong_header_is_an_error_that_names_the_right_one(plant: Plant, text: str, why: str) -> None:
    with pytest.raises(RecordError, match=r"R\.csv:1: ") as caught:
        read(plant, text)
    assert why in str(caught.value)
    assert "time,sump,signal,value[,unit" in str(caught.value)


def test_files_that_cannot_be_read_are_errors_with_a_remedy(plant: Plant, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="there is no such file"):
        list(read_readings(tmp_path / "none.csv", plant, print))
    with pytest.raises(RecordError, match="is a folder"):
        list(read_readings(tmp_path, plant, print))
    whole = gzip.compress((HEADER + "2031-03-03T21:30:00Z,lathe-04,level,2\n" * 5000).encode())
    cut = tmp_path / "cut.csv.gz"
    cut.write_bytes(whole[:-20])
    with pytest.raises(RecordError, match=r"cut\.csv\.gz: the compressed file is damaged or cut off .* fetch it again"):
        list(read_readings(cut, plant, print))


def test_rejected_rows_are_written_with_file_line_why_and_raw_text(tmp_path: Path) -> None:
    rows = [
        Rejected("R.csv:7", 0.0, "no value", "a,b"),
        Rejected("hall-mqtt hall-1/level", 0.0, "no JSON", "=1+2"),
    ]
    assert write_rejected(tmp_path / "rejected.csv", rows) == 2
    assert (tmp_path / "rejected.csv").read_text() == (
        'file,line,why,raw\nR.csv,7,no value,"a,b"\nhall-mqtt hall-1/level,,no JSON,\'=1+2\n'
    )
    assert write_rejected(tmp_path / "rejected.csv", []) == 0
    assert (tmp_path / "rejected.csv").read_text() == "file,line,why,raw\n"
    with pytest.raises(RecordError, match="cannot be written"):
        write_rejected(tmp_path / "nowhere" / "rejected.csv", rows)
