"""What `bandkeeper check --who` says, and the hours of the week in which nobody is reached."""

from __future__ import annotations

from pathlib import Path

import pytest

from alerts.types import AlertKind
from alerts.who import say_who
from monitor.cli import main
from monitor.plant.file import load_plant
from monitor.plant.people_build import KINDS
from tests.unit.post.office import PEOPLE, at

SHORTEST = PEOPLE.parents[1] / "shortest" / "plant.toml"


def test_at_night_it_says_who_is_called_who_is_left_in_peace_and_who_is_next() -> None:
    lines = list(say_who(load_plant(PEOPLE), at("2031-03-07T23:10")))
    assert lines[:2] == ["Fri 23:10: nobody is there", "on call (maintenance): Ana"]
    urgent = [line for line in lines if "route urgent" in line]
    assert urgent[0].startswith(
        "high alert of hall-1, route urgent: Ana by phone +351 900 000 001, then post ana@example.org; "
        "unacknowledged after 20 min: Ben"
    )
    assert "held until Sat 06:00" in urgent[1]
    assert not any("route day" in line for line in lines)


def test_a_moment_without_an_offset_is_the_plants_time(capsys: pytest.CaptureFixture[str]) -> None:
    for moment in ("2031-07-04T23:10", "2031-07-04T22:10+00:00"):
        assert main(["check", str(PEOPLE), "--who", moment]) == 0
        assert capsys.readouterr().out.startswith("Fri 23:10: nobody is there")
    assert main(["check", str(PEOPLE), "--who", "tonight"]) == 1
    assert "is no time like 2031-03-07T23:10" in capsys.readouterr().err


def test_a_plant_that_tells_nobody_is_sound_and_warned(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(SHORTEST)]) == 0
    said = capsys.readouterr()
    assert said.out == "ok\n"
    assert "warning: route: alerts are sent to nobody at any hour" in said.err


def test_gaps_that_are_accepted_are_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    gaps = (PEOPLE.parents[1] / "people-gaps" / "plant.toml").read_text()
    path = tmp_path / "plant.toml"
    path.write_text(gaps.replace("[reports]", "[reports]\naccept_gaps = true"))
    assert main(["check", str(path)]) == 0
    assert "reaches nobody at once Mon 00:00 to Mon 06:00" in capsys.readouterr().err


def test_routes_may_name_the_kinds_there_are() -> None:
    assert set(KINDS) == {kind.value for kind in AlertKind}
