"""The first guess of evaporation against published formulas for open water surfaces, and the shape of its driver.

All of them go with the vapour-pressure deficit, what the surface could hold less what the air holds; they differ in the
height, and ours is learnt for each sump. Sources: trade-facts 3.2's cross-check of the formulas (ASHRAE Handbook HVAC
Applications; Smith, Löf and Jones, ASHRAE Trans. 1994; Shah, ASHRAE Trans. 120(2), 2014: coefficients from memory) at
water 28 degC, air 24 degC, 45 %, 0.1 m/s. Saturation pressures: WMO-No. 8 (2008) Annex 4.B, FAO-56 equation 11, ASHRAE
form (PsychroLib), IAPWS-95 (CoolProp).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.model.layout import LN_IDLE, STILL_SURFACE, Fixed
from monitor.model.state import State
from monitor.model.warmth import AIR_SHARE, factor, saturation_hpa
from monitor.plant.file import load_plant

KG_PER_M2_H = {
    "ASHRAE SI": 0.34917,
    "ASHRAE short form, still": 0.5 * 0.35120,
    "Smith-Loef-Jones 1994": 0.25404,
    "Shah natural convection": 0.21937,
    "25 + 19 v": 0.42393,
}
SATURATION_PA = {10: 1228.199, 20: 2339.318, 25: 3169.929, 30: 4246.971, 40: 7384.938}  # IAPWS-95 by CoolProp 8.0.0


FAO_KPA = {24.5: 3.075, 15.0: 1.705}  # FAO-56 (1998) chapter 3, example 3, from memory; 15 degC seen replicated


def wmo_pa(celsius: float) -> float:
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


def fao_pa(celsius: float) -> float:
    return 610.8 * math.exp(17.27 * celsius / (celsius + 237.3))


@pytest.mark.parametrize(("celsius", "pascal"), SATURATION_PA.items())
def test_the_published_forms_agree_within_their_tolerance(celsius: int, pascal: float) -> None:
    assert wmo_pa(celsius) == pytest.approx(pascal, rel=0.004)
    assert fao_pa(celsius) == pytest.approx(pascal, rel=0.004)


@pytest.mark.parametrize(("celsius", "pascal"), SATURATION_PA.items())
def test_our_saturation_pressure_is_the_wmo_form(celsius: int, pascal: float) -> None:
    ours = float(100.0 * saturation_hpa(np.array([celsius], dtype=np.float64))[0])
    assert ours == pytest.approx(wmo_pa(celsius), rel=1e-12)
    assert ours == pytest.approx(pascal, rel=0.004)


@pytest.mark.parametrize(("celsius", "kpa"), FAO_KPA.items())
def test_our_saturation_pressure_beside_the_worked_example(celsius: float, kpa: float) -> None:
    assert 0.1 * float(saturation_hpa(np.array([celsius]))[0]) == pytest.approx(kpa, rel=0.004)


def humidity_ratio(pascal: float) -> float:
    """Kg of vapour a kg of dry air at 101325 Pa."""
    return 0.621945 * pascal / (101325.0 - pascal)


def published_ratios(celsius: float, than_celsius: float, air_pa: float, air_c: float) -> dict[str, float]:
    """By what factor each formula lets a surface evaporate more at one temperature than at another, air the same.

    Latent heat in kJ/kg by CoolProp at 20, 25, 30, 35, 40 degC (trade facts, 3.1), between them along a line; moist
    air's density as an ideal gas.
    """

    def latent(t: float) -> float:
        return float(np.interp(t, (20, 25, 30, 35, 40), (2453.52, 2441.68, 2429.81, 2417.91, 2405.98)))

    def density(t: float, pascal: float) -> float:
        return (101325.0 - pascal) / (287.042 * (t + 273.15))

    def natural(t: float) -> float:
        buoyant = max(density(air_c, air_pa) - density(t, wmo_pa(t)), 0.0)
        above = humidity_ratio(wmo_pa(t)) - humidity_ratio(air_pa)
        return 35.0 * density(t, wmo_pa(t)) * math.cbrt(buoyant) * above

    forms: dict[str, Callable[[float], float]] = {
        "ASHRAE": lambda t: (wmo_pa(t) - air_pa) / latent(t),
        "short form, Dalton": lambda t: wmo_pa(t) - air_pa,
        "25 + 19 v": lambda t: humidity_ratio(wmo_pa(t)) - humidity_ratio(air_pa),
        "Shah natural convection": natural,
    }
    return {name: form(celsius) / form(than_celsius) for name, form in forms.items()}


@pytest.mark.parametrize("coolest", [16.0, 20.0, 24.0])
@pytest.mark.parametrize("warmer_by", [3.0, 6.0, 9.0])
def test_our_factor_rises_with_warmth_as_the_published_formulas_do(coolest: float, warmer_by: float) -> None:
    """The air that the model assumes: so many hPa as its share of saturation at the coolest of the day."""
    plant = load_plant(Path(__file__).parents[2] / "config_demo" / "works.toml")
    fixed = replace(Fixed.of(plant), has_temperature=np.ones(len(plant.sumps), dtype=np.bool_))
    state, still = State.first(fixed), np.zeros(len(plant.sumps))
    course = [coolest + 3.0, coolest, coolest + 1.0, coolest + 1.0 + warmer_by]
    factors = [
        factor(state, fixed, np.full(len(still), one), still, 8 + k, 2.0 + k / 4.0, 0.25)[0]
        for k, one in enumerate(course)
    ]
    air_pa = AIR_SHARE * wmo_pa(coolest)
    ratios = published_ratios(course[3], course[2], air_pa, coolest)
    ours = factors[3] / factors[2]
    assert ours == pytest.approx(ratios["short form, Dalton"], rel=1e-9)
    assert 0.98 * min(ratios.values()) < ours < 1.02 * max(ratios.values())


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
