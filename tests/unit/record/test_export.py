from __future__ import annotations

import csv
import gzip
import math
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.plant.quantity import UNITS
from monitor.plant.reading import Entry, EntryKind, Quality, Reading, Signal
from monitor.plant.types import Plant
from monitor.record.csv_in import read_entries, read_readings
from monitor.record.export import export_entries, export_readings
from monitor.record.store import Record
from tests.unit.record.things import T0, entry, reading

ALWAYS = (-math.inf, math.inf)


def back(path: Path, plant: Plant) -> list[Reading]:
    rejected: list[object] = []
    readings = list(read_readings(path, plant, rejected.append))
    assert not rejected
    return readings


def test_an_export_says_values_in_the_declared_unit(record: Record, plant: Plant, tmp_path: Path) -> None:
    inches, fahrenheit = UNITS["in"].to_canonical(9.9), UNITS["degF"].to_canonical(71.3)
    record.add(
        [
            reading(0, 251.4),
            reading(0, inches, sump="mill-07"),
            reading(5.0125, fahrenheit, Signal.COOLANT_TEMPERATURE, "mill-07"),
        ]
    )
    assert export_readings(record.reader(), plant, tmp_path / "R.csv", *ALWAYS) == 3
    assert (tmp_path / "R.csv").read_text() == (
        "time,sump,signal,value,unit\n"
        "2031-03-03T21:30:00+00:00,lathe-04,level,251.4,mm\n"
        "2031-03-03T21:30:00+00:00,mill-07,level,9.9,in\n"
        "2031-03-03T21:35:00.75+00:00,mill-07,coolant_temperature,71.3,degF\n"
    )


def test_a_value_that_its_unit_cannot_say_exactly_stands_in_the_canonical_one(
    record: Record, plant: Plant, tmp_path: Path
) -> None:
    unit = UNITS["degF"]
    value = next(v for v in map(math.pi.__mul__, range(1, 999)) if unit.to_canonical(unit.from_canonical(v)) != v)
    record.add([reading(0, value, Signal.COOLANT_TEMPERATURE, "mill-07")])
    export_readings(record.reader(), plant, tmp_path / "R.csv", *ALWAYS)
    (row,) = csv.DictReader((tmp_path / "R.csv").read_text().splitlines())
    assert (row["value"], row["unit"]) == (repr(value), "degC")
    assert back(tmp_path / "R.csv", plant)[0].value == value


def test_quality_and_missing_values_travel_in_columns_of_their_own(
    record: Record, plant: Plant, tmp_path: Path
) -> None:
    given = [
        Reading("lathe-04", Signal.LEVEL, 251.4, T0, T0),
        Reading("lathe-04", Signal.LEVEL, 251.4, T0 + 1, T0 + 1, Quality.DOUBTFUL),
        Reading("lathe-04", Signal.LEVEL, 251.4, T0 + 2, T0 + 2, Quality.BAD, "=foam, much"),
        Reading("lathe-04", Signal.LEVEL, None, T0 + 3, T0 + 3, Quality.GOOD, "no answer"),
    ]
    record.add(given)
    export_readings(record.reader(), plant, tmp_path / "R.csv.gz", *ALWAYS)
    assert gzip.decompress((tmp_path / "R.csv.gz").read_bytes()).startswith(
        b"time,sump,signal,value,unit,quality,reason\n"
    )
    assert back(tmp_path / "R.csv.gz", plant) == given
    export_readings(record.reader(), plant, tmp_path / "good.csv", -math.inf, T0 + 1)
    assert (tmp_path / "good.csv").read_text().startswith("time,sump,signal,value,unit\n")


def test_when_late_readings_came_travels_where_there_are_any(record: Record, plant: Plant, tmp_path: Path) -> None:
    on_time, late = reading(0), replace(reading(1), arrived_s=T0 + 7200.25)
    record.add([on_time])
    export_readings(record.reader(), plant, tmp_path / "R.csv", *ALWAYS)
    assert (tmp_path / "R.csv").read_text().startswith("time,sump,signal,value,unit\n")
    record.add([late])
    export_readings(record.reader(), plant, tmp_path / "R.csv", *ALWAYS)
    assert (tmp_path / "R.csv").read_text().splitlines()[:2] == [
        "time,sump,signal,value,unit,arrived",
        "2031-03-03T21:30:00+00:00,lathe-04,level,250,mm,",
    ]
    assert back(tmp_path / "R.csv", plant) == [replace(on_time, arrived_s=T0), late]


def test_a_sump_no_longer_in_the_plant_file_is_still_exported(record: Record, plant: Plant, tmp_path: Path) -> None:
    record.add([reading(0, sump="gone-01"), reading(0, 8.5, Signal.PH)])
    assert export_readings(record.reader(), plant, tmp_path / "R.csv", *ALWAYS) == 2
    assert "gone-01,level,250,mm" in (tmp_path / "R.csv").read_text()


def test_the_log_book_comes_back(record: Record, plant: Plant, tmp_path: Path) -> None:
    given = [
        replace(entry(1), note="=HYPERLINK(1)"),
        replace(entry(2, 1), note="'=quoted", volume_l=0.1 + 0.2),
        replace(entry(3, 2), note='said "rich",\nthen left'),
        Entry("x", "mill-07", EntryKind.CHECK, T0 + 180, T0 + 999, value=7.3, unit="%"),
        Entry("y", "mill-07", EntryKind.HARDNESS, T0 + 240, T0 + 999, value=178.48, unit="ppm"),
        Entry("z", "mill-07", EntryKind.PH, T0 + 300, T0 + 999, value=9.1, unit="1"),
    ]
    record.add(entries=given)
    assert export_entries(record.reader(), tmp_path / "E.csv", *ALWAYS) == 6
    rejected: list[object] = []
    found = list(read_entries(tmp_path / "E.csv", plant, rejected.append))
    assert not rejected
    assert found == given
    with (tmp_path / "E.csv").open(newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]


def test_a_place_that_cannot_be_written_is_an_error(record: Record, plant: Plant, tmp_path: Path) -> None:
    for name in ("R.csv", "R.csv.gz"):
        with pytest.raises(RecordError, match="cannot be written"):
            export_readings(record.reader(), plant, tmp_path / "nowhere" / name, *ALWAYS)


def test_who_and_container_travel_where_there_are_any(record: Record, plant: Plant, tmp_path: Path) -> None:
    plain = replace(entry(1), id="a")
    kept = replace(entry(1), id="b", kind=EntryKind.REMOVAL, who="=Bruno", container="can-7")
    record.add([], [plain])
    export_entries(record.reader(), tmp_path / "plain.csv", *ALWAYS)
    assert (tmp_path / "plain.csv").read_text().splitlines()[0].endswith(",note,id,logged")
    record.add([], [kept])
    export_entries(record.reader(), tmp_path / "E.csv", *ALWAYS)
    assert (tmp_path / "E.csv").read_text().splitlines()[0].endswith(",note,who,container,id,logged")
    back = list(read_entries(tmp_path / "E.csv", plant, lambda _: None))
    assert {(one.who, one.container) for one in back} == {("", ""), ("=Bruno", "can-7")}
