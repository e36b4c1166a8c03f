"""The channel against textbook: free space, plane earth, the horizon of the 4/3 earth, collisions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from server.rehearsal.radio import (
    SENSITIVITY_DBM,
    Receiver,
    airtime_s,
    horizon_km,
    power_dbm,
    receive,
)

ONE_DB = 1.0


def receiver(busy: float = 0.0) -> Receiver:
    return Receiver("N0CALL-3", 38.0, -98.0, 500.0, 30.0, busy)


def test_radio_horizon_is_that_of_the_four_thirds_earth() -> None:
    """d = √(2 k a h) with k = 4/3 (ITU-R P.310) and a = 6,371 km; printed as 4.12 √h."""
    by_hand_km = math.sqrt(2 * 4 / 3 * 6_371_000.0 * 100.0) / 1_000.0
    assert horizon_km(100.0, 0.0) == pytest.approx(by_hand_km, rel=0.002)
    assert horizon_km(30_000.0, 2.0) == pytest.approx(4.12 * (math.sqrt(30_000) + math.sqrt(2)))


def test_free_space_loss() -> None:
    """(4 π d / λ)², between two antennas of 2 dBi, 0.5 W, 100 km apart and high enough."""
    wavelength_m = 299_792_458.0 / 144.39e6
    loss_db = 20 * math.log10(4 * math.pi * 100_000.0 / wavelength_m)
    by_hand = 10 * math.log10(500.0) + 4.0 - loss_db
    assert power_dbm(0.5, 100_000.0, 20_000.0, 30.0, 20_000.0) == pytest.approx(by_hand, abs=ONE_DB)


def test_plane_earth_loss_near_the_ground() -> None:
    """P_r/P_t = G (h1 h2)² / d⁴ (two-ray model)."""
    by_hand = 10 * math.log10(25_000.0) + 4.0 + 20 * math.log10(2.0 * 30.0) - 40 * math.log10(9e3)
    assert power_dbm(25.0, 9_000.0, 2.0, 30.0, 28.0) == pytest.approx(by_hand, abs=ONE_DB)


def test_nobody_is_heard_far_behind_the_horizon() -> None:
    assert power_dbm(0.5, 60_000.0, 1.0, 2.0, 0.0) < SENSITIVITY_DBM - 30.0
    assert power_dbm(0.5, 60_000.0, 9_000.0, 2.0, 9_000.0) > SENSITIVITY_DBM + 10.0


def test_airtime_of_1200_baud() -> None:
    assert airtime_s(80) == pytest.approx(0.3 + 8 * (80 + 24) / 1_200)


def test_two_at_once_spoil_each_other_and_a_much_stronger_one_survives() -> None:
    chance = np.random.default_rng(1)
    both = receiver()
    first, second = (receive(both, at_s, 80, -70.0, chance) for at_s in (0.0, 0.4))
    assert not second.readable
    strong_first = receiver()
    strong = receive(strong_first, 0.0, 80, -50.0, chance)
    weak = receive(strong_first, 0.4, 80, -95.0, chance)
    assert strong.readable
    assert not weak.readable
    apart = receiver()
    assert all(receive(apart, at_s, 80, -70.0, chance).readable for at_s in (0.0, 2.0))
    assert first.to_s > 0.4


def test_busy_air_costs_packets() -> None:
    chance = np.random.default_rng(2)
    busy = receiver(busy=0.3)
    heard = [receive(busy, 10.0 * i, 80, -70.0, chance).readable for i in range(2_000)]
    assert np.mean(heard) == pytest.approx(0.7, abs=0.04)
