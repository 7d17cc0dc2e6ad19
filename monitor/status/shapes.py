"""The JSON the status API speaks, made from the snapshot's values; pure, one shape for each thing.

Names carry their unit as everywhere in the house; times are RFC 3339 in UTC; exits are hours as in `forecasts.csv`
with the moment beside them as `…_at`. A number that is not known is null, never NaN.
"""

from __future__ import annotations

import json
import math
from typing import Any

from alerts.envelope import alert_json
from alerts.outlook import Outlook
from alerts.setaside import Container
from alerts.types import rfc3339
from alerts.watching import LandingRecord, MixBias
from monitor.model.types import Estimate, Event, Forecast, Path
from monitor.plant.reading import Entry, Signal
from monitor.plant.types import Plant, Sump
from monitor.snapshot import Snapshot, SumpView
from monitor.status.board import EstimatePoint, Health, Point, RecordReader
from monitor.status.checks import account_json, check_json, move_json

_ESTIMATE = (
    "volume_l",
    "volume_sd_l",
    "concentration_pct",
    "concentration_sd_pct",
    "evaporation_l_per_day",
    "evaporation_sd_l_per_day",
    "drag_out_l_per_day",
    "drag_out_sd_l_per_day",
    "refractometer_bias_degbx",
    "refractometer_bias_sd_degbx",
    "hold_up_l",
    "hold_up_sd_l",
)
_PATH = (
    "volume_p10_l",
    "volume_p50_l",
    "volume_p90_l",
    "concentration_p10_pct",
    "concentration_p50_pct",
    "concentration_p90_pct",
)


def encode(value: Any) -> bytes:
    """Return compact JSON; a non-finite number that slipped through is an error, never `NaN`."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def number(value: float | None, digits: int = 4) -> float | None:
    """Return a finite number rounded for reading, else None."""
    return None if value is None or not math.isfinite(value) else round(value, digits)


def moment(time_s: float | None) -> str | None:
    """Return a time as RFC 3339 in UTC, or None."""
    return None if time_s is None or not math.isfinite(time_s) else rfc3339(time_s)


def estimate_json(estimate: Estimate) -> dict[str, Any]:
    """Return the estimate; its numbers are null until anything was heard of the sump."""
    values = {name: number(getattr(estimate, name)) if estimate.known else None for name in _ESTIMATE}
    return {
        "time": moment(estimate.time_s),
        "known": estimate.known,
        **values,
        "running": estimate.running,
    }


def signals_json(estimate: Estimate, sump: Sump) -> list[dict[str, Any]]:
    """Return each signal of the plant file with when it was last heard and whether it is believed."""
    return [
        {
            "signal": signal.value,
            "source": spec.source,
            "last_heard": moment(estimate.last_heard_s.get(signal)),
            "silent": signal in estimate.silent,
            "doubtful": signal in estimate.doubtful,
        }
        for signal, spec in sump.signals.items()
    ]


def exit_s(forecast: Forecast, hours: float) -> float | None:
    """Return the moment of an exit `hours` ahead, or None when it lies at or beyond the horizon."""
    return forecast.made_s + hours * 3600 if math.isfinite(hours) and hours < forecast.horizon_h else None


def forecast_json(forecast: Forecast, *, path: bool = True) -> dict[str, Any]:
    """Return the forecast: exits in hours and as moments, the side, the twenty dots, the path if asked for."""
    out: dict[str, Any] = {"sump": forecast.sump, "made_at": moment(forecast.made_s), "horizon_h": forecast.horizon_h}
    for name in ("p10", "p50", "p90"):
        hours = getattr(forecast, f"exit_{name}_h")
        out[f"exit_{name}"] = number(hours)
        out[f"exit_{name}_at"] = moment(exit_s(forecast, hours))
    out["exit_side"] = forecast.side.value
    out["side_share"] = {side.value: number(share) for side, share in forecast.side_share.items()}
    out["dots_h"] = [number(dot, 3) for dot in forecast.dots_h]
    if path:
        out["path"] = path_json(forecast.path)
    return out


def path_json(path: Path) -> dict[str, Any]:
    """Return the forecast course as columns."""
    return {"hours": list(path.hours)} | {name: [number(v) for v in getattr(path, name)] for name in _PATH}


def sump_json(view: SumpView, snapshot: Snapshot, plant: Plant, *, path: bool = True) -> dict[str, Any]:
    """Return everything known of one sump."""
    sump = plant.sumps[view.sump]
    alerts = [alert for alert in snapshot.alerts if alert.sump == view.sump]
    return {
        "sump": view.sump,
        "area": sump.area,
        "fluid": sump.fluid.id,
        "full_l": sump.full_l,
        "lowest_l": sump.lowest_l,
        "band_pct": list(sump.fluid.band_pct),
        "target_pct": sump.fluid.target_pct,
        **estimate_json(view.estimate),
        "signals": signals_json(view.estimate, sump),
        "forecast": None if view.forecast is None else forecast_json(view.forecast, path=path),
        "recipe": None if view.recipe is None else view.recipe.as_json(),
        "landings": [landing_json(landing) for landing in view.landings],
        "minerals": [outlook_json(one) for one in view.minerals],
        "alerts": [alert_json(alert, plant) for alert in alerts],
        "interval_coverage": number(view.coverage),
        "losses": account_json(view.days),
        "checks": [move_json(move) for move in view.checks],
    }


def outlook_json(one: Outlook) -> dict[str, Any]:
    """Return where a mineral is going; `steady` is null where it never settles, a passing beyond two years is null."""
    return {
        "what": one.what,
        "unit": one.unit,
        "now": number(one.now, 1),
        "measured_at": moment(one.measured_s),
        "limit": number(one.limit, 1),
        "water": one.water,
        "steady": number(one.steady, 1),
        "passes_limit_at": moment(one.passes_s),
        "passes_limit_early": moment(one.early_s),
        "passes_limit_late": moment(one.late_s),
        "soft_water": one.soft_water or None,
        "soft_share": number(one.soft_share, 3),
        "text": one.text,
    }


def container_json(one: Container) -> dict[str, Any]:
    """Return what stands in a set-aside container, and why it may not be used (empty: it may)."""
    return {
        "container": one.id,
        "fluid": one.fluid,
        "volume_l": one.volume_l,
        "strength_pct": one.strength_pct,
        "since": moment(one.since_s),
        "use_by": moment(one.expires_s),
        "sumps": list(one.sumps),
        "blocked": one.blocked,
        "not_lent": one.not_lent,
    }


def mixer_json(who: str, bias: MixBias) -> dict[str, Any]:
    """Return how somebody's mixes come out beside what was asked: a share, richer is positive (who empty: not said)."""
    return {
        "who": who,
        "fillings": bias.count,
        "richer_share": number(bias.mean),
        "richer_share_sd": number(bias.sd),
        "allowed_for": bias.matters,
    }


def landing_json(landing: LandingRecord) -> dict[str, Any]:
    """Return where a sump landed after a correction, beside what the recipe had said."""
    return {
        "id": landing.id,
        "time": moment(landing.time_s),
        "recipe": landing.kind.value,
        "verdict": landing.verdict.value,
        "said": {
            "volume_l": landing.said_volume_l,
            "concentration_pct": landing.said_pct,
            "p10": landing.p10,
            "p90": landing.p90,
        },
        "found": {
            "volume_l": number(landing.found_volume_l),
            "concentration_pct": number(landing.found_pct),
            "concentration_sd_pct": number(landing.found_sd_pct),
        },
        "off_l": number(landing.off_l),
        "off_pct": number(landing.off_pct),
        "who": landing.who,
        "followed": landing.followed,
        "text": landing.text,
    }


def encoded_sumps(snapshot: Snapshot, plant: Plant) -> bytes:
    """Return all sumps in the order of the plant file, without the forecasts' paths, as compact JSON.

    They are written out one by one: all of them at once as objects would take ten times the room.
    """
    shown = (snapshot.sumps[name] for name in plant.sumps if name in snapshot.sumps)
    one_by_one = b",".join(encode(sump_json(view, snapshot, plant, path=False)) for view in shown)
    head = encode({"time": moment(snapshot.now_s), "plant": plant.id})
    return b'%s,"sumps":[%s]}' % (head[:-1], one_by_one)


def alerts_json(snapshot: Snapshot, plant: Plant) -> dict[str, Any]:
    """Return all alerts of the snapshot."""
    return {"time": moment(snapshot.now_s), "alerts": [alert_json(alert, plant) for alert in snapshot.alerts]}


def checks_json(snapshot: Snapshot) -> dict[str, Any]:
    """Return the hand checks that would change tonight's calls, the worthiest first."""
    return {"time": moment(snapshot.now_s), "checks": [check_json(one) for one in snapshot.checks]}


def mixing_json(snapshot: Snapshot) -> dict[str, Any]:
    """Return the demand of each fluid, and the set-aside fluid at hand."""
    return {
        "time": moment(snapshot.now_s),
        "mixing": [demand.as_json() for demand in snapshot.mixing.values()],
        "set_aside": [container_json(one) for one in snapshot.set_aside],
        "mixers": [mixer_json(who, bias) for who, bias in snapshot.mixers.items()],
    }


def entry_json(entry: Entry) -> dict[str, Any]:
    """Return an entry of the log book."""
    return {
        "id": entry.id,
        "sump": entry.sump,
        "kind": entry.kind.value,
        "time": moment(entry.time_s),
        "logged_at": moment(entry.logged_s),
        "volume_l": number(entry.volume_l),
        "mix_pct": number(entry.mix_pct),
        "value": number(entry.value),
        "unit": entry.unit,
        "note": entry.note,
        "who": entry.who,
        "container": entry.container,
    }


def event_json(event: Event) -> dict[str, Any]:
    """Return an event the pipeline noticed."""
    return {
        "id": event.id,
        "sump": event.sump,
        "kind": event.kind.value,
        "time": moment(event.time_s),
        "detected_at": moment(event.detected_s),
        "volume_l": number(event.volume_l),
        "mix_pct": number(event.mix_pct),
        "confidence": number(event.confidence),
        "detail": event.detail,
    }


def history_json(reader: RecordReader, sump: Sump, from_s: float, to_s: float, points: int) -> dict[str, Any]:
    """Return readings, estimates, entries and events of a sump between two moments."""
    columns = reader.history(sump.id, from_s, to_s, points)
    return {
        "sump": sump.id,
        "from": moment(from_s),
        "to": moment(to_s),
        "signals": {
            signal.value: {"unit": unit_of(sump, signal), "points": [point_json(point) for point in series]}
            for signal, series in columns.items()
        },
        "estimates": [past_json(point) for point in reader.estimates(sump.id, from_s, to_s, points)],
        "entries": [entry_json(entry) for entry in reader.entries(from_s, to_s, sump.id)],
        "events": [event_json(event) for event in reader.events(from_s, to_s, sump.id)],
    }


def unit_of(sump: Sump, signal: Signal) -> str:
    """Return the canonical unit of a signal's values; empty if the plant file has dropped the signal."""
    spec = sump.signals.get(signal)
    return "" if spec is None else spec.unit.canonical


def point_json(point: Point) -> dict[str, Any]:
    """Return one column of readings."""
    time_s, low, mean, high = point
    return {"time": moment(time_s), "min": number(low), "mean": number(mean), "max": number(high)}


def past_json(point: EstimatePoint) -> dict[str, Any]:
    """Return one estimate kept on record."""
    names = ("volume_l", "volume_sd_l", "concentration_pct", "concentration_sd_pct")
    return {"time": moment(point.time_s)} | {name: number(getattr(point, name)) for name in names}


def health_json(health: Health) -> dict[str, Any]:
    """Return the state of the watch itself: what is wrong, what helps, and how each source is doing."""
    return {
        "ready": health.ready,
        "reasons": [{"what": reason.what, "remedy": reason.remedy} for reason in health.reasons],
        "sources": [
            {
                "source": source.source,
                "state": source.state,
                "detail": source.detail,
                "last_heard": moment(source.last_heard_s),
                "accepted": source.accepted,
                "rejected": source.rejected,
            }
            for source in health.sources
        ],
        "writer": health.writer,
        "database": health.database,
        "rejected": health.rejected,
        "plant_warnings": list(health.plant_warnings),
        "step_age_s": number(health.step_age_s, 1),
        "mishaps": [{"what": mishap.what, "remedy": mishap.remedy} for mishap in health.mishaps],
    }
