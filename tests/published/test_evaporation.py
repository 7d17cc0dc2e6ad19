"""The first guess of evaporation against published formulas for open water surfaces, and the shape of its driver.

Sources: trade-facts 3.2's cross-check of the formulas (ASHRAE Handbook HVAC Applications; Smith, Löf and Jones, ASHRAE
Trans. 1994; Shah, ASHRAE Trans. 120(2), 2014: coefficients from memory) at water 28 degC, air 24 degC, 45 %, 0.1 m/s.
Saturation pressures: WMO-No. 8 (2008) Annex 4.B, FAO-56 equation 11, ASHRAE form (PsychroLib), IAPWS-95 (CoolProp).
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.model.layout import LN_IDLE, STILL_SURFACE, Fixed
from monitor.model.state import State
from monitor.plant.file import load_plant

KG_PER_M2_H = {
    "ASHRAE SI": 0.34917,
    "ASHRAE short form, still": 0.5 * 0.35120,
    "Smith-Loef-Jones 1994": 0.25404,
    "Shah natural convection": 0.21937,
    "25 + 19 v": 0.42393,
}
SATURATION_PA = {10: 1228.199, 20: 2339.318, 25: 3169.929, 30: 4246.971, 40: 7384.938}  # IAPWS-95 by CoolProp 8.0.0


def wmo_pa(celsius: float) -> float:
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


def fao_pa(celsius: float) -> float:
    return 610.8 * math.exp(17.27 * celsius / (celsius + 237.3))


@pytest.mark.parametrize(("celsius", "pascal"), SATURATION_PA.items())
def test_the_published_forms_agree_within_their_tolerance(celsius: int, pascal: float) -> None:
    assert wmo_pa(celsius) == pytest.approx(pascal, rel=0.004)
    assert fao_pa(celsius) == pytest.approx(pascal, rel=0.004)


def test_the_formulas_differ_by_the_factor_the_source_tells() -> None:
    assert max(KG_PER_M2_H.values()) / KG_PER_M2_H["Shah natural convection"] == pytest.approx(1.93, abs=0.01)


def test_the_first_guess_of_a_still_surface_lies_among_them() -> None:
    assert min(KG_PER_M2_H.values()) <= STILL_SURFACE <= max(KG_PER_M2_H.values())


def test_the_guess_leaves_room_for_all_of_them() -> None:
    spread = 0.6  # one sigma of the log of the first guess
    for rate in KG_PER_M2_H.values():
        assert abs(math.log(rate / STILL_SURFACE)) < 1.3 * spread


def test_a_told_surface_sets_the_first_idle_evaporation() -> None:
    plant = load_plant(Path(__file__).parents[2] / "config_demo" / "works.toml")
    name, sump = next(iter(plant.sumps.items()))
    told = replace(plant, sumps={name: replace(sump, surface_m2=0.8)})
    idle_l_per_h = float(np.exp(State.first(Fixed.of(told)).mean[0, LN_IDLE]))
    assert idle_l_per_h == pytest.approx(0.8 * STILL_SURFACE)
    untold = replace(plant, sumps={name: replace(sump, surface_m2=None)})
    assert float(np.exp(State.first(Fixed.of(untold)).mean[0, LN_IDLE])) == pytest.approx(0.013 / 24 * sump.full_l)
