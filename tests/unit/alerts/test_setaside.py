"""What stands in the containers, and whether it may be used again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.setaside import Container, Hygiene, containers, move_of
from monitor.plant.reading import Entry, EntryKind
from tests.unit.alerts.hall import DAY, MONDAY, a_fluid, a_plant, a_sump

LATHE, MILL = a_sump(), a_sump(id="mill-02")
SAW = a_sump(id="saw-01", fluid=a_fluid(id="synthetic"))
PLANT = a_plant(LATHE, MILL, SAW)
CHECKED = {"lathe-04": Hygiene(MONDAY - DAY), "mill-02": Hygiene(MONDAY - DAY), "saw-01": Hygiene(MONDAY - DAY)}


def an_entry(kind: str, day: float, volume: float | None, pct: float | None, **more: Any) -> Entry:
    number = f"{kind}-{day}-{volume}"
    is_check = kind == "check"
    entry = Entry(
        number, "lathe-04", EntryKind(kind), MONDAY + day * DAY, MONDAY + day * DAY, volume, container="can-7"
    )
    entry = replace(entry, value=pct) if is_check else replace(entry, mix_pct=pct)
    return replace(entry, **more)


def standing(
    *entries: Entry, day: float = 2.0, hygiene: dict[str, Hygiene] | None = None, estimated: float | None = 11.0
) -> tuple[Container, ...]:
    moves = [move for entry in entries if (move := move_of(entry, estimated)) is not None]
    return containers(PLANT, moves, CHECKED if hygiene is None else hygiene, MONDAY + day * DAY)


def test_what_is_taken_out_stands_in_its_container() -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, 12.0))
    assert (can.volume_l, can.strength_pct, can.fluid, can.sumps) == (60.0, 12.0, "semi-synthetic", ("lathe-04",))
    assert can.expires_s == MONDAY + 14 * DAY
    assert can.serves(LATHE)
    assert can.serves(MILL)


def test_without_a_measurement_the_estimate_stands_in() -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, None), estimated=10.4)
    assert can.strength_pct == 10.4
    assert standing(an_entry("removal", 0.0, 60.0, None), estimated=None) == ()


def test_a_mix_made_of_it_takes_its_share_of_concentrate_out() -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, 12.0), an_entry("top_up", 1.0, 90.0, 4.0))
    assert can.volume_l == 30.0
    assert can.strength_pct == 12.0


def test_more_cannot_be_used_than_there_is() -> None:
    assert standing(an_entry("removal", 0.0, 60.0, 12.0), an_entry("top_up", 1.0, 500.0, 4.0)) == ()


def test_a_check_of_the_container_says_what_is_left_and_how_strong() -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, 12.0), an_entry("check", 1.0, 45.0, 12.6))
    assert (can.volume_l, can.strength_pct) == (45.0, 12.6)
    assert standing(an_entry("removal", 0.0, 60.0, 12.0), an_entry("check", 1.0, 0.0, 12.6)) == ()


def test_two_removals_blend_and_the_older_sets_the_age() -> None:
    (can,) = standing(
        an_entry("removal", 0.0, 60.0, 12.0), an_entry("removal", 1.0, 20.0, 16.0, sump="mill-02"), day=1.5
    )
    assert (can.volume_l, can.strength_pct) == (80.0, 13.0)
    assert (can.since_s, can.sumps) == (MONDAY, ("lathe-04", "mill-02"))


def test_an_emptied_container_begins_anew() -> None:
    (can,) = standing(
        an_entry("removal", 0.0, 60.0, 12.0),
        an_entry("check", 1.0, 0.0, 12.0),
        an_entry("removal", 1.5, 30.0, 9.0, sump="saw-01"),
    )
    assert (can.fluid, can.volume_l, can.blocked) == ("synthetic", 30.0, "")


def test_never_across_products() -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, 12.0))
    assert not can.serves(SAW)
    (both,) = standing(an_entry("removal", 0.0, 60.0, 12.0), an_entry("removal", 1.0, 20.0, 12.0, sump="saw-01"))
    assert both.blocked == "it holds two products"
    assert not both.serves(LATHE)


def test_old_fluid_is_used_no_more() -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, 12.0), day=15.0)
    assert "more than 14 days" in can.blocked


@pytest.mark.parametrize(
    ("known", "why"),
    [
        (Hygiene(), "not checked by hand within 8 days"),
        (Hygiene(MONDAY - 9 * DAY), "not checked by hand within 8 days"),
        (Hygiene(MONDAY - DAY, MONDAY - DAY, 8.2, 8.9), "below 8.5"),
        (Hygiene(MONDAY - DAY, MONDAY - DAY, 8.6, 9.3), "fell from 9.3 to 8.6"),
    ],
)
def test_a_sump_overdue_or_fouled_lends_nothing_but_gets_its_own_back(known: Hygiene, why: str) -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, 12.0), hygiene={"lathe-04": known})
    assert why in can.not_lent
    assert not can.serves(MILL)
    assert can.serves(LATHE)


def test_a_check_made_afterwards_mends_it() -> None:
    (can,) = standing(an_entry("removal", 0.0, 60.0, 12.0), hygiene={"lathe-04": Hygiene(MONDAY + DAY)})
    assert can.not_lent == ""


def test_hygiene_does_not_hang_on_the_order_of_entries() -> None:
    told = [
        Entry("a", "lathe-04", EntryKind.CHECK, MONDAY, MONDAY, value=8.0),
        Entry("b", "lathe-04", EntryKind.PH, MONDAY + DAY, MONDAY, value=9.3),
        Entry("c", "lathe-04", EntryKind.PH, MONDAY + 2 * DAY, MONDAY, value=8.9),
    ]
    forward, backward = Hygiene(), Hygiene()
    for entry in told:
        forward = forward.taken(entry)
    for entry in reversed(told):
        backward = backward.taken(entry)
    assert forward == backward == Hygiene(MONDAY, MONDAY + 2 * DAY, 8.9, 9.3)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["removal", "top_up", "check"]),
            st.floats(0.0, 5.0),
            st.floats(0.0, 200.0),
            st.floats(1, 20),
        ),
        max_size=8,
    )
)
def test_nothing_is_ever_negative_nor_more_than_was_put_in(steps: list[tuple[str, float, float, float]]) -> None:
    entries = [replace(an_entry(kind, day, litres, pct), id=str(i)) for i, (kind, day, litres, pct) in enumerate(steps)]
    most = sum(litres for kind, _, litres, _ in steps if kind != "top_up")
    for can in standing(*entries, day=6.0):
        assert 0.0 < can.volume_l <= most + 0.1
        assert can.strength_pct >= 0.0
