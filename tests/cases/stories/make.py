"""Makes the recordings of the stories: small, invented, with physics of their own, and what must come out of them.

Run `python -m tests.cases.stories.make` from the top folder after a change here; the files are kept with the tests.
The expectations lie around the true state that the physics reached, not around what the product said.
"""

from __future__ import annotations

import gzip
import json
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

HERE: Final = Path(__file__).parent
BEGIN_S: Final = 1_930_262_400  # Mon 2031-03-03 00:00 UTC
STEP_H: Final = 1.0 / 12.0

HEAD: Final = """\
[plant]
name = "{title}"
zone = "UTC"
units = "{units}"

[[plant.attended]]
days = ["mon", "tue", "wed", "thu", "fri"]
from = "06:00"
to = "22:00"

[fluid.soluble]
refractometer_factor = 1.5
band = [6.0, 10.0]
target = 8.0
leanest_make_up = 1.0
richest_make_up = 15.0

[water.soft]
hardness = "20 ppm"

[duty.two-shift]
expected = 0.9
[[duty.two-shift.spans]]
days = ["mon", "tue", "wed", "thu", "fri"]
from = "06:00"
to = "22:00"

[source.hall]
kind = "mqtt"
host = "127.0.0.1"
"""
SUMP: Final = """
[sump.{name}]
fluid = "soluble"
full = "{full}"
lowest = "{lowest}"
volume = {{ per_height = "{per_height}" }}
hold_up = "{hold_up}"
duty = "two-shift"
make_up_water = "soft"
"""


@dataclass
class Sump:
    """A true sump: litres and percent, losses in litres an hour, what happens at which hour."""

    name: str
    volume_l: float = 350.0
    mix_pct: float = 8.0
    evaporation: float = 1.0
    drag_out: float = 0.5
    signals: dict[str, tuple[str, str]] = field(
        default_factory=lambda: {
            "level": ("mm", "5 min"),
            "refractometer": ("degBx", "5 min"),
            "running": ("1", "5 min"),
        }
    )
    full: str = "400 L"
    lowest: str = "200 L"
    per_height: str = "1.25 L/mm"
    hold_up: str = "12 L"
    acts: list[tuple[float, float, float]] = field(default_factory=list)  # hour, litres, %
    leak: tuple[float, float] = (1e9, 0.0)  # from hour, litres an hour
    deaf: dict[str, tuple[float, float]] = field(default_factory=dict)  # signal: silent from hour to hour
    by_hand: tuple[float, ...] = ()  # hours of the day at which everything is read by hand

    @staticmethod
    def runs(hour: float) -> bool:
        return (hour // 24) % 7 < 5 and 6.0 <= hour % 24 < 22.0

    def live(self, hour: float) -> None:
        """Let one step pass."""
        running = self.runs(hour)
        water = self.evaporation * (1.0 if running else 0.4) * STEP_H
        fluid = self.drag_out * running * STEP_H + (self.leak[1] * STEP_H if hour >= self.leak[0] else 0.0)
        concentrate = (self.volume_l - fluid) * self.mix_pct
        volume_l = self.volume_l - fluid - water
        for _, litres, mix in [act for act in self.acts if hour < act[0] - 1e-6 <= hour + STEP_H]:
            concentrate += litres * (mix if litres > 0 else concentrate / volume_l)
            volume_l += litres
        self.volume_l, self.mix_pct = volume_l, concentrate / volume_l

    def say(self, hour: float, dice: random.Random) -> dict[str, float]:
        """Give what is read now, in the units of the plant file."""
        running = self.runs(hour)
        gauge_l = self.volume_l - 12.0 * running + dice.gauss(0.0, 2.0 if running else 0.7)
        said = {
            "level": round(gauge_l / 1.25 / (25.4 if self.signals.get("level", ("",))[0] == "in" else 1.0), 2),
            "refractometer": round(self.mix_pct / 1.5 + dice.gauss(0.0, 0.05), 2),
            "running": float(running),
        }
        heard = {}
        for signal in self.signals:
            begin, end = self.deaf.get(signal, (1e9, 1e9))
            if not begin <= hour < end:
                heard[signal] = said[signal]
        return heard

    def text(self) -> str:
        shape = {name: getattr(self, name) for name in ("full", "lowest", "per_height", "hold_up")}
        lines = [SUMP.format(name=self.name, **shape)]
        for signal, (unit, period) in self.signals.items():
            address = f"hall/{self.name}/{signal}"
            spec = f'{{ source = "hall", address = "{address}", unit = "{unit}", period = "{period}" }}'
            lines.append(f"signal.{signal} = {spec}\n")
        return "".join(lines)


@dataclass
class Story:
    """One recording: sumps, days, log book (CSV rows without the time: hour first) and what must come out."""

    title: str
    sumps: list[Sump]
    hours: float
    book: list[tuple[float, str]]
    expect: Callable[[dict[str, Sump]], dict[str, Any]]
    units: str = "metric"

    def write(self, name: str) -> None:
        folder = HERE / name
        folder.mkdir(exist_ok=True)
        head = HEAD.format(title=self.title, units=self.units)
        (folder / "plant.toml").write_text(head + "".join(sump.text() for sump in self.sumps), encoding="utf-8")
        rows = self._rows(random.Random(name))
        text = "time,sump,signal,value\n" + "".join(rows)
        (folder / "readings.csv.gz").write_bytes(gzip.compress(text.encode(), mtime=0))
        entries = "time,sump,kind,volume,mix,value,unit,note\n"
        entries += "".join(f"{moment(hour)},{row}\n" for hour, row in sorted(self.book))
        (folder / "entries.csv").write_text(entries, encoding="utf-8")
        expected = self.expect({sump.name: sump for sump in self.sumps})
        (folder / "expected.json").write_text(json.dumps(expected, indent=2) + "\n", encoding="utf-8")

    def _rows(self, dice: random.Random) -> list[str]:
        rows = []
        for number in range(int(self.hours / STEP_H)):
            hour = number * STEP_H
            for sump in self.sumps:
                sump.live(hour)
                if sump.by_hand and not any(abs(hour % 24 - at) < STEP_H / 2 for at in sump.by_hand):
                    continue
                said = sump.say(hour, dice)
                rows += [f"{moment(hour + STEP_H)},{sump.name},{signal},{value:g}\n" for signal, value in said.items()]
        return rows


def moment(hour: float) -> str:
    return datetime.fromtimestamp(BEGIN_S + round(hour * 3600), UTC).isoformat()


def near(value: float, off: float) -> list[float]:
    return [round(value - off, 2), round(value + off, 2)]


def at_the_end(sumps: dict[str, Sump], litres: float = 8.0, percent: float = 0.5, **more: Any) -> dict[str, Any]:
    """Expect the last estimate around the truth."""
    return {
        name: {"volume_l": near(one.volume_l, litres), "concentration_pct": near(one.mix_pct, percent), **more}
        for name, one in sumps.items()
    }


LEVEL: Final = {"level": ("mm", "5 min"), "running": ("1", "5 min")}
BRIX: Final = {"refractometer": ("degBx", "5 min"), "running": ("1", "5 min")}
HAND: Final = {"level": ("mm", "12 h"), "refractometer": ("degBx", "12 h")}

STORIES: Final = {
    "unlogged-top-up": Story(
        "Somebody fills without a word",
        [Sump("lathe-01", volume_l=330.0, acts=[(32.0, 55.0, 3.0)])],
        44.0,
        [(12.0, "lathe-01,check,,,8.1,%,")],
        lambda sumps: {
            "events": [
                {
                    "kind": "unlogged_top_up",
                    "sump": "lathe-01",
                    "time": [moment(31.5), moment(32.5)],
                    "volume_l": [47, 63],
                    "mix_pct": [1.0, 5.5],
                }
            ],
            "no_events": ["unlogged_removal", "loss_jump", "doubtful_signal", "silent_signal"],
            "last": at_the_end(sumps),
        },
    ),
    "removal": Story(
        "Fluid is taken out and nobody logs it",
        [Sump("lathe-01", volume_l=380.0, acts=[(30.0, -60.0, 0.0)])],
        42.0,
        [],
        lambda sumps: {
            "events": [
                {
                    "kind": "unlogged_removal",
                    "sump": "lathe-01",
                    "time": [moment(29.5), moment(30.5)],
                    "volume_l": [50, 70],
                }
            ],
            "no_events": ["unlogged_top_up", "silent_signal"],
            "last": at_the_end(sumps),
        },
    ),
    "silent-signal": Story(
        "A refractometer falls silent",
        [Sump("lathe-01", deaf={"refractometer": (30.0, 99.0)}), Sump("mill-02")],
        40.0,
        [],
        lambda sumps: {
            "events": [{"kind": "silent_signal", "sump": "lathe-01", "time": [moment(29.5), moment(30.5)]}],
            "alerts": [{"kind": "signal_silent", "sump": "lathe-01", "raised": [moment(31.9), moment(33.0)]}],
            "no_events": ["unlogged_top_up", "unlogged_removal"],
            "last": at_the_end(sumps),
        },
    ),
    "leak": Story(
        "A hose leaks from Tuesday noon",
        [Sump("lathe-01", volume_l=390.0, leak=(36.0, 4.0)), Sump("mill-02")],
        60.0,
        [],
        lambda sumps: {
            "events": [
                {
                    "kind": "loss_jump",
                    "sump": "lathe-01",
                    "detected": [moment(37.0), moment(56.0)],
                    "volume_l": [45, 150],
                }
            ],
            "alerts": [{"kind": "loss_jump", "sump": "lathe-01", "recipe": ["look_for_leak", "check_first"]}],
            "last": at_the_end(sumps, litres=12.0),
        },
    ),
    "evening-alert": Story(
        "A sump that will go rich in the night",
        [Sump("lathe-01", volume_l=372.0, evaporation=1.9)],
        46.0,
        [(6.5, "lathe-01,check,,,8.0,%,")],
        lambda sumps: {
            "alerts": [
                {
                    "kind": "leaves_band_unattended",
                    "sump": "lathe-01",
                    "raised": [moment(40.0), moment(46.0)],
                    "recipe": ["top_up", "take_out_and_refill", "top_up_in_steps"],
                }
            ],
            "last": at_the_end(sumps, exit_side="rich", exit_p50=[0.0, 8.0]),
        },
    ),
    "outside-band": Story(
        "A sump that is too lean",
        [Sump("lathe-01", volume_l=330.0, mix_pct=4.9)],
        20.0,
        [(1.0, "lathe-01,check,,,4.9,%,")],
        lambda sumps: {
            "alerts": [
                {
                    "kind": "outside_band",
                    "sump": "lathe-01",
                    "raised": [moment(0.0), moment(4.0)],
                    "recipe": ["top_up", "enrich", "take_out_and_refill", "top_up_in_steps", "check_first"],
                }
            ],
            "last": at_the_end(sumps, exit_side="lean", exit_p50=[0.0, 0.0], exit_p90=[0.0, 0.0]),
        },
    ),
    "wrong-entry": Story(
        "A top-up is logged on the wrong sump",
        [Sump("lathe-01"), Sump("mill-02", volume_l=300.0, acts=[(30.0, 70.0, 4.0)])],
        46.0,
        [(30.1, "lathe-01,top_up,70,4,,,meant for mill-02")],
        lambda sumps: {
            "events": [
                {
                    "kind": "unlogged_top_up",
                    "sump": "mill-02",
                    "time": [moment(29.5), moment(30.5)],
                    "volume_l": [60, 80],
                }
            ],
            "last": at_the_end(sumps),
        },
    ),
    "us-units": Story(
        "A shop that measures in inches and gallons",
        [
            Sump(
                "lathe-01",
                signals={"level": ("in", "5 min"), "refractometer": ("degBx", "5 min"), "running": ("1", "5 min")},
                full="105.67 US gal",
                lowest="52.83 US gal",
                per_height="8.3876 US gal/in",
                hold_up="3.17 US gal",
            )
        ],
        30.0,
        [(10.0, "lathe-01,check,,,8.1,%,")],
        lambda sumps: {
            "no_events": ["unlogged_top_up", "unlogged_removal", "doubtful_signal"],
            "last": at_the_end(sumps),
        },
        units="us",
    ),
    "level-only": Story(
        "A gauge and nothing else",
        [Sump("lathe-01", signals=dict(LEVEL), acts=[(31.0, 50.0, 3.0)])],
        46.0,
        [(0.5, "lathe-01,check,,,8.0,%,"), (31.2, "lathe-01,top_up,50,3,,,")],
        lambda sumps: {
            "no_events": ["unlogged_removal", "doubtful_signal"],
            "last": at_the_end(sumps, percent=1.0),
        },
    ),
    "refractometer-only": Story(
        "A refractometer and nothing else",
        [Sump("lathe-01", signals=dict(BRIX))],
        40.0,
        [],
        lambda sumps: {
            "no_events": ["unlogged_removal", "doubtful_signal"],
            "last": {"lathe-01": {"concentration_pct": near(sumps["lathe-01"].mix_pct, 0.5), "volume_l": [150, 450]}},
        },
    ),
    "hand-readings": Story(
        "A sump read by hand twice a day",
        [Sump("lathe-01", signals=dict(HAND), by_hand=(6.5, 18.5), volume_l=380.0)],
        8 * 24.0,
        [(7.0, "lathe-01,check,,,8.0,%,")],
        lambda sumps: {
            "no_events": ["silent_signal"],
            "last": at_the_end(sumps, litres=22.0, percent=0.8),
        },
    ),
}


if __name__ == "__main__":
    for name, story in STORIES.items():
        story.write(name)
