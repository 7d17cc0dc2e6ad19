"""Real air over simulated sumps: the estimator must follow, with the coolant's temperature measured and without.

The air: typical meteorological years (TMY3, US National Solar Radiation Data Base) of Sand Point, Alaska, and
Greensboro, North Carolina, as pvlib 0.16.1 carries them: hourly dry bulb and dew point. Neither was looked at while
the model's share of humidity was chosen (that was done on three New York airports, 2013).

What is real: temperature and vapour of the air, hour by hour. What is not: the hall (half way between outside and
21 degC, the vapour as outside), its machines, gauges and people (`tests/worlds`). The estimator is told neither the air
nor the hall; once it is told each coolant's temperature, once it is not and has only the weather that its sumps share.

The bars are those of halls of other kinds: median exit error within 0.30 and half the straight line's, 65 to 92 % of
truths inside the 10-90 % interval; strength as on plain halls, 0.11 points in the median and 0.40 at the 95th. They are
means over whole halls; one hall is allowed two standard errors on top, from as many independent cases as it has:
stretches between two treatments for the intervals, weeks between two checks for the strength.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from tests.benchmarks import rival
from tests.benchmarks.accuracy import replay, score
from tests.benchmarks.recording import Recording, column
from tests.benchmarks.scoring import Figures, figures
from tests.worlds.files import write
from tests.worlds.makes import KINDS
from tests.worlds.weather import TYPICAL_YEARS, real_weather, saturation_hpa
from tests.worlds.world import World, build

SUMPS, DAYS = 8, 13
MEASURED: dict[str, tuple[str, ...]] = {"measured": (), "not measured": ("coolant_temperature",)}
CASES = [(site, name) for site in TYPICAL_YEARS for name in MEASURED]


@cache
def hall(site: str) -> World:
    return build(replace(KINDS["weather_elsewhere"], sites=(site,)), 91, SUMPS, DAYS)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], tuple[Figures, Figures, Recording]]:
    """Return the product's figures, the straight line's and the recording of each case."""
    results = {}
    for site, name in CASES:
        folder = tmp_path_factory.mktemp("hall")
        write(hall(site), folder, MEASURED[name])
        recording = Recording(folder)
        replay(recording, folder / "out")
        line = figures(recording, rival.forecast(recording), None)
        results[site, name] = (score(folder / "out", recording), line, recording)
    return results


Found = dict[tuple[str, str], tuple[Figures, Figures, Recording]]


def test_the_air_is_real_and_moves_the_losses() -> None:
    for site in TYPICAL_YEARS:
        air, dew = real_weather(site)
        assert len(air) == len(dew) == 8760
        assert (dew <= air + 0.6).mean() > 0.999
        assert 0.3 < float((saturation_hpa(dew) / saturation_hpa(air)).mean()) < 0.95


def test_the_sumps_lose_as_the_air_lets_them(found: Found) -> None:
    """What evaporates in the hall on one day differs from the next by far more than by the day's curve."""
    for site in TYPICAL_YEARS:
        losses = found[site, "measured"][2].table("losses")
        evaporated = column(losses, "evaporated_l").reshape(SUMPS, DAYS).sum(axis=0)
        working = [evaporated[day] for day in range(DAYS) if day % 7 < 5]
        assert max(working) > 1.2 * min(working)


@pytest.mark.parametrize(("site", "name"), CASES)
def test_the_exit_is_foreseen(site: str, name: str, found: Found) -> None:
    ours, line, _ = found[site, name]
    error = ours["relative error, median"]
    assert error <= 0.30
    assert error <= 0.5 * line["relative error, median"]
    assert ours["forecasts missing"] == 0.0


@pytest.mark.parametrize(("site", "name"), CASES)
def test_the_intervals_hold(site: str, name: str, found: Found) -> None:
    ours, _, recording = found[site, name]
    stretches = SUMPS + len(recording.table("services"))
    slack = 2.0 * math.sqrt(0.8 * 0.2 / stretches)
    assert 0.65 - slack <= ours["truth inside 10-90 %"] <= 0.92 + slack


@pytest.mark.parametrize(("site", "name"), CASES)
def test_the_strength_is_known(site: str, name: str, found: Found) -> None:
    """The median of n absolute normal errors errs by 1.17 / sqrt(n) of itself, the 95th by 1.15 / sqrt(n)."""
    ours = found[site, name][0]
    slack = 1.0 + 2.0 * 1.17 / math.sqrt(SUMPS * DAYS / 7.0)
    assert ours["strength error points, median"] <= 0.11 * slack
    assert ours["strength error points, 95th"] <= 0.40 * slack


@pytest.mark.parametrize(("site", "name"), CASES)
def test_the_losses_of_a_day_are_told_apart(site: str, name: str, found: Found) -> None:
    ours, line, _ = found[site, name]
    for figure in ("evaporation error % of full a day, mean", "drag-out error % of full a day, mean"):
        assert ours[figure] <= 0.5 * line[figure]


def test_a_thermometer_does_no_harm(found: Found) -> None:
    """It tells of hours, not of the air's vapour: over both places together exits are foreseen no worse with it."""
    errors = {name: sum(found[site, name][0]["relative error, median"] for site in TYPICAL_YEARS) for name in MEASURED}
    assert errors["measured"] <= 1.1 * errors["not measured"]


def test_the_halls_differ_in_nothing_but_the_thermometer(found: Found) -> None:
    for site in TYPICAL_YEARS:
        told, untold = (found[site, name][2] for name in MEASURED)
        assert told.table("exits") == untold.table("exits")
        assert "coolant_temperature" in Path(told.plant_file).read_text()
        assert "coolant_temperature" not in Path(untold.plant_file).read_text()
