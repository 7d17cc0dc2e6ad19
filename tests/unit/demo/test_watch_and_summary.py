"""What the closing summary says is counted from the run."""

from __future__ import annotations

import pytest

from alerts.types import AlertKind
from config_demo.crew import Act, Crew, Poured
from config_demo.story import NATURES, START_S, UNTOUCHED, at
from config_demo.summary import Summary, landing_lines, local, sum_up
from config_demo.watch import Limits, Watch, noticed
from config_demo.world import Fill, World
from monitor.model.types import EventKind, Side
from tests.unit.demo import pictures
from tests.unit.demo.test_crew import Papers

LIMITS = {name: Limits((6.0, 10.0), 0.4 * nature.full_l) for name, nature in NATURES.items()}


@pytest.fixture
def world() -> World:
    return World(NATURES, dict.fromkeys(NATURES, lambda _: False), start_s=START_S, zone="Europe/Lisbon", seed=2)


@pytest.fixture
def watch(world: World) -> Watch:
    return Watch(world, LIMITS, lambda time_s: time_s >= at(0, "06:00"), START_S)


def make_act(sump: str, world: World, said: tuple[float, float, float] = (8.1, 7.8, 8.4)) -> Act:
    return Act(sump, "Ada", "top_up", world.now_s, True, (f"{sump}-leaves_band_unattended",), 380.0, *said)


def test_sides() -> None:
    limits = Limits((6.0, 10.0), 100.0)
    assert limits.side(Fill.of(150.0, 8.0)) is Side.NONE
    assert limits.side(Fill.of(150.0, 10.1)) is Side.RICH
    assert limits.side(Fill.of(150.0, 5.9)) is Side.LEAN
    assert limits.side(Fill.of(99.0, 8.0)) is Side.LOW


def test_a_spell_outside_begins_and_ends_and_knows_who_was_there(world: World, watch: Watch) -> None:
    sump = world.sumps["gannet"]
    sump.fill = Fill.of(300.0, 10.5)
    for _ in range(10):
        world.step()
        watch.minute([])
    sump.fill = Fill.of(300.0, 8.0)
    world.step()
    watch.minute([])
    [spell] = watch.spells
    assert (spell.sump, spell.side, spell.attended) == ("gannet", Side.RICH, False)
    assert spell.to_s is not None
    assert spell.to_s - spell.from_s == 600.0


def test_an_exit_is_avoided_only_if_the_twin_left_and_the_sump_did_not(world: World, watch: Watch) -> None:
    helped, spoilt, calm = (make_act(name, world) for name in ("gannet", "heron", "curlew"))
    for act in (helped, spoilt, calm):
        act.twin = world.sumps[act.sump].twin()
        world.twins.append(act.twin)
    for _ in range(5):
        world.step()
        watch.minute([helped, spoilt, calm])
    for act in (helped, spoilt):
        assert act.twin is not None
        act.twin.fill = Fill.of(300.0, 10.5)
    world.sumps["heron"].fill = Fill.of(200.0, 10.5)
    world.step()
    watch.minute([helped, spoilt, calm])
    assert [(act.sump, side) for act, side, _ in watch.avoided] == [("gannet", Side.RICH)]
    assert world.twins == [calm.twin]


def test_bringing_back_a_sump_that_was_out_avoids_no_exit(world: World, watch: Watch) -> None:
    act = make_act("gannet", world)
    world.sumps["gannet"].fill = Fill.of(300.0, 10.5)
    act.twin = world.sumps["gannet"].twin()
    world.twins.append(act.twin)
    world.sumps["gannet"].fill = Fill.of(380.0, 8.0)
    world.step()
    watch.minute([act])
    assert watch.avoided == []
    assert act.twin is None


def test_events_and_alerts_are_new_only_once(watch: Watch) -> None:
    picture = pictures.snapshot(
        "gannet", alerts=(pictures.alert("gannet"),), events=(pictures.event("gannet", pictures.NOW_S),)
    )
    events, alerts = watch.look(picture)
    assert (len(events), len(alerts)) == (1, 1)
    assert watch.look(picture) == ([], [])
    assert watch.first_said["gannet"].p50_s == pictures.NOW_S + 11 * 3600.0


def test_an_event_notices_one_unlogged_pour_near_in_time() -> None:
    pours = [
        Poured("plover", 1000.0, 45.0, 13.0, logged=False),
        Poured("plover", 90_000.0, 20.0, 5.0, logged=False),
        Poured("plover", 90_500.0, 20.0, 5.0, logged=True),
        Poured("heron", 1000.0, 30.0, 5.0, logged=False),
    ]
    events = [
        pictures.event("plover", 1600.0),
        pictures.event("plover", 2000.0),
        pictures.event("heron", 50_000.0),
        pictures.event("heron", 1000.0, EventKind.LOSS_JUMP),
    ]
    assert [(pour.sump, pour.time_s, event.time_s) for pour, event in noticed(pours, events)] == [
        ("plover", 1000.0, 1600.0)
    ]


def finished(world: World, watch: Watch) -> Summary:
    crew = Crew(world, Papers(), Papers(), lambda _line: None)
    inside, outside = make_act("gannet", world), make_act("heron", world)
    inside.truth_l, inside.truth_pct, inside.estimate_l, inside.estimate_pct = 379.0, 8.05, 378.0, 8.07
    outside.truth_l, outside.truth_pct, outside.estimate_l, outside.estimate_pct = 379.0, 8.65, 378.0, 8.5
    crew.acts.extend([inside, outside])
    world.sumps[UNTOUCHED].fill = Fill.of(200.0, 10.4)
    world.step()
    watch.minute(crew.acts)
    watch.look(
        pictures.snapshot(
            "gannet",
            UNTOUCHED,
            alerts=(
                pictures.alert("gannet"),
                pictures.alert(UNTOUCHED),
                pictures.alert("curlew", AlertKind.SIGNAL_SILENT, recipe=None),
            ),
            events=(
                pictures.event("plover", at(0, "11:00")),
                pictures.event("osprey", at(0, "20:00"), EventKind.LOSS_JUMP),
            ),
        )
    )
    watch.off_pct.extend([0.05, 0.07, 0.2])
    watch.off_volume.extend([0.004, 0.006, 0.02])
    pours = [Poured("plover", at(0, "11:10"), 40.0, 13.0, logged=False), Poured("gannet", 0.0, 60.0, 2.0, logged=True)]
    return sum_up(
        watch, crew, pours, sent=100, taken_in=99, real_s=2.0, leak=("osprey", at(0, "15:00")), cut_short=False
    )


def test_the_summary_counts(world: World, watch: Watch) -> None:
    summary = finished(world, watch)
    assert (summary.top_ups, summary.logged, len(summary.noticed)) == (2, 1, 1)
    assert (summary.alerts, summary.alerts_before_night, summary.alerts_acted_on) == (3, 2, 1)
    assert (summary.alerts_for_untouched, summary.silent_alerts) == (1, 1)
    assert (len(summary.landed), summary.landings_inside) == (2, 1)
    assert (summary.off_pct, summary.off_volume_share) == (0.07, 0.006)
    assert summary.leak_found_after_h == pytest.approx(5.5)
    assert [spell.side for spell in summary.untouched] == [Side.RICH]


def test_the_summary_reads_well(world: World, watch: Watch) -> None:
    lines = dict(finished(world, watch).lines())
    assert (
        lines["top-ups"]
        == "2 poured in, 1 logged, 1 of 1 unlogged ones noticed after 0.3 h, volume off by 10 % (medians)"
    )
    assert lines["recipes"].startswith("2 carried out, 1 of 2 landings inside the stated interval, 0.30 points")
    assert lines["readings"] == "100 sent, 99 taken in"
    assert lines["leak"] == "noticed 5.5 h after it began"
    assert "left its band Wed 05:01 (rich)" in lines[f"{UNTOUCHED}, untouched"]


def test_landings_stand_side_by_side(world: World) -> None:
    act = make_act("gannet", world)
    act.truth_pct, act.estimate_pct = 8.05, 8.07
    assert landing_lines([act, make_act("heron", world)]) == [
        (local(START_S), "gannet", "8.1 %", "7.8–8.4", "8.05 %", "8.07 %", "inside")
    ]


def test_an_empty_run_says_so(world: World, watch: Watch) -> None:
    crew = Crew(world, Papers(), Papers(), lambda _line: None)
    lines = dict(sum_up(watch, crew, [], sent=0, taken_in=0, real_s=0.0, leak=None, cut_short=True).lines())
    assert lines["recipes"] == "none carried out"
    assert lines["estimate"] == "not yet held against the truth"
    assert lines["time"].endswith("cut short")
