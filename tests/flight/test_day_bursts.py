"""What the bursts of a day say of the next one: against a library's density, and on real flights."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from server.flight.inputs import BalloonPlan
from server.flight.landing.day_bursts import SeenBurst, expected, seen
from server.flight.physics.lift import usual_burst
from server.journal.recording import inferred_plan, read_recording
from tests.flights import flown, real_logs

BALLOON = BalloonPlan(burst_altitude_m=27_000.0, burst_altitude_sigma_m=2_000.0)
LEAST_BURST_M = 15_000.0  # one of the 50 was let go by a fault at 3,400 m
TOGETHER_S = 4 * 3_600.0


def test_the_mean_and_its_doubt_are_those_of_the_joint_density() -> None:
    """On a grid of altitudes, by scipy's normal of three balloons that are alike by 0.4."""
    bursts = [SeenBurst(0.0, 30_000.0, 28_000.0, 1_000.0), SeenBurst(0.0, 26_000.0, None, 9.0)]
    above = np.linspace(-8.0, 8.0, 4_001)  # standard deviations
    others = np.array([2.0, -0.5])
    joint = multivariate_normal(cov=np.full((3, 3), 0.4) + 0.6 * np.eye(3))
    density = joint.pdf(np.column_stack([above, np.tile(others, (len(above), 1))]))
    density /= density.sum()
    mean = float(density @ above)
    sigma = float(np.sqrt(density @ (above - mean) ** 2))
    found = expected(BALLOON, bursts, 0.0)
    assert found == pytest.approx((27_000.0 + 2_000.0 * mean, 2_000.0 * sigma), rel=1e-6)


def test_another_days_balloons_say_nothing() -> None:
    burst = SeenBurst(0.0, 20_000.0, 27_000.0, 2_000.0)
    assert expected(BALLOON, [burst], 10 * 86_400.0) == pytest.approx((27_000.0, 2_000.0), rel=1e-6)
    assert expected(BALLOON, [], 0.0) == (27_000.0, 2_000.0)


def test_who_planned_no_burst_is_held_against_this_plan() -> None:
    usual = usual_burst(None)
    unplanned = BalloonPlan(burst_altitude_m=usual.mean_m, burst_altitude_sigma_m=usual.sigma_m)
    assert seen(unplanned, 0.0, 27_000.0).expected_m is None
    assert seen(BALLOON, 0.0, 27_000.0).expected_m == 27_000.0
    assert expected(BALLOON, [seen(unplanned, 0.0, 27_000.0)], 0.0)[0] == 27_000.0


def test_real_balloons_of_a_day_burst_alike() -> None:
    """Of the shared flights (tests/data/flights/SOURCE.md): those with an earlier one within four hours."""
    flights = []
    for log in real_logs():
        balloon = inferred_plan(read_recording(log)).flights[0].balloon
        told = {e.kind: e for e in flown(log).events()}
        if "launch" in told and "burst" in told and told["burst"].altitude_m > LEAST_BURST_M:
            flights.append((told["launch"].time_s, told["burst"], balloon))
    off, off_by_day, sigmas = [], [], []
    for launch_s, burst, balloon in flights:
        before = [
            seen(other_balloon, other.time_s, other.altitude_m)
            for other_s, other, other_balloon in flights
            if 0.0 < launch_s - other_s < TOGETHER_S
        ]
        if before:
            mean_m, sigma_m = expected(balloon, before, burst.time_s)
            off.append(burst.altitude_m - balloon.burst_altitude_m)
            off_by_day.append(burst.altitude_m - mean_m)
            sigmas.append(sigma_m)
    assert len(off) >= 14
    alone_m, by_day_m = (float(np.sqrt(np.mean(np.square(o)))) for o in (off, off_by_day))
    assert by_day_m < 0.9 * alone_m
    assert by_day_m < 1.1 * np.mean(sigmas)
    pairs = [
        ((a.altitude_m - p.burst_altitude_m), (b.altitude_m - q.burst_altitude_m))
        for (s, a, p), (t, b, q) in itertools.combinations(flights, 2)
        if abs(s - t) < TOGETHER_S
    ]
    assert np.corrcoef(np.array(pairs).T)[0, 1] == pytest.approx(0.62, abs=0.02)
