from __future__ import annotations

from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.plant.reading import Entry, EntryKind, Rejected
from monitor.plant.types import Plant
from monitor.record.csv_in import read_entries

T0 = 1_930_339_800.0
HEADER = "time,sump,kind,volume,mix,value,unit,note\n"
AT = "2031-03-03T21:30:00Z,lathe-04"


def read(plant: Plant, text: str) -> tuple[list[Entry], list[Rejected]]:
    path = plant.file.parent / "E.csv"
    path.write_text(text, encoding="utf-8", newline="")
    rejected: list[Rejected] = []
    return list(read_entries(path, plant, rejected.append)), rejected


def test_each_kind_is_read_with_its_fields(plant: Plant) -> None:
    text = HEADER + (
        f"{AT},top_up,60.0,4.5,,,night shift\n"
        f"{AT},removal,19.4,,,L,\n"
        f"{AT},charge,400,8,,,\n"
        f"{AT},check,,,7.34,%,\n"
        f"{AT},check,,,7.35,,'=titration\n"
        f"{AT},hardness,,,10,dH,\n"
        f"{AT},hardness,,,180,,\n"
        f"{AT},ph,,,9.1,,\n"
    )
    entries, rejected = read(plant, text)
    assert not rejected
    said = [(entry.kind, entry.volume_l, entry.mix_pct, entry.value, entry.unit, entry.note) for entry in entries]
    assert said == [
        (EntryKind.TOP_UP, 60.0, 4.5, None, "", "night shift"),
        (EntryKind.REMOVAL, 19.4, None, None, "", ""),
        (EntryKind.CHARGE, 400.0, 8.0, None, "", ""),
        (EntryKind.CHECK, None, None, 7.34, "%", ""),
        (EntryKind.CHECK, None, None, 7.35, "%", "=titration"),
        (EntryKind.HARDNESS, None, None, 178.48, "ppm", ""),
        (EntryKind.HARDNESS, None, None, 180.0, "ppm", ""),
        (EntryKind.PH, None, None, 9.1, "1", ""),
    ]
    assert {(entry.sump, entry.time_s, entry.logged_s) for entry in entries} == {("lathe-04", T0, T0)}


def test_ids_come_from_what_is_said_so_a_second_import_is_harmless(plant: Plant) -> None:
    row, other = f"{AT},top_up,20,5,,,\n", f"{AT},top_up,20,6,,,\n"
    once, _ = read(plant, HEADER + row + row + other)
    again, _ = read(plant, HEADER + other + row + row)
    assert len({entry.id for entry in once}) == 3
    assert {entry.id for entry in again} == {entry.id for entry in once}
    later, _ = read(plant, HEADER + row + row + other + row)
    assert [entry.id for entry in later][:3] == [entry.id for entry in once]
    assert len({entry.id for entry in later}) == 4


def test_a_note_may_run_over_lines_and_lines_are_counted_right(plant: Plant) -> None:
    text = HEADER + f'{AT},top_up,20,5,,,"first\nsecond, with comma\u2028third"\n\n{AT},top_up,,5,,,\n'
    (entry,), (one,) = read(plant, text)
    assert entry.note == "first\nsecond, with comma\u2028third"
    assert one.where.endswith("E.csv:5")
    assert one.raw == f"{AT},top_up,,5,,,"


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (f"{AT},top_up,20,,,,", "top_up needs mix"),
        (f"{AT},top_up,,,,,", "top_up needs volume and mix"),
        (f"{AT},removal,,,,,", "removal needs volume"),
        (f"{AT},charge,400,,,,", "charge needs mix"),
        (f"{AT},check,,,,,", "check needs value"),
        (f"{AT},topup,20,5,,,", "no kind of entry is called 'topup'; it is one of top_up, removal"),
        ("2031-03-03T21:30:00Z,lathe-99,top_up,20,5,,,", "no sump 'lathe-99' in plant.toml"),
        ("2031-03-03,lathe-04,top_up,20,5,,,", "is not of the form"),
        (f"{AT},top_up,-20,5,,,", "volume '-20' must be 0 or more"),
        (f"{AT},top_up,inf,5,,,", "volume 'inf' must be 0 or more"),
        (f"{AT},top_up,20,105,,,", "mix '105' must be 0 to 100"),
        (f"{AT},top_up,20 L,5,,,", "volume '20 L' is no number"),
        (f"{AT},top_up,20,5,,US gal,", "its volume is in litres"),
        (f"{AT},check,,,5.0,degBx,", "degBx is a unit of brix: use %"),
        (f"{AT},check,,,101,%,", "value '101' must be 0 to 100"),
        (f"{AT},ph,,,15,,", "value '15' must be 0 to 14"),
        (f"{AT},top_up,20,5,,", "7 fields where 8 belong"),
    ],
)
def test_a_bad_row_is_passed_on_with_its_reason_and_reading_goes_on(plant: Plant, row: str, why: str) -> None:
    good = f"{AT},top_up,20,5,,,\n"
    entries, (one,) = read(plant, HEADER + good + row + "\n" + good)
    assert len(entries) == 2
    assert why in one.why
    assert one.where == f"{plant.file.parent / 'E.csv'}:3"
    assert one.raw == row


def test_a_quote_left_open_spoils_its_own_row_only(plant: Plant) -> None:
    text = HEADER + f'{AT},top_up,20,5,,,"night\n' + f"{AT},top_up,20,5,,,\n" * 200
    entries, (one,) = read(plant, text)
    assert len(entries) == 200
    assert one.where.endswith(":2")
    assert one.why == "a quote is left open"


def test_an_endless_row_is_refused_and_the_next_is_read(plant: Plant) -> None:
    entries, (one,) = read(plant, HEADER + f"{AT},top_up,20,5,,,{'x' * 200_000}\n{AT},top_up,20,5,,,\n")
    assert len(entries) == 1
    assert "longer than" in one.why


def test_a_wrong_header_and_a_missing_file_are_errors(plant: Plant, tmp_path: Path) -> None:
    with pytest.raises(
        RecordError,
        match=r"no column 'mix', 'value'; .* time,sump,kind,volume,mix,value\[,unit,note,who,container,id,logged\]",
    ):
        read(plant, "time,sump,kind,volume,unit,note\n")
    with pytest.raises(RecordError, match="there is no such file"):
        list(read_entries(tmp_path / "none.csv", plant, print))
