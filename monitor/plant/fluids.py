"""From [fluid.…] and [water.…] tables to fluids and waters."""

from __future__ import annotations

import math
from typing import Any

from monitor.plant import schema
from monitor.plant.faults import Faults
from monitor.plant.lines import Path
from monitor.plant.tables import Table, read_table
from monitor.plant.types import Fluid, Station, Water

DEFAULT_LEANEST_PCT = 1.0
DEFAULT_RICHEST_PCT = 15.0
DEFAULT_LOWEST_PH = 8.5  # below it properties worsen quickly (GisChem)
DEFAULT_CHECK_EVERY_S = 8 * 86400.0  # at least weekly (DGUV Information 209-066), and a day's grace
DEFAULT_SHELF_LIFE_S = 14 * 86400.0  # common practice, no source: use it soon


def read_fluid(key: str, raw: Any, faults: Faults) -> Fluid | None:
    """Read one fluid; None if it has faults."""
    path, before = ("fluid", key), faults.noted
    v = read_table(schema.FluidTable, raw, path, faults)
    low, high = v.get("band", (None, None))
    if low is not None and high is not None:
        v = _with_defaults(v, low, high)
        _check_band(v, low, high, path, faults)
    _check_make_up(v, low, path, faults)
    if faults.noted > before or low is None or "refractometer_factor" not in v:
        return None
    return Fluid(
        id=key,
        refractometer_factor=v["refractometer_factor"],
        band_pct=(low, high),
        target_pct=v["target"],
        leanest_make_up_pct=v["leanest_make_up"],
        richest_make_up_pct=v["richest_make_up"],
        hardness_limit_ppm=v["hardness_limit"],
        conductivity_limit_us_cm=v["conductivity_limit"],
        lowest_ph=v["lowest_ph"] or DEFAULT_LOWEST_PH,
        check_every_s=v["check_every"] or DEFAULT_CHECK_EVERY_S,
        shelf_life_s=v["shelf_life"] or DEFAULT_SHELF_LIFE_S,
    )


def _with_defaults(v: Table, low: float, high: float) -> Table:
    """Fill what follows from the band: aim at its middle, keep the usual make-ups around it."""
    follows = {
        "target": (low + high) / 2,
        "leanest_make_up": min(DEFAULT_LEANEST_PCT, low / 2) or DEFAULT_LEANEST_PCT,
        "richest_make_up": max(DEFAULT_RICHEST_PCT, high),
    }
    return v | {name: value for name, value in follows.items() if v.get(name, 0) is None}


def _check_band(v: Table, low: float, high: float, path: Path, faults: Faults) -> None:
    if not low < high:
        faults.add((*path, "band"), f"{low:g} must be less than {high:g}: lowest strength first, such as [6.0, 10.0]")
    elif "target" in v and not low < v["target"] < high:
        faults.add((*path, "target"), f"{v['target']:g} must lie inside the band, between {low:g} and {high:g}")


def _check_make_up(v: Table, low: float | None, path: Path, faults: Faults) -> None:
    leanest, richest, target = v.get("leanest_make_up"), v.get("richest_make_up"), v.get("target")
    if leanest == 0:
        faults.add((*path, "leanest_make_up"), "must be more than 0: plain water never goes into a working sump")
    elif leanest is not None and richest is not None and leanest >= richest:
        faults.add((*path, "leanest_make_up"), f"{leanest:g} must be less than richest_make_up, which is {richest:g}")
    elif leanest is not None and target is not None and leanest >= target:
        text = f"{leanest:g} must be less than the target {target:g}, else a rich sump can never be brought down to it"
        faults.add((*path, "leanest_make_up"), text)
    if richest is not None and low is not None and 0 < richest <= low:
        text = f"{richest:g} must be more than {low:g}, else a lean sump can never be brought back into its band"
        faults.add((*path, "richest_make_up"), text)


def read_water(key: str, raw: Any, faults: Faults) -> Water | None:
    """Read one water; None if it has faults."""
    v = read_table(schema.WaterTable, raw, ("water", key), faults)
    return Water(key, v["hardness"], v.get("conductivity")) if "hardness" in v else None


def read_station(raw: Any, bucket_l: float, faults: Faults) -> Station:
    """Read the mixing station; what is left out limits nothing, and a bucket is the least worth a batch or a cart."""
    path = ("station",)
    v = {key: value for key, value in read_table(schema.StationTable, raw, path, faults).items() if value is not None}
    station = Station(
        batch_l=v.get("batch", math.inf),
        smallest_batch_l=v.get("smallest_batch", min(bucket_l, v.get("batch", bucket_l))),
        cart_l=v.get("cart", bucket_l),
        mix_step_pct=v.get("mix_step", 0.1),
        leanest_pct=v.get("leanest", 0.0),
        richest_pct=v.get("richest", 100.0),
    )
    if station.smallest_batch_l > station.batch_l:
        faults.add((*path, "smallest_batch"), "must not be more than batch")
    if station.leanest_pct >= station.richest_pct:
        faults.add(
            (*path, "leanest"), f"{station.leanest_pct:g} must be less than richest, which is {station.richest_pct:g}"
        )
    return station
