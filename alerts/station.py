"""What the mixing station is to make, as values: batches, their blend, who gets what; how earlier demands came out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Portion:
    """What one sump gets of a mix: litres, and how many carts that takes."""

    sump: str
    volume_l: float
    carts: int


@dataclass(frozen=True, slots=True)
class FromContainer:
    """Set-aside fluid that goes into a mix: litres of a strength out of a container."""

    container: str
    volume_l: float
    strength_pct: float


@dataclass(frozen=True, slots=True)
class BatchMix:
    """One mix: `batches` times `batch_l` litres of it, what goes in, who gets it.

    `by_hand`: less than the station's smallest batch, so it is mixed in buckets. `setting_pct`: what to set so that
    `mix_pct` comes out, where the station is known to mix beside its setting.
    """

    mix_pct: float
    volume_l: float
    batches: int
    batch_l: float
    by_hand: bool
    concentrate_l: float
    water_l: float
    set_aside: tuple[FromContainer, ...]
    portions: tuple[Portion, ...]
    setting_pct: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the mix as plain JSON values."""
        return {
            "mix_pct": self.mix_pct,
            "setting_pct": self.setting_pct,
            "volume_l": self.volume_l,
            "batches": self.batches,
            "batch_l": self.batch_l,
            "by_hand": self.by_hand,
            "concentrate_l": self.concentrate_l,
            "water_l": self.water_l,
            "set_aside": [
                {"container": one.container, "volume_l": one.volume_l, "strength_pct": one.strength_pct}
                for one in self.set_aside
            ],
            "sumps": [{"sump": one.sump, "volume_l": one.volume_l, "carts": one.carts} for one in self.portions],
        }


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """The fewest mixes that serve every sump within its tolerance, the leanest first."""

    mixes: tuple[BatchMix, ...]
    concentrate_l: float
    water_l: float
    set_aside_l: float

    def as_json(self) -> dict[str, Any]:
        """Return the plan as plain JSON values."""
        return {
            "mixes": [one.as_json() for one in self.mixes],
            "concentrate_l": self.concentrate_l,
            "water_l": self.water_l,
            "set_aside_l": self.set_aside_l,
        }


@dataclass(frozen=True, slots=True)
class PastPlans:
    """How the demands of the last weeks compare with what really went in: windows counted, litres of both.

    `cannot_wait_l` is what of it could not wait. A window is off by what went in less than could not wait, or more than
    was asked in all; `off_share` is the sum of that as a share of what went in (or could not wait, if that is more).
    """

    windows: int
    asked_l: float
    cannot_wait_l: float
    used_l: float
    off_share: float

    def as_json(self) -> dict[str, Any]:
        """Return the comparison as plain JSON values."""
        return {
            "windows": self.windows,
            "asked_l": self.asked_l,
            "cannot_wait_l": self.cannot_wait_l,
            "used_l": self.used_l,
            "off_share": self.off_share,
        }
