"""The log book from a replay file: `time,sump,kind,volume,mix,value,unit,note`, one row an entry.

`volume` is litres and `mix` percent, always. `unit` belongs to `value`: `%` for a check, `ppm` or `dH` for hardness,
`1` for pH; left empty it is the first of these. A row without a value has no unit (`L` is let pass for a volume).
More columns may follow: `who` did it, the set-aside `container` it went into or came from, its `id` where it has one,
and when it was `logged`, as an export writes them.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final, NamedTuple

from monitor.plant.errors import QuantityError
from monitor.plant.quantity import UNITS, parse_unit
from monitor.plant.reading import Entry, EntryKind, Rejected
from monitor.plant.schema import IDENTIFIER
from monitor.plant.types import Plant
from monitor.record.csv_lines import MAX_LINE, open_csv, rejected_row
from monitor.record.csv_readings import IN_THE_FUTURE
from monitor.record.csv_text import unguard
from monitor.record.times import parse_time

REQUIRED: Final = ("time", "sump", "kind", "volume", "mix", "value")
OPTIONAL: Final = ("unit", "note", "who", "container", "id", "logged")

LONGEST_ID: Final = 200
NOTE_LINES: Final = 50
"""A quoted note may run over so many lines."""

OnReject = Callable[[Rejected], None]


class _Needs(NamedTuple):
    """What a kind of entry must tell, the unit its value is kept in and the highest value that makes sense."""

    fields: tuple[str, ...]
    unit: str = ""
    at_most: float = math.inf


_NEEDS: Final[dict[EntryKind, _Needs]] = {
    EntryKind.TOP_UP: _Needs(("volume", "mix")),
    EntryKind.REMOVAL: _Needs(("volume",)),
    EntryKind.CHARGE: _Needs(("volume", "mix")),
    EntryKind.CHECK: _Needs(("value",), "%", 100.0),
    EntryKind.HARDNESS: _Needs(("value",), "ppm"),
    EntryKind.PH: _Needs(("value",), "1", 14.0),
}


class _Record(NamedTuple):
    """The text of one row and the line it begins on."""

    line: int
    raw: str


def entry_id(entry: Entry, repeat: int) -> str:
    """Return an id made from what the entry says, so that reading the same file twice gives the same entries.

    `repeat` counts rows that say exactly the same: 0 for the first.
    """
    said: tuple[object, ...] = (
        repr(entry.time_s),
        entry.sump,
        entry.kind.value,
        entry.volume_l,
        entry.mix_pct,
        entry.value,
        repeat,
    )
    said = (*said, entry.container) if entry.container else said
    return f"csv-{hashlib.sha256(repr(said).encode()).hexdigest()[:24]}"


def read_entries(path: Path, plant: Plant, on_reject: OnReject, *, latest_s: float = math.inf) -> Iterator[Entry]:
    """Yield the entries of a log book file in the order of the file.

    Where nothing is said of it, an entry counts as logged at its own time, and its id is made from what it says.

    Each row that cannot be used, or tells of a time after `latest_s`, goes to `on_reject`; RecordError if the file
    cannot be read or has another header.
    """
    seen: Counter[Entry] = Counter()
    with open_csv(path, REQUIRED, OPTIONAL) as lines:
        for record in _records(lines):
            try:
                entry = _entry(_named(lines.columns, record.raw), plant, latest_s)
            except (ValueError, csv.Error) as error:
                on_reject(rejected_row(path, record.line, record.raw, str(error), 0.0))
                continue
            if entry.id:
                yield entry
                continue
            said = replace(entry, note="", who="")
            yield replace(entry, id=entry_id(entry, seen[said]))
            seen[said] += 1


def _records(lines: Iterable[str]) -> Iterator[_Record]:
    """Yield the rows; a quoted note may run over `NOTE_LINES` lines, an open quote spoils only its own line."""
    source, ahead, number = iter(lines), deque[str](), 2
    while first := ahead.popleft() if ahead else next(source, ""):
        taken = [first]
        while (
            _quote_open(taken) and len(taken) < NOTE_LINES and (text := ahead.popleft() if ahead else next(source, ""))
        ):
            taken.append(text)
        if _quote_open(taken):
            ahead.extendleft(reversed(taken[1:]))
            del taken[1:]
        if not first.isspace():
            yield _Record(number, "".join(taken))
        number += len(taken)


def _quote_open(texts: list[str]) -> bool:
    return len(texts[0]) < MAX_LINE and sum(text.count('"') for text in texts) % 2 == 1


def _named(columns: tuple[str, ...], raw: str) -> dict[str, str]:
    if len(raw) >= MAX_LINE:
        raise ValueError(f"the row is longer than {MAX_LINE} characters")
    if _quote_open([raw]):
        raise ValueError("a quote is left open")
    cells = next(csv.reader(io.StringIO(raw, newline="")), [])
    if len(cells) != len(columns):
        raise ValueError(f"{len(cells)} fields where {len(columns)} belong ({','.join(columns)})")
    return dict(zip(columns, (cell.strip() for cell in cells), strict=True))


def _entry(named: dict[str, str], plant: Plant, latest_s: float) -> Entry:
    time_s = parse_time(named["time"])
    if time_s > latest_s:
        raise ValueError(IN_THE_FUTURE)
    if named["sump"] not in plant.sumps:
        raise ValueError(f"no sump {named['sump'][:64]!r} in {plant.file.name}")
    if named["kind"] not in _KINDS:
        raise ValueError(f"no kind of entry is called {named['kind'][:40]!r}; it is one of {', '.join(EntryKind)}")
    kind = EntryKind(named["kind"])
    missing = [name for name in _NEEDS[kind].fields if not named[name]]
    if missing:
        raise ValueError(f"{kind} needs {' and '.join(missing)}")
    value, unit = _value(kind, named["value"], named.get("unit", ""))
    volume_l = _number("volume", named["volume"], math.inf)
    mix_pct = _number("mix", named["mix"], 100.0)
    note, who = unguard(named.get("note", "")), unguard(named.get("who", ""))
    container = named.get("container", "")
    if container and not IDENTIFIER.fullmatch(container):
        raise ValueError(
            f"container {container[:40]!r} is no identifier: small letters, digits and hyphens, as in can-7"
        )
    name, logged_s = _own_id(named.get("id", "")), _logged(named.get("logged", ""), time_s, latest_s)
    return Entry(name, named["sump"], kind, time_s, logged_s, volume_l, mix_pct, value, unit, note, who, container)


def _own_id(text: str) -> str:
    name = unguard(text)
    if len(name) > LONGEST_ID:
        raise ValueError(f"id {name[:40]!r} … is longer than {LONGEST_ID} characters")
    return name


def _logged(text: str, time_s: float, latest_s: float) -> float:
    logged_s = parse_time(text) if text else time_s
    if logged_s > latest_s:
        raise ValueError(f"logged: {IN_THE_FUTURE}")
    return logged_s


_KINDS: Final = frozenset(EntryKind)


def _number(name: str, text: str, at_most: float) -> float | None:
    if not text:
        return None
    try:
        number = float("_" if "_" in text else text)
    except ValueError:
        raise ValueError(f"{name} {text[:40]!r} is no number; write digits with a decimal point, as in 251.4") from None
    if not (math.isfinite(number) and 0.0 <= number <= at_most):
        raise ValueError(f"{name} {text[:40]!r} must be {'0 or more' if at_most == math.inf else f'0 to {at_most:g}'}")
    return number


def _value(kind: EntryKind, text: str, unit_text: str) -> tuple[float | None, str]:
    needs = _NEEDS[kind]
    if not needs.unit:
        if unit_text not in {"", "L"}:
            raise ValueError(f"unit {unit_text[:40]!r} with {kind}: its volume is in litres and its unit stays empty")
        return _number("value", text, math.inf), ""
    try:
        unit = parse_unit(unit_text or needs.unit, UNITS[needs.unit].dimension)
    except QuantityError as error:
        raise ValueError(f"unit of {kind}: {error}") from None
    number = _number("value", text, needs.at_most)
    return None if number is None else unit.to_canonical(number), needs.unit
