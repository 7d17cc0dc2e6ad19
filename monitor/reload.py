"""What a plant file that was read anew changes: told to people, and what of it has to wait for the next start."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from monitor.plant.types import Plant, Sump

SHOWN: Final = 8
"""So many names are told; of more only their number."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a reload went. `lines` say what changed, or with `done` False every fault that left the old file in force."""

    done: bool
    lines: tuple[str, ...]
    remarks: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """All of it, a line each."""
        return "\n".join((*self.lines, *self.remarks))


@dataclass(frozen=True, slots=True)
class Differences:
    """Sumps by what became of them. `anew` have another tank or fluid: nothing told of them before counts any more."""

    added: tuple[str, ...]
    removed: tuple[str, ...]
    anew: tuple[str, ...]
    changed: tuple[str, ...]

    def lines(self) -> list[str]:
        """Say it."""
        return [
            *_said("added", self.added),
            *_said("removed, their history stays on record", self.removed),
            *_said("begin anew with another tank or fluid", self.anew),
            *_said("changed", self.changed),
        ]


@dataclass(slots=True)
class Exchanged:
    """What became of the sources, by name."""

    kept: list[str] = field(default_factory=list)
    opened: list[str] = field(default_factory=list)
    closed: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Say it."""
        found = (("sources kept", self.kept), ("sources opened", self.opened), ("sources closed", self.closed))
        return [f"{what}: {_names(names)}" for what, names in found if names]


def differences(old: Plant, new: Plant) -> Differences:
    """Compare the sumps of two plant files."""
    both = [name for name in new.sumps if name in old.sumps]
    anew = [name for name in both if new.sumps[name].shape != old.sumps[name].shape]
    changed = [name for name in both if name not in anew and _bare(new.sumps[name]) != _bare(old.sumps[name])]
    return Differences(
        added=tuple(name for name in new.sumps if name not in old.sumps),
        removed=tuple(name for name in old.sumps if name not in new.sumps),
        anew=tuple(anew),
        changed=tuple(changed),
    )


def in_force(old: Plant, new: Plant) -> tuple[Plant, tuple[str, ...]]:
    """Return the new plant as far as it can be taken up while running, and what has to wait, in words."""
    waits = []
    if new.database != old.database:
        waits.append(f"[plant] database: {old.database} stays in use until the daemon is started anew")
    listens = _listens(old)
    if _listens(new) != listens:
        waits.append(f"[status] listen: the page stays at {listens or 'off'} until the daemon is started anew")
    status = old.status
    if status is not None and new.status is not None:
        status = replace(status, address=new.status.address)
    return replace(new, database=old.database, status=status), tuple(waits)


def since(plant: Plant, moments_s: Mapping[str, float]) -> Plant:
    """Return the plant with the moments since when its sumps count (Unix seconds)."""
    return replace(plant, sumps={name: replace(s, since_s=moments_s[name]) for name, s in plant.sumps.items()})


def shapes(plant: Plant) -> dict[str, str]:
    """Return what gives the numbers of each sump their meaning."""
    return {name: sump.shape for name, sump in plant.sumps.items()}


def _bare(sump: Sump) -> Sump:
    return replace(sump, since_s=0.0)


def _listens(plant: Plant) -> str:
    spec = plant.status
    if spec is None:
        return ""
    place = f"{spec.host}:{spec.port}"
    return place if spec.certificate is None else f"{place} with {spec.certificate.name} and {spec.certificate_key}"


def _said(what: str, names: Iterable[str]) -> list[str]:
    found = list(names)
    return [f"{len(found)} {'sump' if len(found) == 1 else 'sumps'} {what}: {_names(found)}"] if found else []


def _names(names: list[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more
