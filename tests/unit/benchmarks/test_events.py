"""Events against what really happened."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.events import event_figures, match, services, stretch
from tests.benchmarks.recording import Recording, Row, seconds
from tests.unit.benchmarks.halls import at, days, event, exit_row, hall, reading

EXITS = [exit_row(days(5) + 18, "one", 60.0, "rich")]


def service(hour: float, sump: str, volume: float, logged: int, mix: float = 5.0) -> dict[str, Any]:
    return {"time": at(hour), "sump": sump, "volume_l": volume, "mix_pct": mix, "logged": logged}


def scored(folder: Path, tables: dict[str, list[dict[str, Any]]], events: list[Row]) -> dict[str, float]:
    return event_figures(hall(folder, {"exits": EXITS, **tables}), events)


def test_a_top_up_that_nobody_logged_is_found_by_time_and_volume(tmp_path: Path) -> None:
    truth = [service(30, "one", 50.0, 0), service(60, "one", 50.0, 0)]
    events = [event("unlogged_top_up", 30.5, 36, "one", 60.0, 4.5), event("unlogged_top_up", 60, 61, "one", 110.0)]
    result = scored(tmp_path, {"services": truth}, events)
    assert result["unlogged top-ups: precision"] == 0.5
    assert result["unlogged top-ups: recall"] == 0.5
    assert result["unlogged top-ups: volume error, median"] == pytest.approx(0.2)
    assert result["unlogged top-ups: mix error points, median"] == pytest.approx(0.5)
    assert result["unlogged top-ups: said after h, median"] == pytest.approx(6.0)


def test_a_logged_top_up_called_unlogged_is_false(tmp_path: Path) -> None:
    events = [event("unlogged_top_up", 30, 31, "one", 50.0)]
    result = scored(tmp_path, {"services": [service(30, "one", 50.0, 1)]}, events)
    assert result["unlogged top-ups: precision"] == 0.0


def test_one_logged_elsewhere_may_be_said_but_need_not(tmp_path: Path) -> None:
    truth = {"services": [service(30, "one", 50.0, 2), service(60, "two", 20.0, 0)]}
    assert scored(tmp_path, truth, [])["unlogged top-ups: cases"] == 1
    result = scored(tmp_path, truth, [event("unlogged_top_up", 30, 31, "one", 50.0)])
    assert result["unlogged top-ups: precision"] == 1.0
    assert result["unlogged top-ups: recall"] == 0.0


def test_one_top_up_takes_one_event_and_another_sump_takes_none(tmp_path: Path) -> None:
    events = [event("unlogged_top_up", hour, 40, "one", 50.0) for hour in (30, 30.4)]
    events.append(event("unlogged_top_up", 30, 40, "two", 50.0))
    result = scored(tmp_path, {"services": [service(30, "one", 50.0, 0)]}, events)
    assert result["unlogged top-ups: precision"] == pytest.approx(1 / 3)


def test_a_top_up_in_a_gap_may_be_dated_anywhere_in_the_gap(tmp_path: Path) -> None:
    silent = [reading(hour, "one", "level", 240.0) for hour in (0, 20, 40, 60)]
    recording = hall(tmp_path, {"exits": EXITS, "services": [service(30, "one", 50.0, 0)]}, silent)
    (happening,) = services(recording)
    low, high = stretch(recording.sampled_s(), happening)
    assert (low, high) == (seconds(at(19)), seconds(at(41)))
    said = [event("unlogged_top_up", 40.9, 41, "one", 50.0)]
    assert match([happening], said, recording.sampled_s()) == {0: 0}


def test_a_change_out_may_be_called_a_top_up(tmp_path: Path) -> None:
    charge = {"time": at(30), "sump": "one", "kind": "charge", "volume_l": 380.0, "mix_pct": 8.0, "logged": 0}
    said = [event("unlogged_top_up", 30, 31, "one", 90.0), event("unlogged_top_up", 50, 51, "one", 90.0)]
    truth = {"services": [service(50, "one", 90.0, 0)], "removals": [charge]}
    assert scored(tmp_path, truth, said)["unlogged top-ups: precision"] == 1.0


def test_removals_are_found_like_top_ups(tmp_path: Path) -> None:
    taken = {"time": at(30), "sump": "two", "kind": "removal", "volume_l": 10.0, "mix_pct": "", "logged": 0}
    result = scored(tmp_path, {"removals": [taken]}, [event("unlogged_removal", 30, 31, "two", 11.0)])
    assert result["unlogged removals: recall"] == 1.0
    assert result["unlogged removals: precision"] == 1.0


def test_a_leak_is_timed_from_its_start_and_other_jumps_are_false(tmp_path: Path) -> None:
    leak = {"sump": "one", "kind": "leak", "from": at(48), "to": at(72), "detail": ""}
    hours = (40, 58, 64, 95, 98)
    result = scored(tmp_path, {"changes": [leak]}, [event("loss_jump", h - 1, h, "one", 30.0) for h in hours])
    assert result["loss jump: told"] == 1.0
    assert result["loss jump: delay h, median"] == 10.0
    assert result["loss jump: false a sump-month"] == pytest.approx(2 / (2 * 6 / 30))


def test_a_leak_never_told_has_no_end_of_delay(tmp_path: Path) -> None:
    leak = {"sump": "one", "kind": "slow_leak", "from": at(48), "to": "", "detail": ""}
    result = scored(tmp_path, {"changes": [leak]}, [])
    assert result["loss jump: told"] == 0.0
    assert result["loss jump: delay h, worst"] == float("inf")


def test_a_sick_sensor_is_told_by_a_doubtful_signal(tmp_path: Path) -> None:
    sick = {"sump": "two", "kind": "stuck", "from": at(48), "to": "", "detail": "level"}
    result = scored(tmp_path, {"changes": [sick]}, [event("doubtful_signal", 50, 54, "two", 0.0)])
    assert result["sick sensor: delay h, median"] == 6.0
    assert result["sick sensor: false a sump-month"] == 0.0


def test_field_recordings_without_a_list_of_changes_leak_where_their_note_says(tmp_path: Path) -> None:
    recording = hall(tmp_path, {"exits": EXITS})
    assert isinstance(recording, Recording)
    assert event_figures(recording, [])["loss jump: cases"] == 0
    renamed = (tmp_path / "plant.toml").read_text().replace("sump.two", "sump.mc-003")
    (tmp_path / "plant.toml").write_text(renamed)
    assert event_figures(recording, [])["loss jump: cases"] == 1
