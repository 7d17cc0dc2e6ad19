"""The invented works and its week: Gull Stairs Works, where every machine bears the name of a shore bird.

They make winch drums, pump housings and rudder pins for a fishing harbour, in a hall at the slip, an old boiler house
and an annexe. Wednesday 5 March 2031, five in the morning: the story begins and runs on for as many days as asked.
All names and figures are made up; rates are of the size that machine sumps have.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from config_demo.instruments import Quirks
from config_demo.world import Leak, Nature

ZONE: Final = "Europe/Lisbon"
FIRST_DAY: Final = datetime(2031, 3, 5, tzinfo=ZoneInfo(ZONE))
UNTOUCHED: Final = "dunlin"  # its door is locked and the key is at sea: nobody will touch it, whatever is said

Doing = Literal["pour", "gateway_off", "gateway_on"]


def at(day: int, clock: str) -> float:
    """Return the Unix seconds of a wall-clock time on a day of the story (0 is the first)."""
    hour, minute = map(int, clock.split(":"))
    wall = (FIRST_DAY + timedelta(days=day)).replace(hour=hour, minute=minute)
    return wall.astimezone(UTC).timestamp()


START_S: Final = at(0, "05:00")


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that befalls a sump whether or not anybody watches. A pour is one that nobody writes down."""

    at_s: float
    sump: str
    doing: Doing
    volume_l: float = 0.0
    pct: float = 0.0
    tale: str = ""


HAPPENINGS: Final[tuple[Happening, ...]] = (
    Happening(at(0, "11:10"), "plover", "pour", 45.0, 13.0, "old Teo tops up by eye, far too rich, and tells nobody"),
    Happening(at(0, "12:40"), "curlew", "gateway_off", tale="the gateway of curlew loses its supply"),
    Happening(at(0, "19:10"), "curlew", "gateway_on", tale="somebody puts the plug of curlew's gateway back in"),
    Happening(
        at(1, "09:40"), "turnstone", "pour", 42.0, 1.0, "an apprentice fills up turnstone with weak mix, unlogged"
    ),
    Happening(at(4, "12:30"), "petrel", "pour", 30.0, 4.0, "the Sunday watchman gives petrel a few buckets, unlogged"),
    Happening(at(6, "10:15"), "avocet", "pour", 28.0, 9.0, "a setter tops up avocet on his way, unlogged"),
)


def _nature(
    name: str, full: float, start: tuple[float, float], rates: tuple[float, float, float], **more: float
) -> Nature:
    """Make a nature: `start` is litres and percent, `rates` litres an hour: evaporation idle, running, drag-out."""
    leak_l_per_h = more.get("leak", 0.0)
    return Nature(
        id=name,
        full_l=full,
        start_l=start[0],
        start_pct=start[1],
        evaporation_idle_l_per_h=rates[0],
        evaporation_running_l_per_h=rates[1],
        drag_out_l_per_h=rates[2],
        hold_up_l=more.get("hold_up", 0.04 * full),
        running_share=more.get("share", 0.88),
        leak=Leak(at(0, "15:00"), leak_l_per_h) if leak_l_per_h else None,
    )


NATURES: Final[Mapping[str, Nature]] = {
    nature.id: nature
    for nature in (
        _nature("gannet", 400, (335, 9.15), (0.40, 1.60, 0.45)),
        _nature("heron", 220, (185, 8.65), (0.20, 0.90, 0.30)),
        _nature("plover", 180, (112, 6.50), (0.15, 0.60, 0.20), share=0.80),
        _nature("curlew", 300, (245, 7.60), (0.25, 1.00, 0.35)),
        _nature("petrel", 400, (365, 7.40), (0.35, 1.15, 0.30), share=0.92),
        _nature("dunlin", 250, (205, 7.88), (0.20, 0.80, 0.25)),
        _nature("osprey", 500, (455, 8.00), (0.35, 1.20, 0.40), leak=2.2),
        _nature("avocet", 160, (146, 6.90), (0.10, 0.45, 0.20), share=0.80),
        _nature("teal", 200, (172, 7.80), (0.15, 0.70, 0.25)),
        _nature("puffin", 260, (152, 8.10), (0.25, 0.60, 0.90)),
        _nature("sanderling", 240, (214, 6.80), (0.15, 0.55, 0.40), share=0.80),
        _nature("turnstone", 320, (262, 6.40), (0.20, 0.80, 0.45)),
    )
}

QUIRKS: Final[Mapping[str, Quirks]] = {
    "heron": Quirks(drift_brix_per_day=0.03),
    "puffin": Quirks(bias_brix=0.15),
    "osprey": Quirks(bias_brix=-0.12, chips=0.012),
    "teal": Quirks(level_noise_running_mm=3.5),
}
