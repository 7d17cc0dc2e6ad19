"""Replay: files in, files out (contract, section 2)."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import pty
import subprocess
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from alerts.types import rfc3339
from monitor.cli import main
from monitor.plant.errors import RecordError
from monitor.plant.reading import Entry, Reading
from monitor.record.export import export_entries, export_readings
from monitor.replay import ALERT_COLUMNS, EVENT_COLUMNS, FORECAST_COLUMNS, Order, Told, replay
from tests.unit.pipeline.shop import BEGIN_S, HEAD, UNITS, entries_for, machines, plant_of, readings_of
from tests.unit.pipeline.still import SETTLE_S, Still, with_record

COMMAND = str(Path(sys.executable).with_name("bandkeeper"))
HOURS = 18
PLANT = plant_of(machines())
READINGS = readings_of(machines(), HOURS)
ENTRIES = entries_for()
QUIET = Console(file=io.StringIO())


def write_readings(path: Path, readings: Iterable[Reading] = READINGS) -> Path:
    with gzip.open(path, "wt") if path.suffix == ".gz" else path.open("w") as sink:
        sink.write("time,sump,signal,value,unit\n")
        for one in readings:
            sink.write(f"{_moment(one.time_s)},{one.sump},{one.signal.value},{one.value},{UNITS[one.signal]}\n")
    return path


def write_entries(path: Path, entries: Iterable[Entry] = ENTRIES) -> Path:
    with path.open("w") as sink:
        sink.write("time,sump,kind,volume,mix,value,unit,note\n")
        for one in entries:
            numbers = ",".join("" if x is None else f"{x:g}" for x in (one.volume_l, one.mix_pct, one.value))
            sink.write(f"{rfc3339(one.time_s)},{one.sump},{one.kind.value},{numbers},{one.unit},\n")
    return path


def _moment(time_s: float) -> str:
    return rfc3339(time_s) if time_s % 1 == 0 else rfc3339(time_s // 1).replace("+", f".{round(time_s % 1 * 1000):03}+")


def write_plant(folder: Path) -> Path:
    path = folder / "plant.toml"
    path.write_text(HEAD + "".join(machine.text() for machine in machines()))
    return path


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as source:
        return list(csv.DictReader(source))


def header(path: Path) -> list[str]:
    return path.read_text().splitlines()[0].split(",")


def run(folder: Path, readings: Path, entries: Path | None = None, **order: float) -> Told:
    named = {"every_s": 6 * 3600.0, "from_s": None, "to_s": None, **order}
    return replay(PLANT, Order(readings, entries, out=folder / "out", **named), QUIET)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("replay")
    run(folder, write_readings(folder / "r.csv"), write_entries(folder / "e.csv"), every_s=3600.0)
    return folder / "out"


def test_all_files_with_their_columns(out: Path) -> None:
    assert {path.name for path in out.iterdir()} == {"forecasts.csv", "events.csv", "alerts.csv", "rejected.csv"}
    assert header(out / "forecasts.csv") == FORECAST_COLUMNS
    assert header(out / "events.csv") == EVENT_COLUMNS
    assert header(out / "alerts.csv") == ALERT_COLUMNS
    assert header(out / "rejected.csv")[:3] == ["file", "line", "why"]
    said = "time,sump,volume_l,volume_sd_l,concentration_pct,concentration_sd_pct,evaporation_l_per_day,"
    assert ",".join(FORECAST_COLUMNS) == said + "drag_out_l_per_day,exit_p10,exit_p50,exit_p90,exit_side"
    assert ",".join(EVENT_COLUMNS) == "time,detected_at,sump,kind,volume_l,mix_pct,confidence,detail"
    assert ",".join(ALERT_COLUMNS) == "raised_at,sump,kind,priority,exit_p50,cleared_at,recipe"


def test_a_row_a_sump_and_moment_with_numbers_that_make_sense(out: Path) -> None:
    forecasts = rows(out / "forecasts.csv")
    moments = [rfc3339(BEGIN_S + 3600.0 * hour) for hour in range(1, HOURS + 1)]
    assert [(row["time"], row["sump"]) for row in forecasts] == [(at, sump) for at in moments for sump in PLANT.sumps]
    for row in forecasts:
        early, likely, late = (float(row[name]) for name in ("exit_p10", "exit_p50", "exit_p90"))
        assert 0.0 <= early <= likely <= late <= 240.0
        assert row["exit_side"] in {"rich", "lean", "low", "none"}
        assert (row["exit_side"] == "none") == (likely >= 240.0) or likely < 240.0
        assert float(row["volume_sd_l"]) > 0
        assert float(row["concentration_sd_pct"]) > 0


def test_events_and_alerts_hold_together(out: Path) -> None:
    events, alerts = rows(out / "events.csv"), rows(out / "alerts.csv")
    assert {event["kind"] for event in events} >= {"unlogged_top_up"}
    for event in events:
        assert event["time"] <= event["detected_at"]
        assert 0.0 <= float(event["confidence"]) <= 1.0
    assert alerts
    with_recipe = [json.loads(alert["recipe"]) for alert in alerts if alert["recipe"]]
    assert with_recipe
    assert all({"sump", "kind", "steps", "lands", "from", "cautions"} <= set(recipe) for recipe in with_recipe)


def test_packed_readings_give_the_same(out: Path, tmp_path: Path) -> None:
    run(tmp_path, write_readings(tmp_path / "r.csv.gz"), write_entries(tmp_path / "e.csv"), every_s=3600.0)
    for name in ("forecasts.csv", "events.csv", "alerts.csv"):
        assert (tmp_path / "out" / name).read_text() == (out / name).read_text()


def test_spacing_changes_only_how_often_is_written(out: Path, tmp_path: Path) -> None:
    run(tmp_path, write_readings(tmp_path / "r.csv"), write_entries(tmp_path / "e.csv"), every_s=900.0)
    often = rows(tmp_path / "out" / "forecasts.csv")
    assert [row for row in often if row["time"].endswith(":00:00+00:00")] == rows(out / "forecasts.csv")
    assert len(often) >= 4 * len(rows(out / "forecasts.csv")) - 3 * len(PLANT.sumps)
    assert (tmp_path / "out" / "alerts.csv").read_text() == (out / "alerts.csv").read_text()


def test_from_and_to_choose_what_is_written(out: Path, tmp_path: Path) -> None:
    from_s, to_s = BEGIN_S + 5.25 * 3600.0, BEGIN_S + 14 * 3600.0
    run(
        tmp_path,
        write_readings(tmp_path / "r.csv"),
        write_entries(tmp_path / "e.csv"),
        from_s=from_s,
        to_s=to_s,
        every_s=3600.0,
    )
    times = sorted({row["time"] for row in rows(tmp_path / "out" / "forecasts.csv")})
    assert times == [rfc3339(from_s + 3600.0 * number) for number in range(9)]
    inside = [row for row in rows(out / "events.csv") if rfc3339(from_s) <= row["detected_at"] <= rfc3339(to_s)]
    assert rows(tmp_path / "out" / "events.csv") == inside


def test_from_before_the_data_and_to_behind_it(tmp_path: Path) -> None:
    readings = write_readings(tmp_path / "r.csv")
    run(tmp_path, readings, from_s=BEGIN_S - 5 * 86400.0, to_s=BEGIN_S + 26 * 3600.0)
    times = sorted({row["time"] for row in rows(tmp_path / "out" / "forecasts.csv")})
    assert times == [rfc3339(BEGIN_S + 6 * 3600.0 * number) for number in range(1, 5)]


def test_an_empty_file_gives_empty_files(tmp_path: Path) -> None:
    told = run(tmp_path, write_readings(tmp_path / "r.csv", ()))
    assert told == Told()
    assert rows(tmp_path / "out" / "forecasts.csv") == []


def test_disorder_and_doubles_give_the_same(out: Path, tmp_path: Path) -> None:
    swapped = list(READINGS)
    for place in range(0, len(swapped) - 60, 97):
        swapped[place], swapped[place + 50] = swapped[place + 50], swapped[place]
    swapped[:30] = reversed(swapped[:30])
    run(
        tmp_path,
        write_readings(tmp_path / "r.csv", [*swapped, *swapped[-5:]]),
        write_entries(tmp_path / "e.csv"),
        every_s=3600.0,
    )
    mine, theirs = rows(tmp_path / "out" / "forecasts.csv"), rows(out / "forecasts.csv")
    assert rows(tmp_path / "out" / "rejected.csv") == []
    assert mine[-len(PLANT.sumps) :] == theirs[-len(PLANT.sumps) :]
    assert [row["time"] for row in mine] == [row["time"] for row in theirs]


def test_bad_rows_are_listed_and_the_rest_is_used(out: Path, tmp_path: Path) -> None:
    path = write_readings(tmp_path / "r.csv")
    lines = path.read_text().splitlines()
    bad = {
        100: f"{rfc3339(BEGIN_S)},lathe-04,level,NaN,mm",
        200: f"{rfc3339(BEGIN_S)},nobody,level,200,mm",
        300: "yesterday,lathe-04,level,200,mm",
        400: f"{rfc3339(BEGIN_S + 3600)},lathe-04,level,200,degBx",
        500: "half a row",
        600: f"{rfc3339(BEGIN_S - 86400)},lathe-04,level,200,mm",
    }
    for place, text in bad.items():
        lines.insert(place - 1, text)
    path.write_text("\n".join(lines) + "\n")
    told = run(tmp_path, path, write_entries(tmp_path / "e.csv"), every_s=3600.0)
    listed = rows(tmp_path / "out" / "rejected.csv")
    assert told.rejected == len(bad)
    assert [(row["file"], int(row["line"])) for row in listed] == [(str(path), line) for line in bad]
    assert all(row["why"] for row in listed)
    assert (tmp_path / "out" / "forecasts.csv").read_text() == (out / "forecasts.csv").read_text()


def call(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([COMMAND, *arguments], capture_output=True, text=True, timeout=120, check=False)


def test_exit_codes_and_words(tmp_path: Path) -> None:
    plant, readings = str(write_plant(tmp_path)), str(write_readings(tmp_path / "r.csv", READINGS[:500]))
    good = call("replay", plant, "--readings", readings, "--every", "6h", "--out", str(tmp_path / "out"))
    assert (good.returncode, good.stderr) == (0, "")
    assert good.stdout.startswith("500 readings, 0 entries, 0 rejected;")
    gone = call("replay", plant, "--readings", str(tmp_path / "none.csv"), "--out", str(tmp_path / "out"))
    assert gone.returncode == 1
    assert "none.csv" in gone.stderr
    (tmp_path / "taken").write_text("a file")
    taken = call("replay", plant, "--readings", readings, "--out", str(tmp_path / "taken"))
    assert taken.returncode == 1
    assert "taken" in taken.stderr
    spacing = call("replay", plant, "--readings", readings, "--every", "7min", "--out", str(tmp_path / "out"))
    assert spacing.returncode == 1
    assert "15 min" in spacing.stderr
    faulty = tmp_path / "faulty.toml"
    faulty.write_text("[plant]\n")
    wrong = call("replay", str(faulty), "--readings", readings, "--out", str(tmp_path / "out"))
    assert wrong.returncode == 2
    assert "faulty.toml" in wrong.stderr
    when = call("replay", plant, "--readings", readings, "--from", "2031-03-03", "--out", str(tmp_path / "out"))
    assert when.returncode == 2
    assert "Traceback" not in "".join(one.stderr for one in (gone, taken, spacing, wrong, when))


def test_a_folder_that_cannot_be_made_is_an_error_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(RecordError, match="name a folder you may write to"):
        run(tmp_path, write_readings(tmp_path / "r.csv", READINGS[:10]))


def _on_a_terminal(command: Sequence[str]) -> str:
    master, slave = pty.openpty()
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=slave, env={**os.environ, "TERM": "xterm"}
    ) as child:
        os.close(slave)
        said = b""
        try:
            while part := os.read(master, 4096):
                said += part
        except OSError:  # the other end is closed
            pass
        assert child.wait(timeout=60) == 0
    os.close(master)
    return said.decode()


def test_a_progress_bar_on_a_terminal_only(tmp_path: Path) -> None:
    readings = write_readings(tmp_path / "r.csv", READINGS[:3000])
    command = ["replay", str(write_plant(tmp_path)), "--readings", str(readings), "--out", str(tmp_path / "out")]
    assert "2031-03-03T" in _on_a_terminal([COMMAND, *command])
    assert call(*command).stderr == ""


def test_the_export_of_a_live_run_says_what_the_live_run_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still = Still(plant)
    for number in range(1, HOURS * 12 + 4):
        now_s = BEGIN_S + 300.0 * number + SETTLE_S
        heard = [one for one in READINGS if now_s - 300.0 < one.arrived_s <= now_s]
        told = [one for one in ENTRIES if now_s - 300.0 < one.logged_s <= now_s]
        still.hear(now_s, heard, told)
    reader = still.daemon.reader()
    export_readings(reader, plant, tmp_path / "r.csv", 0.0, 1e11)
    export_entries(reader, tmp_path / "e.csv", 0.0, 1e11)
    run(tmp_path, tmp_path / "r.csv", tmp_path / "e.csv", every_s=3600.0)
    replayed = {(row["time"], row["sump"]): row for row in rows(tmp_path / "out" / "forecasts.csv")}
    compared = 0
    for sump in PLANT.sumps:
        for stored in reader.forecasts(sump, BEGIN_S + 3600.0, BEGIN_S + HOURS * 3600.0):
            row = replayed[rfc3339(stored.made_s), sump]
            exits = (stored.exit_p10_h, stored.exit_p50_h, stored.exit_p90_h)
            assert [row[name] for name in ("exit_p10", "exit_p50", "exit_p90")] == [f"{hours:.4f}" for hours in exits]
            assert row["exit_side"] == stored.side.value
            (point,) = reader.estimates(sump, stored.made_s, stored.made_s + 1.0, 1)
            assert row["volume_l"] == f"{point.volume_l:.4f}"
            assert row["concentration_pct"] == f"{point.concentration_pct:.4f}"
            compared += 1
    assert compared >= (HOURS - 1) * len(PLANT.sumps)
    live = [(event.id, event.detected_s) for event in reader.events(0, BEGIN_S * 2)]
    assert len(rows(tmp_path / "out" / "events.csv")) == len(live)
    still.kill()
    assert capsys.readouterr().out == ""


def test_a_late_reading_counts_from_when_it_came(tmp_path: Path) -> None:
    late = READINGS[400]
    moved = [one for one in READINGS if one is not late]
    place = next(n for n, one in enumerate(moved) if one.time_s > late.time_s + 3000.0)
    run(tmp_path, write_readings(tmp_path / "r.csv", [*moved[:place], late, *moved[place:]]), every_s=900.0)
    first = rows(tmp_path / "out" / "forecasts.csv")
    run(tmp_path, write_readings(tmp_path / "r.csv"), every_s=900.0)
    in_order = rows(tmp_path / "out" / "forecasts.csv")
    assert first[-len(PLANT.sumps) :] == in_order[-len(PLANT.sumps) :]
    assert rows(tmp_path / "out" / "rejected.csv") == []


def test_check_and_export_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plant_file = write_plant(tmp_path)
    assert main(["check", str(plant_file)]) == 0
    assert capsys.readouterr().out == "ok\n"
    assert main(["export", str(plant_file), "--readings", str(tmp_path / "x.csv")]) == 1
    assert "there is no record yet" in capsys.readouterr().err
    still = Still(replace(PLANT, database=tmp_path / "bandkeeper.db"))
    still.hear(BEGIN_S + 7200.0, READINGS[:200], ENTRIES[:1])
    still.kill()
    command = ["export", str(plant_file), "--readings", str(tmp_path / "x.csv"), "--entries", str(tmp_path / "y.csv")]
    assert main([*command, "--to", rfc3339(READINGS[100].time_s // 1)]) == 0
    assert 0 < len(rows(tmp_path / "x.csv")) <= 101
    assert capsys.readouterr().out.endswith("0 entries in " + str(tmp_path / "y.csv") + "\n")
