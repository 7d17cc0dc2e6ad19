"""Laws of the plant room: tanks and inverses, units there and back, calendars that add up, faults that stay told."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.plant.build import build_plant
from monitor.plant.calendar import WeeklyCalendar, WeeklySpan
from monitor.plant.errors import QuantityError
from monitor.plant.faults import Faults
from monitor.plant.file import check_text
from monitor.plant.lines import Lines, Unclosed, find_lines
from monitor.plant.quantity import UNITS, Unit, parse_quantity, parse_unit
from monitor.plant.tank import Box, Cone, HorizontalCylinder, PerHeight, Table, Tank, VerticalCylinder

CASES = Path(__file__).parents[1] / "cases" / "plant_files"
SIZES = st.floats(20, 5000)


@st.composite
def tables(draw: st.DrawFn) -> Table:
    steps = draw(st.lists(st.tuples(st.floats(1, 500), st.floats(0.5, 500)), min_size=2, max_size=12))
    levels, volumes = np.cumsum(np.array(steps), axis=0).T.tolist()
    return Table(tuple(levels), tuple(volumes))


TANKS: st.SearchStrategy[Tank] = st.one_of(
    st.builds(PerHeight, st.floats(0.05, 20)),
    st.builds(Box, SIZES, SIZES),
    st.builds(VerticalCylinder, SIZES),
    st.builds(HorizontalCylinder, SIZES, SIZES, st.sampled_from(["flat", "dished", "elliptical", "hemispherical"])),
    st.builds(Cone, SIZES, SIZES),
    tables(),
)
SHARES = st.floats(0, 1)


def lowest_l(tank: Tank) -> float:
    return tank.known_l[0] if isinstance(tank, Table) else 0.0


def span_of_volumes(tank: Tank) -> tuple[float, float]:
    return lowest_l(tank), tank.capacity_l if tank.capacity_l is not None else 5000.0


@given(TANKS, SHARES)
@settings(deadline=None)
def test_level_and_volume_are_inverses(tank: Tank, share: float) -> None:
    low, high = span_of_volumes(tank)
    volume = min(low + share * (high - low), high)
    level = tank.level_mm(volume)
    assert math.isfinite(level)
    # A millionth of a millimetre in the level is at most this much volume.
    slack = 2e-6 * max(tank.area_l_per_mm(level), 1e-3) + 1e-9 * high
    assert tank.volume_l(level) == pytest.approx(volume, abs=slack)


@given(TANKS, SHARES, SHARES)
@settings(deadline=None)
def test_more_level_is_more_volume(tank: Tank, one: float, other: float) -> None:
    low, high = span_of_volumes(tank)
    lower, upper = sorted(tank.level_mm(min(low + share * (high - low), high)) for share in (one, other))
    assert tank.volume_l(lower) <= tank.volume_l(upper) + 1e-9 * high


@given(TANKS, st.lists(st.floats(-100, 6000), min_size=1, max_size=20))
@settings(deadline=None)
def test_arrays_of_levels_agree_with_single_levels(tank: Tank, levels: list[float]) -> None:
    np.testing.assert_allclose(
        tank.volumes_l(np.array(levels)), [tank.volume_l(x) for x in levels], rtol=1e-9, atol=1e-9
    )


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6))
@settings(deadline=None)
def test_units_there_and_back(name: str, value: float) -> None:
    unit = UNITS[name]
    assert unit.from_canonical(unit.to_canonical(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6))
@settings(deadline=None)
def test_what_is_written_is_read(name: str, value: float) -> None:
    assert parse_quantity(f"{value!r} {name}") == UNITS[name].to_canonical(value)


def refusal(read: Callable[[str], object], text: str) -> tuple[object, str]:
    """Return what a reader makes of a text and, if it refuses, in which words."""
    try:
        return read(text), ""
    except QuantityError as error:
        return None, str(error)


@given(st.text(max_size=40))
@settings(deadline=None)
def test_any_text_is_a_finite_quantity_or_refused_in_words(text: str) -> None:
    found, words = refusal(parse_quantity, text)
    assert words or (isinstance(found, float) and math.isfinite(found))
    unit, words = refusal(parse_unit, text)
    assert words or isinstance(unit, Unit)


@st.composite
def spans(draw: st.DrawFn) -> WeeklySpan:
    days = tuple(sorted(draw(st.sets(st.integers(0, 6), min_size=1))))
    start = draw(st.integers(0, 1439))
    return WeeklySpan(days, start, draw(st.integers(0, 1440).filter(lambda end: end != start)))


CALENDARS = st.builds(
    WeeklyCalendar,
    st.sampled_from(["UTC", "Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia"]),
    st.lists(spans(), max_size=4).map(tuple),
)
TIMES = st.floats(1.2e9, 2.2e9)


@given(CALENDARS, TIMES, st.floats(3600, 20 * 86400), st.integers(1, 60))
@settings(max_examples=60, deadline=None)
def test_shares_add_up_to_intervals(calendar: WeeklyCalendar, start: float, length: float, bins: int) -> None:
    edges = np.linspace(start, start + length, bins + 1)
    found = calendar.intervals(start, float(edges[-1]))
    shares = calendar.shares(edges)
    assert ((shares >= 0) & (shares <= 1)).all()
    assert float(np.dot(shares, np.diff(edges))) == pytest.approx(sum(end - begin for begin, end in found), abs=1e-3)
    assert all(begin < end for begin, end in found)
    assert all(one[1] < other[0] for one, other in pairwise(found))


@given(CALENDARS, TIMES)
@settings(max_examples=60, deadline=None)
def test_next_start_and_end_agree_with_covers(calendar: WeeklyCalendar, time_s: float) -> None:
    start, end = calendar.next_start_s(time_s), calendar.next_end_s(time_s)
    assert calendar.covers(time_s) == (start == time_s)
    if start is not None:
        assert start >= time_s
        assert calendar.covers(start)
    if end is not None:
        assert start is not None
        assert end > start
        assert not calendar.covers(end)


CLEAN = (CASES / "contract-example" / "plant.toml").read_text(encoding="utf-8")
# Each slip is one edit of the clean file that makes one fault of its own, at the line it touches.
SLIPS = {
    "units": ('units = "metric" ', 'units = "imperial" '),
    "zone": ('zone = "Europe/Lisbon"', 'zone = "Europe/Nowhere-at-all"'),
    "colour": ("[[plant.attended]]", 'colour = "red"\n[[plant.attended]]'),
    "band": ("band = [6.0, 10.0]", "band = [6.0, 10.0, 12.0]"),
    "leanest": ("leanest_make_up = 1.0", "leanest_make_up = 0.0"),
    "hardness": ('hardness = "180 ppm"', 'hardness = "180 mm"'),
    "expected": ("expected = 0.88", "expected = 88"),
    "full": ('full = "400 L"', "full = 400 L"),
    "hold-up": ('hold_up = "16 L"', 'hold_up = "16 gal"'),
    "surface": ('surface = "1.25 m2"', 'surface = "1.25 L"'),
    "duty": ('duty = "two-shift"', 'duty = "three-shift"'),
    "water": ('make_up_water = "deionised"', 'make_up_water = "holy"'),
    "fluid": ('fluid = "semi-synthetic"', 'fluid = "synthetic"'),
    "unit": ('unit = "degBx"', 'unit = "kPa"'),
    "port": ("port = 1883", 'port = "1883"'),
    "payload": ('payload = "json" ', 'payload = "xml" '),
    "listen": ('listen = "127.0.0.1:8480"', 'listen = "8480"'),
}


@given(st.sets(st.sampled_from(sorted(SLIPS)), min_size=1))
@settings(max_examples=60, deadline=None)
def test_every_slip_is_told_whatever_the_others_are(chosen: set[str]) -> None:
    text = CLEAN
    for name in chosen:
        right, wrong = SLIPS[name]
        assert text.count(right) >= 1
        text = text.replace(right, wrong, 1)
    plant, faults = check_text(text, Path("plant.toml"))
    assert plant is None
    assert len(faults) >= len(chosen)
    rows = text.splitlines()
    touched = {number for number, row in enumerate(rows, 1) for name in chosen if SLIPS[name][1].split("\n")[0] in row}
    assert touched <= {fault.line for fault in faults}


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_a_mangled_file_is_checked_to_the_end(data: st.DataObject) -> None:
    rows = CLEAN.splitlines()
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(rows) - 1))
        cut = data.draw(st.integers(0, len(rows[at])))
        rows[at] = rows[at][:cut] + data.draw(st.text(alphabet="[]{}\"'=#,.\\ a1\n", max_size=4)) + rows[at][cut + 1 :]
    text = "\n".join(rows)
    plant, faults = check_text(text, Path("plant.toml"))
    assert (plant is None) == bool(faults)
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)
    assert all(1 <= fault.line <= text.count("\n") + 1 for fault in faults)


def unclosed_line(text: str) -> int | None:
    """Return the line of a value that is never closed, None if the scan came to the end."""
    try:
        find_lines(text)
    except Unclosed as unclosed:
        return unclosed.line
    return None


def is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


@given(st.text(alphabet="[]{}\"'=#,.\\\n ab1-", max_size=60))
@settings(deadline=None)
def test_the_scan_for_lines_ends_on_any_text(text: str) -> None:
    line = unclosed_line(text)
    assert line is None or 1 <= line <= text.count("\n") + 1
    assert line is None or not is_toml(text)


ANYTHING = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(10**400), 10**400),
        st.floats(),
        st.text(max_size=10),
        st.datetimes(),
        st.times(),
        st.sampled_from(["5 min", "400 L", "mqtt", "serial", "modbus", "box", "cone", "24:00", "1/1", "["]),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=6,
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """List the paths of all values in a document."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for key, one in inner for place in places(one, (*path, key)))]


@given(st.sampled_from(["contract-example", "every-source", "all-shapes"]), st.data())
@settings(max_examples=100, deadline=None)
def test_any_value_anywhere_is_accepted_or_told(story: str, data: st.DataObject) -> None:
    document = tomllib.loads((CASES / story / "plant.toml").read_text(encoding="utf-8"))
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.sampled_from([place for place in places(document) if place]))
        holder = document
        for key in place[:-1]:
            holder = holder[key]
        holder[place[-1]] = data.draw(ANYTHING)
    faults = Faults("plant.toml", Lines())
    plant = build_plant(document, Path("plant.toml"), faults)
    assert (plant is None) == bool(faults.found)
