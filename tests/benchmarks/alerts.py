"""Figures of alerting: how often people are called, how far ahead, how often for nothing; and from reading to webhook.

`python -m tests.benchmarks alerts [HALL …] [--sumps N]`: HALL is a recording's folder with its truth (`exits.csv`: when
each sump leaves its band if nobody touches it; `services.csv`: when somebody did). An exit counts where nobody touched
the sump before it. A call that a sump will leave is false where it would not have left before somebody was back.
Flapping are alerts that came three times within a day while nobody touched the sump.
"""

from __future__ import annotations

import argparse
import logging
import math
import statistics
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Final

from adapters.delivery import Delivery
from alerts.attendance import attendance
from alerts.hygiene import flapping
from alerts.types import AlertKind, AlertState, Transition
from monitor.daemon import Daemon
from monitor.pipeline import Pipeline
from monitor.plant.file import load_plant
from monitor.plant.reading import Reading, Signal
from monitor.plant.types import Plant
from monitor.record.csv_in import read_entries, read_readings
from tests.benchmarks.recording import number, rows, seconds
from tests.fixtures.receivers import HookServer

HOUR_S: Final = 3600.0
SLICE_S: Final = 6 * HOUR_S
WEEK_S: Final = 7 * 86400.0
AHEAD: Final = {AlertKind.LEAVES_BAND_UNATTENDED, AlertKind.LOWEST_NEAR}
OUT: Final = {AlertKind.OUTSIDE_BAND}


@dataclass(frozen=True)
class Exit:
    """A sump left its band at `time_s`, and nobody had touched it since the moment it was foretold from."""

    sump: str
    time_s: float


def moves_of(hall: Path, plant: Plant) -> tuple[list[Transition], float, float]:
    """Replay a hall; return every transition, and from when to when it was watched."""
    pipeline = Pipeline(plant, calm_too=False)
    entries = sorted(read_entries(hall / "entries.csv", plant, print), key=lambda one: one.logged_s)
    moves: list[Transition] = []
    first = last = 0.0
    readings = read_readings(hall / "readings.csv.gz", plant, print)
    for slot, some in groupby(readings, key=lambda one: int(one.time_s // SLICE_S)):
        end_s = (slot + 1) * SLICE_S
        first, last = first or slot * SLICE_S, end_s
        pipeline.take(list(some), [one for one in entries if one.logged_s < end_s])
        entries = [one for one in entries if one.logged_s >= end_s]
        moves += [move for changes in pipeline.run_until(end_s) for move in changes.transitions]
    return moves, first, last


def services_of(hall: Path) -> dict[str, list[float]]:
    """Return when each sump was touched."""
    found: dict[str, list[float]] = {}
    for row in rows(hall / "services.csv"):
        found.setdefault(row["sump"], []).append(seconds(row["time"]))
    return found


def foretold(hall: Path) -> dict[str, list[tuple[float, float]]]:
    """Return for each sump (moment, true exit if nobody touches it from then on)."""
    found: dict[str, list[tuple[float, float]]] = {}
    for row in rows(hall / "exits.csv"):
        moment = seconds(row["time"])
        found.setdefault(row["sump"], []).append((moment, moment + HOUR_S * number(row["hours"], math.inf)))
    return found


def exits_of(truth: dict[str, list[tuple[float, float]]], touched: dict[str, list[float]]) -> Iterator[Exit]:
    """Yield the exits that really happened: nobody touched the sump between the moment and the exit."""
    for sump, told in truth.items():
        last = float("-inf")
        for moment, exit_s in told:
            untouched = not any(moment <= one <= exit_s for one in touched.get(sump, ()))
            if untouched and exit_s > moment and exit_s - moment <= SLICE_S and exit_s - last > SLICE_S:
                last = exit_s
                yield Exit(sump, exit_s)


def lead_h(moves: Sequence[Transition], one: Exit) -> float | None:
    """Return how many hours ahead a call stood that the sump would leave; None if none did.

    A call that ends because the sump is judged to have left stands on in the alert that it is outside its band.
    """
    began = lost = None
    standing: set[str] = set()
    for move in moves:
        ahead = move.alert.kind in AHEAD
        if move.alert.sump != one.sump or move.time_s > one.time_s or not (ahead or move.alert.kind in OUT):
            continue
        if not ahead and began is None:
            continue
        (standing.add if move.alert.cleared_s is None else standing.discard)(move.alert_id)
        if not standing:
            lost = move.time_s if lost is None else lost
        elif lost is not None and move.time_s > lost:
            began, lost = (move.time_s if ahead else None), None
        else:
            began, lost = (move.time_s if began is None else began), None
    if began is None or (lost is not None and one.time_s - lost > HOUR_S):
        return None
    return (one.time_s - began) / HOUR_S


@dataclass
class Called:
    """How calls that a sump would leave before somebody is back came out, of those that can be judged."""

    judged: int = 0
    wrong: int = 0
    wrong_but_due: int = 0
    at_night: int = 0
    wrong_at_night: int = 0


def came_out(
    plant: Plant,
    moves: Sequence[Transition],
    truth: dict[str, list[tuple[float, float]]],
    touched: dict[str, list[float]],
) -> Called:
    """Judge the calls: wrong where the sump would not have left before somebody was back.

    `wrong_but_due` of these would have left in the attended window that follows, so the work was only done early.
    """
    found = Called()
    for move in moves:
        alert = move.alert
        if move.before is not AlertState.NORMAL or alert.kind is not AlertKind.LEAVES_BAND_UNATTENDED:
            continue
        later = next((one for one in truth.get(alert.sump, ()) if one[0] >= move.time_s), None)
        if later is None or any(move.time_s <= one <= later[0] for one in touched.get(alert.sump, ())):
            continue
        there = attendance(plant.attended, move.time_s)
        wrong = later[1] > there.back_s
        found.judged += 1
        found.wrong += wrong
        found.wrong_but_due += wrong and later[1] <= attendance(plant.attended, there.back_s).until_s
        found.at_night += not there.attended
        found.wrong_at_night += wrong and not there.attended
    return found


def hall_figures(hall: Path) -> None:
    """Print the figures of one hall."""
    plant = load_plant(hall / "plant.toml")
    began = time.monotonic()
    moves, from_s, to_s = moves_of(hall, plant)
    truth, touched = foretold(hall), services_of(hall)
    sump_weeks = len(plant.sumps) * (to_s - from_s) / WEEK_S
    raised = [move for move in moves if move.before is AlertState.NORMAL]
    kinds = {kind.value: sum(m.alert.kind is kind for m in raised) for kind in AlertKind}
    print(
        f"{hall.name}: {len(plant.sumps)} sumps, {sump_weeks:.0f} sump-weeks, "
        f"replayed in {time.monotonic() - began:.0f} s"
    )
    print(
        f"  alerts a sump-week: {len(raised) / sump_weeks:.2f} ({', '.join(f'{k} {n}' for k, n in kinds.items() if n)})"
    )
    exits = list(exits_of(truth, touched))
    for name, some in (
        ("all exits", exits),
        ("exits while nobody is there", [one for one in exits if not plant.attended.covers(one.time_s)]),
    ):
        leads = {one: found for one in some if (found := lead_h(moves, one)) is not None}
        there = sum(plant.attended.covers(one.time_s - HOUR_S * lead) for one, lead in leads.items())
        hours = f", median {statistics.median(leads.values()):.1f} h ahead" if leads else ""
        print(f"  {name}: {len(leads)} of {len(some)} called ahead{hours}; {there} while somebody was there to act")
    out = came_out(plant, moves, truth, touched)
    share = out.wrong / out.judged if out.judged else 0.0
    print(
        f"  false: {out.wrong} of {out.judged} calls that a sump would leave before somebody is back ({share:.0%}), "
        f"{out.wrong_but_due} of them due in the window after; at night {out.wrong_at_night} of {out.at_night}"
    )
    updates = sum(move.before is move.after for move in moves)
    print(f"  updates of standing alerts a sump-week: {updates / sump_weeks:.2f}; flapping: {flapping(moves, touched)}")


PLANT: Final = """
[plant]
name = "Latency works"
zone = "UTC"
[fluid.semi]
refractometer_factor = 1.5
band = [6.0, 10.0]
[status]
listen = "off"
[channel.desk]
kind = "webhook"
url = "{url}"
[person.desk]
name = "Desk"
reach = [{{ channel = "desk" }}]
[route.all]
to = ["desk"]
"""
SUMP: Final = """
[sump.s-{n}]
fluid = "semi"
full = "400 L"
lowest = "200 L"
volume = {{ per_height = "1.25 L/mm" }}
"""


def latency(sumps: int, steps: int = 14, a_step: int = 8) -> list[float]:
    """Return seconds from the delivery of the readings that raise an alert to the event at its receiver."""
    start = 1930298400.0
    now = [start]
    delivered: list[float] = []
    low_since: dict[int, int] = {}
    with tempfile.TemporaryDirectory() as folder, HookServer() as hook:
        path = Path(folder) / "plant.toml"
        path.write_text(PLANT.format(url=hook.url) + "".join(SUMP.format(n=n) for n in range(sumps)))
        daemon = Daemon(load_plant(path), lambda: now[0], tick_s=0.05)
        took: list[float] = []
        with daemon:
            for step in range(steps):
                time_s = start + 900.0 * step
                low_since.update({n: step for n in range(a_step * step, min(a_step * (step + 1), sumps)) if step > 3})
                readings = tuple(_readings(sumps, low_since, time_s))
                before, seen = daemon.counters()["steps"], len(hook.posts)
                now[0] = time_s + 1.0
                delivered.append(time.monotonic())
                daemon._worker.deliver(Delivery(readings))
                while daemon.counters()["steps"] == before and step:
                    time.sleep(0.002)
                _settle(daemon)
                took += [post.at - delivered[-1] for post in hook.posts[seen:] if post.event["type"].endswith("raised")]
    return took


def _settle(daemon: Daemon) -> None:
    """Wait until nothing more is sent."""
    quiet, last = time.monotonic(), daemon.counters()
    while time.monotonic() - quiet < 0.6:
        time.sleep(0.05)
        if daemon.counters() != last:
            quiet, last = time.monotonic(), daemon.counters()


def _readings(sumps: int, low: dict[int, int], time_s: float) -> Iterator[Reading]:
    for n in range(sumps):
        level = 130.0 if n in low else 280.0
        yield Reading(f"s-{n}", Signal.LEVEL, level, time_s, time_s)
        yield Reading(f"s-{n}", Signal.REFRACTOMETER, 5.3, time_s, time_s)


def main(arguments: Sequence[str]) -> int:
    """Print everything."""
    parser = argparse.ArgumentParser(prog="alerts")
    parser.add_argument("halls", nargs="*", type=Path)
    parser.add_argument("--sumps", type=int, default=500)
    options = parser.parse_args(arguments)
    logging.getLogger("apscheduler").setLevel(logging.ERROR)  # it says each tick that a busy worker left out
    for hall in options.halls:
        hall_figures(hall)
    took = latency(options.sumps)
    if took:
        ranked = sorted(took)
        last = ranked[min(int(0.99 * len(ranked)), len(ranked) - 1)]
        print(
            f"{options.sumps} sumps: {len(took)} alerts, reading to webhook median {statistics.median(took):.2f} s, "
            f"99 % {last:.2f} s"
        )
    return 0
