"""What the pipeline concluded, put on disk. All functions run inside the caller's transaction."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict

from alerts.codec import alert_to_json, basis_to_json, landing_to_json
from alerts.types import Alert, Transition
from alerts.watching import LandingRecord
from monitor.model.types import Estimate, Event, Forecast
from monitor.record.dots import packed
from monitor.record.tables import Database


def save_events(db: Database, events: Iterable[Event]) -> None:
    """Store events; one with a known id takes the place of what was said before."""
    db.table("event").insert_all([asdict(event) for event in events], replace=True)


def save_alerts(db: Database, alerts: Iterable[Alert]) -> None:
    """Store alerts as they are now."""
    rows = [
        {
            "id": alert.id,
            "sump": alert.sump,
            "raised_s": alert.raised_s,
            "cleared_s": alert.cleared_s,
            "body": alert_to_json(alert),
        }
        for alert in alerts
    ]
    db.table("alert").insert_all(rows, replace=True)


def save_transitions(db: Database, transitions: Iterable[Transition]) -> None:
    """Store transitions, and each alert as its last new one left it.

    One whose id is known changes nothing: after a restart the same moments are passed again, and what people did since
    then stays.
    """
    sql = (
        "INSERT INTO [transition] (id, alert_id, time_s, before, after, reason, body, basis)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
    )
    fresh = [one for one in transitions if db.conn.execute(sql, _row(one)).rowcount == 1]
    save_alerts(db, {transition.alert_id: transition.alert for transition in fresh}.values())


def _row(one: Transition) -> tuple[object, ...]:
    body, basis = alert_to_json(one.alert), basis_to_json(one.basis)
    return one.id, one.alert_id, one.time_s, one.before.value, one.after.value, one.reason, body, basis


def save_forecasts(db: Database, forecasts: Iterable[Forecast]) -> None:
    """Store the first forecast of each sump in each hour; the rest of that hour says little more."""
    rows = [
        (
            int(forecast.made_s // 3600),
            forecast.sump,
            forecast.made_s,
            forecast.horizon_h,
            forecast.exit_p10_h,
            forecast.exit_p50_h,
            forecast.exit_p90_h,
            forecast.side.value,
            json.dumps({side.value: share for side, share in forecast.side_share.items()}, separators=(",", ":")),
            packed(forecast.dots_h),
        )
        for forecast in forecasts
    ]
    db.conn.executemany("INSERT INTO forecast VALUES (?,?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING", rows)


def save_estimates(db: Database, estimates: Iterable[Estimate]) -> None:
    """Store estimates of sumps that were ever heard; one for the same sump and time takes the place of the former."""
    rows = [
        (
            estimate.time_s,
            estimate.sump,
            estimate.volume_l,
            estimate.volume_sd_l,
            estimate.concentration_pct,
            estimate.concentration_sd_pct,
            estimate.evaporation_l_per_day,
            estimate.drag_out_l_per_day,
        )
        for estimate in estimates
        if estimate.known
    ]
    db.conn.executemany("INSERT OR REPLACE INTO estimate VALUES (?,?,?,?,?,?,?,?)", rows)


def save_landings(db: Database, landings: Iterable[LandingRecord]) -> None:
    """Store where corrections landed; a known id stays as it was: it was said once."""
    rows = [
        {
            "id": landing.id,
            "sump": landing.sump,
            "time_s": landing.time_s,
            "verdict": landing.verdict.value,
            "body": landing_to_json(landing),
        }
        for landing in landings
    ]
    db.table("landing").insert_all(rows, ignore=True)
