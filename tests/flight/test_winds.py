"""The wind by height: what was measured, textbook conditioning, and how real winds change."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from server.flight.landing import winds
from server.flight.landing.wind_covariance import (
    CENTRES_M,
    Places,
    WindConstants,
    covariance_between,
    unrest_by_height,
)
from tests.flights import flown, real_logs


def test_a_day_on_which_the_wind_changes_much_is_noticed() -> None:
    constants = WindConstants()
    rng = np.random.default_rng(4)
    layers = np.tile(np.arange(10, 90), 2)
    times = np.concatenate([np.arange(80) * 40.0, 8_000.0 + np.arange(80)[::-1] * 20.0])
    nowhere = (np.zeros(160), np.zeros(160))

    def day(size: float) -> float:
        unrest = unrest_by_height(layers, 500.0, constants)
        places = Places(layers, times, unrest, *nowhere)
        among = covariance_between(places, places, constants) + 1e-6 * np.eye(160)
        drawn = np.linalg.cholesky(among) @ rng.normal(size=(160, 2)) * size
        east, north = drawn.T
        seen = winds.WindSamples(layers, times, east, north, np.full(160, 0.3), *nowhere)
        return winds.unrest_of_day(seen, 500.0, constants)

    calm, usual, wild = (np.mean([day(size) for _ in range(20)]) for size in (0.4, 1.0, 2.0))
    assert calm == 1.0  # calm above promises nothing below
    assert 1.0 <= usual < 1.2
    assert 1.5 < wild < 4.0
    once = winds.WindSamples(layers[:80], *(times[:80],) * 6)
    assert winds.unrest_of_day(once, 500.0, constants) == 1.0


def test_wind_of_a_layer_is_what_was_measured_there() -> None:
    time_s = np.arange(0.0, 3_000.0, 30.0)
    z_m = 500.0 + 5.0 * time_s
    x_m = np.cumsum(np.full(len(time_s), 10.0 * 30.0))
    seen = winds.samples(time_s, x_m, -0.5 * x_m, z_m, np.zeros(len(time_s), dtype=np.int64))
    np.testing.assert_allclose(seen.east_ms, 10.0, atol=1e-9)
    np.testing.assert_allclose(seen.north_ms, -5.0, atol=1e-9)
    here = (seen.x_m, seen.y_m)
    soon = winds.profile(seen, seen.layer, seen.time_s, here, 500.0)
    np.testing.assert_allclose(soon.east_ms, 10.0, atol=0.6)
    later = winds.profile(seen, seen.layer, seen.time_s + 7_200.0, here, 500.0)
    assert np.all(np.diag(later.covariance) > np.diag(soon.covariance))
    away = (seen.x_m + 100_000.0, seen.y_m)
    elsewhere = winds.profile(seen, seen.layer, seen.time_s, away, 500.0)
    assert np.all(np.diag(elsewhere.covariance) > np.diag(soon.covariance))


def test_conditioning_against_the_textbook_equations() -> None:
    # Rasmussen and Williams 2006, eq. 2.23 and 2.24, longhand with explicit inverses
    constants = WindConstants()
    layers, times = np.array([4, 8, 9]), np.array([100.0, 250.0, 300.0])
    values = np.array([3.0, 7.0, 8.0])
    x_m, y_m = np.array([0.0, 900.0, 1_500.0]), np.array([0.0, -300.0, -500.0])
    seen = winds.WindSamples(layers, times, values, -values, np.full(3, 0.7), x_m, y_m)
    asked, when = np.array([5, 8]), np.array([5_000.0, 5_200.0])
    there = (np.array([40_000.0, 42_000.0]), np.array([-9_000.0, -9_500.0]))
    given_ = Places(layers, times, unrest_by_height(layers, 500.0, constants), x_m, y_m)
    wanted = Places(asked, when, unrest_by_height(asked, 500.0, constants), *there)
    noise = 0.7**2 + constants.sampling_sigma_ms**2
    k_oo = covariance_between(given_, given_, constants) + np.eye(3) * noise
    k_ao = covariance_between(wanted, given_, constants)
    k_aa = covariance_between(wanted, wanted, constants)
    got = winds.profile(seen, asked, when, there, 500.0)
    np.testing.assert_allclose(got.east_ms, k_ao @ np.linalg.inv(k_oo) @ values, rtol=1e-9)
    np.testing.assert_allclose(
        got.covariance, k_aa - k_ao @ np.linalg.inv(k_oo) @ k_ao.T, rtol=1e-9, atol=1e-9
    )


def changes(log: Path, constants: WindConstants) -> Iterator[tuple[float, float, float]]:
    """Height above the launch, the mean square change of a kilometre's wind, and the one expected."""
    question = flown(log).flights[0].landing_question()
    assert question is not None
    aloft = question.time_s <= (question.landed_s or question.at_s)
    seen = question.winds_met(aloft)
    first, then = winds.crossed_twice(seen)
    changed = np.column_stack(
        [seen.east_ms[then] - seen.east_ms[first], seen.north_ms[then] - seen.north_ms[first]]
    )
    noise = (
        2 * constants.sampling_sigma_ms**2 + seen.sigma_ms[first] ** 2 + seen.sigma_ms[then] ** 2
    )
    for start in range(0, len(first) - 3, 4):
        four = slice(start, start + 4)
        layer = seen.layer[first[four]]
        if layer[-1] - layer[0] != 3:
            continue
        unrest = unrest_by_height(layer, float(question.z_m.min()), constants)
        places = [
            Places(layer, seen.time_s[of], unrest, seen.x_m[of], seen.y_m[of])
            for of in (first[four], then[four])
        ]
        kernels = [covariance_between(a, b, constants).mean() for a in places for b in places]
        expected = kernels[0] + kernels[3] - kernels[1] - kernels[2] + noise[four].mean() / 4
        height_m = float(CENTRES_M[layer].mean() - question.z_m.min())
        yield height_m, float((changed[four].mean(axis=0) ** 2).mean()), float(expected)


def test_real_winds_change_by_about_as_much_as_the_constants_say() -> None:
    """From the way up to the way down, on one axis; the flights: tests/data/flights/SOURCE.md.

    The constants were fitted to where real flights landed, not to this: aloft they are on the safe side.
    """
    constants = WindConstants()
    rows = np.array([row for log in real_logs() for row in changes(log, constants)])
    for low_m, high_m in ((1_500, 3_000), (3_000, 6_000), (6_000, 10_000), (10_000, 25_000)):
        here = rows[(rows[:, 0] >= low_m) & (rows[:, 0] < high_m)]
        assert len(here) > 50
        ratio = float(np.sqrt(here[:, 1].mean() / here[:, 2].mean()))
        assert 0.65 < ratio < 1.25, (low_m, ratio)
