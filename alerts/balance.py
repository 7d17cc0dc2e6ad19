"""Exact mixing arithmetic: the mass balance on concentrate, volumes taken as additive.

Volumes are litres, strengths percent by volume of concentrate, rates litres a day. The formulas are the general mixing
rules (two-component mixing, Pearson square) and the balance of a running sump, `dV/dt = M - E - D` and
`d(cV)/dt = m M - c D` with make-up M of strength m, evaporation E (water only) and drag-out D (fluid at the sump's
strength). A mix that cannot do what is asked gives ValueError with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Charge:
    """An amount of fluid: litres and strength in percent."""

    volume_l: float
    concentration_pct: float

    @property
    def concentrate_l(self) -> float:
        """Litres of concentrate in it."""
        return self.volume_l * self.concentration_pct / 100.0

    def plus(self, volume_l: float, mix_pct: float) -> Charge:
        """Return this charge with `volume_l` of `mix_pct` stirred in."""
        return blend(self, Charge(volume_l, mix_pct))

    def minus(self, volume_l: float) -> Charge:
        """Return this charge with `volume_l` taken out at its own strength; ValueError when it holds less."""
        if volume_l > self.volume_l:
            raise ValueError(f"cannot take {volume_l} L out of {self.volume_l} L")
        return Charge(self.volume_l - volume_l, self.concentration_pct)


def blend(*charges: Charge) -> Charge:
    """Mix charges together; nothing at all is 0 L at 0 %."""
    volume = sum(charge.volume_l for charge in charges)
    if volume <= 0.0:
        return Charge(0.0, 0.0)
    parts = sum(charge.volume_l * charge.concentration_pct for charge in charges)
    return Charge(volume, parts / volume)


def pearson_parts(strong_pct: float, weak_pct: float, target_pct: float) -> tuple[float, float]:
    """Parts of strong and of weak that give the target (Pearson square: T - L of H and H - T of L)."""
    if not weak_pct <= target_pct <= strong_pct:
        raise ValueError(f"{target_pct} % does not lie between {weak_pct} % and {strong_pct} %")
    return target_pct - weak_pct, strong_pct - target_pct


def finished_pct(concentrate_l: float, water_l: float) -> float:
    """Strength of the finished mix when concentrate is added to water."""
    return 100.0 * concentrate_l / (concentrate_l + water_l)


def litres_to_add(start: Charge, mix_pct: float, target_pct: float) -> float:
    """Litres of mix to add to reach the target: `V (t - c) / (m - t)`; the total grows by as much."""
    if mix_pct == target_pct:
        raise ValueError(f"a mix of {mix_pct} % never brings anything to {target_pct} %")
    litres = start.volume_l * (target_pct - start.concentration_pct) / (mix_pct - target_pct)
    if litres < 0.0:
        raise ValueError(f"a mix of {mix_pct} % leads away from {target_pct} %")
    return litres


def litres_to_exchange(start: Charge, mix_pct: float, target_pct: float) -> float:
    """Litres to take out and put back as mix at constant volume: `V (t - c) / (m - c)`."""
    if mix_pct == start.concentration_pct:
        raise ValueError(f"a mix of {mix_pct} % changes nothing in a sump of {start.concentration_pct} %")
    share = (target_pct - start.concentration_pct) / (mix_pct - start.concentration_pct)
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"a mix of {mix_pct} % cannot bring {start.concentration_pct} % to {target_pct} %")
    return start.volume_l * share


def mix_to_fill(start: Charge, full_l: float, target_pct: float) -> float:
    """Strength that fills `start` up to `full_l` at the target: `(F t - V c) / (F - V)`.

    Below 0 no filling can do it (take out first), above the richest make-up the room is too small.
    """
    if full_l <= start.volume_l:
        raise ValueError(f"no room: {start.volume_l} L of {full_l} L")
    return (full_l * target_pct - start.volume_l * start.concentration_pct) / (full_l - start.volume_l)


def litres_to_keep(concentration_pct: float, full_l: float, mix_pct: float, target_pct: float) -> float:
    """Litres that may stay so that filling up to `full_l` with the mix lands on target: `F (t - m) / (c - m)`."""
    if mix_pct == concentration_pct:
        raise ValueError(f"a mix of {mix_pct} % changes nothing in a sump of {concentration_pct} %")
    share = (target_pct - mix_pct) / (concentration_pct - mix_pct)
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"a mix of {mix_pct} % cannot bring {concentration_pct} % to {target_pct} %")
    return full_l * share


def water_for_premix(rich: Charge, premix_pct: float) -> float:
    """Litres of water that turn kept rich fluid into premix: `R (r / p - 1)`."""
    if not 0.0 < premix_pct <= rich.concentration_pct:
        raise ValueError(f"{rich.concentration_pct} % cannot be thinned to {premix_pct} %")
    return rich.volume_l * (rich.concentration_pct / premix_pct - 1.0)


def run_down(start: Charge, volume_l: float, evaporation_share: float) -> Charge:
    """Sump after falling to `volume_l` with no top-up: `c = c0 (V0 / V) ^ (E / (E + D))`."""
    if not 0.0 < volume_l <= start.volume_l:
        raise ValueError(f"{start.volume_l} L cannot run down to {volume_l} L")
    risen = (start.volume_l / volume_l) ** evaporation_share
    return Charge(volume_l, start.concentration_pct * risen)


def steady_pct(make_up_pct: float, evaporation_l: float, drag_out_l: float) -> float:
    """Strength a sump held at its level ends at: `m (E + D) / D`; ValueError without drag-out (it never settles)."""
    if drag_out_l <= 0.0:
        raise ValueError("without drag-out the strength never settles")
    return make_up_pct * (evaporation_l + drag_out_l) / drag_out_l


def make_up_that_holds(target_pct: float, evaporation_l: float, drag_out_l: float) -> float:
    """Make-up strength that holds the target at constant level: `t D / (E + D)`."""
    if evaporation_l + drag_out_l <= 0.0:
        raise ValueError("a sump that loses nothing needs no make-up")
    return target_pct * drag_out_l / (evaporation_l + drag_out_l)
