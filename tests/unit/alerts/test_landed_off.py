"""A correction carried out and landed elsewhere: when that is an alert, in whose words, and when it is over."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.conditions import Condition
from alerts.landed import Verdict
from alerts.landed_off import STANDS_S, with_landing
from alerts.landing import State
from alerts.recipes import plan_recipe
from alerts.types import AlertKind, Priority, RecipeKind
from alerts.watching import LandingRecord, Watch, is_followed
from monitor.model.types import Side
from monitor.plant.reading import Entry, EntryKind
from tests.unit.alerts.hall import HOUR, MONDAY, a_plant, a_sump, an_estimate

PLANT, SUMP = a_plant(), a_sump()
NOW = MONDAY + 19 * HOUR
LANDED = LandingRecord(
    id="lathe-04-landing-1",
    sump="lathe-04",
    time_s=NOW - HOUR,
    kind=RecipeKind.TOP_UP,
    verdict=Verdict.RICH,
    said_volume_l=380.0,
    said_pct=8.0,
    p10=7.8,
    p90=8.2,
    found_volume_l=380.0,
    found_pct=9.7,
    found_sd_pct=0.1,
    off_l=0.0,
    off_pct=1.7,
    who="Rui",
    text="lathe-04 landed rich, at 9.7 % with 380 L; the recipe said 8 % with 380 L. Measure again before correcting.",
    began_s=NOW - 2 * HOUR,
    followed=True,
    logged=True,
)
OUT = Condition(
    "lathe-04", AlertKind.OUTSIDE_BAND, "", Side.RICH, Priority.MEDIUM, "lathe-04 is rich.", 0.0, enter=True
)


def found(
    pct: float = 9.7,
    volume_l: float = 380.0,
    sd: float = 0.1,
    landing: LandingRecord | None = LANDED,
    checked_s: float | None = None,
    others: tuple[Condition, ...] = (),
    now_s: float = NOW,
) -> Condition | None:
    estimate = replace(an_estimate(volume_l, pct, now_s), concentration_sd_pct=sd)
    every = with_landing(others, PLANT, SUMP, estimate, landing, checked_s, now_s)
    return next((one for one in every if one.kind is AlertKind.LANDED_OFF), None)


@pytest.mark.parametrize(
    ("pct", "off_pct", "said"),
    [
        (9.75, 0.4, (Priority.MEDIUM, True)),  # not safely inside 6 to 10 %
        (9.65, 0.4, (Priority.LOW, False)),  # inside, though not by the wider band: stands, does not call
        (9.0, 0.4, None),  # off, and nobody has anything to do
        (9.0, 1.1, (Priority.LOW, True)),  # off by over a quarter of the band: the next mix is wrong as well
        (6.2, -0.4, (Priority.MEDIUM, True)),
    ],
)
def test_it_calls_where_it_changes_the_work(pct: float, off_pct: float, said: tuple[Priority, bool] | None) -> None:
    condition = found(pct, landing=replace(LANDED, off_pct=off_pct))
    assert (None if condition is None else (condition.priority, condition.enter)) == said


def test_a_mix_that_nobody_logged_is_not_known_to_be_wrong() -> None:
    assert found(9.0, landing=replace(LANDED, off_pct=1.1, logged=False)) is None
    assert found(9.75, landing=replace(LANDED, off_pct=1.1, logged=False)) is not None


def test_missing_litres_call_where_the_level_is_low_all_the_same() -> None:
    short = replace(LANDED, verdict=Verdict.SHORT, off_l=-60.0, off_pct=0.0)
    assert found(8.0, 330.0, landing=short) is None
    low = found(8.0, 212.0, landing=short)
    assert low is not None
    assert (low.side, low.enter) == (Side.LOW, True)
    assert "fill what is missing" in low.text


def test_what_was_logged_and_never_arrived_always_calls() -> None:
    condition = found(8.0, landing=replace(LANDED, verdict=Verdict.NO_CHANGE, off_pct=0.1))
    assert condition is not None
    assert condition.enter
    assert "Look whether it went into another sump" in condition.text


def test_the_words_say_where_it_landed_and_what_to_do() -> None:
    condition = found()
    assert condition is not None
    assert condition.text == (
        "lathe-04 landed rich, at 9.7 % with 380 L; the recipe said 8 % with 380 L. Measure again before correcting. "
        "Log the result: the recipe is made anew from it. Check how the mix was made."
    )


@pytest.mark.parametrize(
    "change",
    [
        {"landing": None},
        {"landing": replace(LANDED, verdict=Verdict.LANDED)},
        {"landing": replace(LANDED, followed=False)},
        {"checked_s": NOW - HOUR},
        {"now_s": LANDED.time_s + STANDS_S},
    ],
)
def test_it_is_over_or_never_was(change: dict[str, object]) -> None:
    assert found(**change) is None  # type: ignore[arg-type]


def test_a_check_before_the_correction_says_nothing_of_it() -> None:
    assert found(checked_s=NOW - 3 * HOUR) is not None


def test_outside_its_band_one_alert_calls_and_says_both() -> None:
    estimate = replace(an_estimate(380.0, 10.4, NOW), concentration_sd_pct=0.1)
    outside, landed = with_landing((OUT,), PLANT, SUMP, estimate, LANDED, None, NOW)
    assert outside.enter
    assert not landed.enter
    assert outside.text == (
        "lathe-04 is rich. It was corrected at Mon 17:00 and landed elsewhere than its recipe said: "
        "measure by hand before you correct it again."
    )


RECIPE = plan_recipe(PLANT, SUMP, an_estimate(250.0, 9.5), None, NOW, NOW)
BEFORE = State(250.0, 9.5, 2.0, 0.1)


@pytest.mark.parametrize(
    ("litres", "mix", "expected"),
    [(1.0, 1.0, True), (0.85, 1.1, True), (0.7, 1.0, False), (1.0, 2.0, False)],
)
def test_by_the_log_book_a_recipe_was_followed_if_litres_and_mix_agree(
    litres: float, mix: float, expected: bool
) -> None:
    (add,) = (step for step in RECIPE.steps if step.do == "add")
    entry = Entry("e", "lathe-04", EntryKind.TOP_UP, NOW, NOW, (add.volume_l or 0) * litres, (add.mix_pct or 0) * mix)
    watch = Watch("lathe-04", NOW, NOW, BEFORE, RECIPE, (entry,), told=True)
    assert is_followed(watch, RECIPE, BEFORE) is expected


@pytest.mark.parametrize(("share", "expected"), [(1.0, True), (0.92, True), (0.85, False)])
def test_without_a_word_the_gauge_says_whether_it_was_followed(share: float, expected: bool) -> None:
    (add,) = (step for step in RECIPE.steps if step.do == "add")
    end = replace(BEFORE, volume_l=250.0 + (add.volume_l or 0.0) * share)
    assert is_followed(Watch("lathe-04", NOW, NOW, BEFORE, RECIPE, told=True), RECIPE, end) is expected
