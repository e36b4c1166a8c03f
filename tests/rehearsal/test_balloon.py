"""Ascent, burst and fall of the made flights against textbook formulas, written out here."""

from __future__ import annotations

import math

import ambiance
import numpy as np
import pytest

from server.rehearsal.balloon import (
    Balloon,
    Parachute,
    aloft_factor,
    ascend,
    descend,
    drag_coefficient,
)
from server.rehearsal.scenario import load, names
from server.rehearsal.truth import make

TWO_PERCENT = 0.02
G = 9.80665
BALLOON = Balloon(balloon_kg=1.2, payload_kg=2.1, free_lift_kg=1.02, burst_diameter_m=8.0)
CHUTE = Parachute(mass_kg=2.1, diameter_m=1.8, drag_coefficient=0.495, scatter=0.0, wander=0.0)


def test_a_fall_wanders_about_its_constant() -> None:
    """Of 60 falls the time from 20 to 5 km differs as a constant that wanders by 4 % over 4 km makes it."""
    chute = Parachute(mass_kg=2.1, diameter_m=1.8, drag_coefficient=0.495, scatter=0.0)
    times = []
    for seed in range(60):
        heights = np.array(descend(chute, 25_000.0, 5.0, 4_000.0, np.random.default_rng(seed)))
        times.append(int(np.argmax(heights < 5_000.0) - np.argmax(heights < 20_000.0)))
    spread = float(np.std(times) / np.mean(times))
    # variance of the mean of exp(-z/H) over L: 2 H/L (1 - H/L (1 - exp(-L/H))), low air counting more
    part = 4_000.0 / 15_000.0
    formula = 0.04 * math.sqrt(2 * part * (1 - part * (1 - math.exp(-1 / part))))
    assert spread == pytest.approx(formula, rel=0.25)


def rho(altitude_m: float) -> float:
    """From the reference library, not from the rehearsal."""
    return float(ambiance.Atmosphere(altitude_m).density[0])


def climb_by_hand(altitude_m: float, launch_m: float) -> float:
    """Archimedes: (ρ_air - ρ_helium) V g - m g = ½ ρ v² C A, the gas at the air's p and T."""
    mass_kg = BALLOON.balloon_kg + BALLOON.payload_kg
    helium = 4.0026 / 28.9644  # ratio of molar masses, so of densities at one p and T
    volume_0 = (mass_kg + BALLOON.free_lift_kg) / (rho(launch_m) * (1 - helium))
    volume = volume_0 * rho(launch_m) / rho(altitude_m)  # a given mass of gas
    radius = (3 * volume / (4 * math.pi)) ** (1 / 3)
    lift_n = (1 - helium) * rho(altitude_m) * volume * G - mass_kg * G
    viscosity = float(ambiance.Atmosphere(altitude_m).dynamic_viscosity[0])
    speed = 5.0
    for _ in range(50):
        reynolds = rho(altitude_m) * speed * 2 * radius / viscosity
        drag = float(drag_coefficient(reynolds))
        speed = math.sqrt(2 * lift_n / (rho(altitude_m) * drag * math.pi * radius**2))
    return speed


@pytest.mark.parametrize("altitude_m", [600.0, 5_000.0, 11_000.0, 18_000.0, 25_000.0, 29_000.0])
def test_ascent_rate(altitude_m: float) -> None:
    made = float(BALLOON.climb_ms(np.array([altitude_m]), 500.0)[0])
    assert made == pytest.approx(climb_by_hand(altitude_m, 500.0), rel=TWO_PERCENT)


def test_the_flown_ascent_follows_that_rate() -> None:
    path = np.array(
        ascend(BALLOON, 500.0, np.random.default_rng(1), burst_m=28_000.0, gusts_ms=0.0)
    )
    for altitude_m in (3_000.0, 12_000.0, 22_000.0):
        i = int(np.searchsorted(path, altitude_m))
        assert path[i + 1] - path[i] == pytest.approx(
            climb_by_hand(altitude_m, 500.0), rel=TWO_PERCENT
        )


def test_burst_altitude() -> None:
    """Density there is density at the launch times the launch volume over the burst volume."""
    helium = 4.0026 / 28.9644
    volume_0 = (1.2 + 2.1 + 1.02) / (rho(500.0) * (1 - helium))
    wanted = rho(500.0) * volume_0 / (math.pi / 6 * 8.0**3)
    low, high = 500.0, 45_000.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if rho(middle) > wanted else (low, middle)
    assert BALLOON.burst_altitude_m(500.0) == pytest.approx(low, rel=TWO_PERCENT)


@pytest.mark.parametrize("altitude_m", [1_000.0, 4_000.0, 8_000.0, 14_000.0, 20_000.0, 24_000.0])
def test_fall_speed(altitude_m: float) -> None:
    """Steady fall: m g = ½ ρ v² C A, times what real flights show aloft (../shared/checks.md)."""
    path = np.array(descend(CHUTE, 30_000.0, 5.0, 0.0, np.random.default_rng(1)))
    i = int(np.searchsorted(-path, -altitude_m))
    made = (path[i - 5] - path[i + 5]) / 10.0
    area = math.pi / 4 * 1.8**2
    by_hand = math.sqrt(2 * 2.1 * G / (rho(altitude_m) * 0.495 * area))
    assert made == pytest.approx(by_hand * float(aloft_factor(altitude_m)), rel=TWO_PERCENT)


def test_free_fall_at_first() -> None:
    """No air to speak of: in the first second the speed changes by g."""
    thin = Parachute(mass_kg=2.1, diameter_m=0.2, drag_coefficient=0.495, scatter=0.0, wander=0.0)
    path = descend(thin, 40_000.0, 0.0, 39_000.0, np.random.default_rng(1))
    assert 40_000.0 - path[0] == pytest.approx(G / 2, rel=0.3)
    assert path[0] - path[1] == pytest.approx(1.5 * G, rel=0.15)


def test_the_made_fall_is_fast_at_first_and_slow_at_the_ground() -> None:
    truth = make(load("demo"), 74)
    at_landing = truth.index(truth.landing_s)
    assert truth.climb_ms.min() < -60.0
    assert -8.0 < np.mean(truth.climb_ms[at_landing - 60 : at_landing]) < -5.0


def test_float_and_weak_balloons() -> None:
    floating, weak = make(load("float"), 404), make(load("early-burst"), 303)
    level = floating.altitude_m > 26_300.0
    assert level.sum() > 2_500
    assert floating.float_s is not None
    assert floating.at(floating.float_s)[2] == pytest.approx(26_380.0, abs=10.0)
    assert floating.burst_s - floating.float_s >= 2_700.0
    assert weak.float_s is None
    assert floating.burst[2] < 27_200.0
    assert weak.burst[2] == pytest.approx(16_800.0, abs=20.0)


@pytest.mark.parametrize("name", names())
def test_each_scenario_flies_and_lands(name: str) -> None:
    scenario = load(name)
    truth = make(scenario, scenario.seed)
    assert truth.launch_s < truth.burst_s < truth.landing_s < truth.end_s
    assert np.isfinite(truth.altitude_m).all()
    assert (truth.altitude_m[truth.index(truth.landing_s) :] == truth.landing[2]).all()
