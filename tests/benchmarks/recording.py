"""Read a recording (plant, readings, entries, what really happened) and an output folder of `bandkeeper replay`.

Files and columns are those of the replay contract; times become Unix seconds UTC, volumes litres, exits hours. A truth
file that a recording does not have is an empty table.
"""

from __future__ import annotations

import csv
import gzip
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import IO, Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

HORIZON_H: Final = 240.0
HOUR_S: Final = 3600.0
DAY_S: Final = 86400.0
LITRES: Final = {"L": 1.0, "mL": 0.001, "m3": 1000.0, "US gal": 3.785411784, "imp gal": 4.54609}
WEEK: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

Row = dict[str, str]
Floats = NDArray[np.float64]


def open_text(path: Path) -> IO[str]:
    """Open a table, packed or not."""
    return gzip.open(path, "rt", newline="") if path.suffix == ".gz" else path.open(newline="")


def rows(path: Path) -> list[Row]:
    """Return a table's rows; none if there is no such file."""
    if not path.exists():
        return []
    with open_text(path) as lines:
        return list(csv.DictReader(lines))


@lru_cache(maxsize=200_000)
def seconds(text: str) -> float:
    """Return Unix seconds of an RFC 3339 time."""
    return datetime.fromisoformat(text).timestamp()


def stamp(time_s: float) -> str:
    """Return the RFC 3339 time (UTC) of Unix seconds."""
    return datetime.fromtimestamp(time_s, UTC).isoformat()


def litres(quantity: str) -> float:
    """Return the litres of a volume as a plant file writes it."""
    number, unit = quantity.split(maxsplit=1)
    return float(number) * LITRES[unit]


def number(text: str | None, blank: float = np.nan) -> float:
    """Return a number, or `blank` where nothing stands."""
    return float(text) if text else blank


def column(table: Sequence[Row], name: str, blank: float = np.nan) -> Floats:
    """Return one column as numbers."""
    return np.array([number(row.get(name), blank) for row in table], float)


def times(table: Sequence[Row], name: str = "time") -> Floats:
    """Return one column of times in Unix seconds; blank is NaN."""
    return np.array([seconds(row[name]) if row.get(name) else np.nan for row in table], float)


@dataclass(frozen=True)
class Recording:
    """A folder with a plant, its history and the truth."""

    folder: Path

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def plant_file(self) -> Path:
        return self.folder / "plant.toml"

    @property
    def readings_file(self) -> Path:
        packed = self.folder / "readings.csv.gz"
        return packed if packed.exists() else self.folder / "readings.csv"

    @property
    def entries_file(self) -> Path:
        return self.folder / "entries.csv"

    def table(self, name: str) -> list[Row]:
        """Return the rows of one truth table (`exits`, `services`, `losses`, `removals`, `changes`)."""
        return rows(self.folder / f"{name}.csv")

    def plant(self) -> dict[str, Any]:
        """Return the plant file as it stands."""
        return tomllib.loads(self.plant_file.read_text())

    def full_l(self) -> dict[str, float]:
        """Return each sump's full volume in litres."""
        return {name: litres(sump["full"]) for name, sump in self.plant()["sump"].items()}

    def span_s(self) -> tuple[float, float]:
        """Return the midnight before the first reading and the midnight after the last exit."""
        with open_text(self.readings_file) as lines:
            first = seconds(next(csv.DictReader(lines))["time"])
        last = max(times(self.table("exits")))
        return first // DAY_S * DAY_S, (last // DAY_S + 1) * DAY_S

    def sampled_s(self) -> dict[str, Floats]:
        """Return the sorted times at which each sump gave a level or a refractometer reading."""
        heard: dict[str, list[str]] = {}
        with open_text(self.readings_file) as lines:
            for row in csv.reader(lines):
                if row[2] in {"level", "refractometer"}:
                    heard.setdefault(row[1], []).append(row[0])
        return {sump: np.unique([seconds(text) for text in seen]) for sump, seen in heard.items()}

    def attended_s(self, first_s: float, last_s: float) -> list[tuple[float, float]]:
        """Return the attended spans that touch the time from first to last and the week after, joined and in order."""
        plant = self.plant()["plant"]
        zone = ZoneInfo(plant["zone"])
        day = datetime.fromtimestamp(first_s, zone).date() - timedelta(days=1)
        end = datetime.fromtimestamp(last_s, zone).date() + timedelta(days=15)
        spans: list[tuple[float, float]] = []
        while day < end:
            spans += [span for part in plant.get("attended", []) for span in _on_day(part, day, zone)]
            day += timedelta(days=1)
        return list(_joined(sorted(spans)))


def _on_day(part: dict[str, Any], day: date, zone: ZoneInfo) -> Iterator[tuple[float, float]]:
    if WEEK[day.weekday()] not in part["days"]:
        return
    yield _local(day, part["from"], zone), _local(day, part["to"], zone)


def _local(day: date, clock: str, zone: ZoneInfo) -> float:
    if clock == "24:00":
        day, clock = day + timedelta(days=1), "00:00"
    return datetime.combine(day, time.fromisoformat(clock), zone).timestamp()


def _joined(spans: Sequence[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    if not spans:
        return
    start, end = spans[0]
    for next_start, next_end in spans[1:]:
        if next_start > end:
            yield start, end
            start = next_start
        end = max(end, next_end)
    yield start, end


def back_at(spans: Sequence[tuple[float, float]], now_s: float) -> float | None:
    """Return when attendance starts again after the present window, or None if nobody is there at `now_s`."""
    for (start, end), (following, _) in pairwise(spans):
        if start <= now_s < end:
            return following
    return None


@dataclass(frozen=True)
class Cases:
    """Truth and forecast side by side, one element a sump and moment (arrays of the same length).

    `true_h` is capped at the horizon where `beyond` is set. A moment without a forecast is `missing` and stands for
    "nothing will happen": exits at the horizon, no side, and no volume or strength (NaN).
    """

    time_s: Floats
    sump: NDArray[np.str_]
    full_l: Floats
    true_h: Floats
    beyond: NDArray[np.bool_]
    true_side: NDArray[np.str_]
    true_volume_l: Floats
    true_pct: Floats
    missing: NDArray[np.bool_]
    p10: Floats
    p50: Floats
    p90: Floats
    side: NDArray[np.str_]
    volume_l: Floats
    volume_sd_l: Floats
    pct: Floats
    pct_sd: Floats
    evaporation: Floats
    drag_out: Floats

    def pick(self, mask: NDArray[np.bool_]) -> Cases:
        """Return the cases where `mask` holds."""
        return Cases(**{name: getattr(self, name)[mask] for name in self.__dataclass_fields__})

    def __len__(self) -> int:
        return len(self.time_s)


def cases(recording: Recording, forecasts: Sequence[Row]) -> Cases:
    """Join the true exits with the forecasts made at the same moments."""
    said = {(row["sump"], seconds(row["time"])): row for row in forecasts}
    truth = recording.table("exits")
    full = recording.full_l()
    found = [said.get((row["sump"], seconds(row["time"])), {}) for row in truth]
    return Cases(
        time_s=times(truth),
        sump=np.array([row["sump"] for row in truth]),
        full_l=np.array([full[row["sump"]] for row in truth]),
        true_h=column(truth, "hours", HORIZON_H),
        beyond=np.array([not row["hours"] for row in truth]),
        true_side=np.array([row["side"] or "none" for row in truth]),
        true_volume_l=column(truth, "volume_l"),
        true_pct=column(truth, "concentration_pct"),
        missing=np.array([not row for row in found]),
        p10=column(found, "exit_p10", HORIZON_H),
        p50=column(found, "exit_p50", HORIZON_H),
        p90=column(found, "exit_p90", HORIZON_H),
        side=np.array([row.get("exit_side") or "none" for row in found]),
        volume_l=column(found, "volume_l"),
        volume_sd_l=column(found, "volume_sd_l"),
        pct=column(found, "concentration_pct"),
        pct_sd=column(found, "concentration_sd_pct"),
        evaporation=column(found, "evaporation_l_per_day"),
        drag_out=column(found, "drag_out_l_per_day"),
    )
