"""The made wind against its published statistics.

Structure function: mean square vector change proportional to time^(2/3) between 15 minutes and 4
hours (Merceret 1997, J. Appl. Meteor. 36, 1567: the f^(-5/3) regime). Vertical correlation of the
change, and process_scale of one profile: real flights (`python -m tests.bench rehearsal` has both sides
with their position errors, which the winds here do not have).
"""

from __future__ import annotations

import numpy as np
import pytest

from server.rehearsal.wind import Layer, WindField

TEN_PERCENT = 0.10
STILL = [Layer(0.0, 270.0, 0.0)]
HOUR_S = 3_600.0
USUAL_MS = 3.4  # a scenario's


def changes(lag_s: float, seeds: range, away_m: float = 0.0) -> np.ndarray:
    """Vector changes after `lag_s` (and `away_m` further east): seeds x heights x (east, north).

    Divided by their size at each height, which has a test of its own.
    """
    heights = np.arange(6_000.0, 17_000.0, 250.0)
    found = []
    for seed in seeds:
        field = WindField(STILL, 1.0, seed, spread=False)
        for start_s in (0.0, 40_000.0, 90_000.0):
            still = np.zeros(heights.size)
            before = field.at(heights, still + start_s, still, still)
            after = field.at(heights, still + start_s + lag_s, still + away_m, still)
            change = np.stack([after[0] - before[0], after[1] - before[1]], axis=-1)
            found.append(change / field.size_at(heights)[:, None])
    return np.array(found)


SEEDS = range(160)


@pytest.mark.parametrize("hours", [0.25, 0.5, 1.0, 2.0, 4.0])
def test_structure_function_follows_the_two_thirds_law(hours: float) -> None:
    mean_square = float((changes(hours * HOUR_S, SEEDS) ** 2).sum(axis=-1).mean())
    assert mean_square == pytest.approx(hours ** (2 / 3), rel=TEN_PERCENT)


@pytest.mark.parametrize(
    ("steps", "real", "within"),
    [(1, 0.74, 0.13), (2, 0.39, 0.06), (4, 0.13, 0.06), (8, 0.04, 0.06)],
)
def test_vertical_correlation_of_the_change(steps: int, real: float, within: float) -> None:
    found = changes(1.5 * HOUR_S, SEEDS)
    lower, upper = found[:, :-steps], found[:, steps:]
    correlation = (lower * upper).sum() / np.sqrt((lower**2).sum() * (upper**2).sum())
    assert correlation == pytest.approx(real, abs=within)


def test_one_profile_is_as_rough_as_a_real_one() -> None:
    """Vector difference, rms, of 250 m layers of a real ascent: 3.1, 5.1 and 7.2 m/s over 1, 2, 4.

    Seen there from one fix to the next, some 200 m higher. The day's profile has a part in it, which
    is left out here: the changes are not rougher.
    """
    heights = np.arange(6_000.0, 17_000.0, 50.0)
    still = np.zeros(heights.size)
    found = []
    for seed in range(80):
        east, north = WindField(STILL, USUAL_MS, seed, spread=False).at(
            heights, still, still, still
        )
        between_fixes = [np.convolve(axis, np.full(5, 0.2), "valid") for axis in (east, north)]
        found.append(np.stack(between_fixes, axis=-1)[: heights.size // 5 * 5 - 5])
    profiles = np.array(found).reshape(len(found), -1, 5, 2).mean(axis=2)
    for steps, real_ms in ((1, 3.1), (2, 5.1), (4, 7.2)):
        apart = profiles[:, steps:] - profiles[:, :-steps]
        rough_ms = float(np.sqrt((apart**2).sum(axis=-1).mean()))
        assert 0.7 * real_ms < rough_ms < 1.1 * real_ms


def test_the_wind_changes_more_near_the_ground_and_aloft() -> None:
    """Sizes from the real flights: docstring of server/rehearsal/wind.py."""
    at_m = np.array([1_000.0, 5_000.0, 13_500.0])
    still = np.zeros(3)
    found = []
    for seed in range(300):
        field = WindField(STILL, 1.0, seed, spread=False)
        before, after = (field.at(at_m, still + t, still, still) for t in (0.0, HOUR_S))
        found.append([after[0] - before[0], after[1] - before[1]])
    low, middle, high = np.sqrt((np.array(found) ** 2).mean(axis=(0, 1)))
    assert low / middle == pytest.approx(1.67, rel=0.15)
    assert high / middle == pytest.approx(1.44, rel=0.15)


def test_flights_differ_more_below_than_aloft() -> None:
    """Log-normal, as the changes that Merceret saw; the spread is the real flights'."""
    heights = np.array([2_000.0, 15_000.0])
    usual = WindField(STILL, 1.0, 0, spread=False).size_at(heights)
    strength = np.array([WindField(STILL, 1.0, s).size_at(heights) / usual for s in range(300)])
    np.testing.assert_allclose(np.log(strength).std(axis=0), [0.47, 0.28], rtol=0.15)
    np.testing.assert_allclose(np.median(strength, axis=0), 1.0, atol=0.08)


def test_distance_changes_the_wind_as_time_does() -> None:
    """A mode crosses 72 km at 20 m/s in an hour, less where it moves across: the mean of |cos|."""
    here = float((changes(0.0, SEEDS, away_m=72_000.0) ** 2).sum(axis=-1).mean())
    assert 0.4 < here < 1.1


def test_the_days_profile_is_the_mean() -> None:
    layers = [Layer(0.0, 180.0, 10.0), Layer(10_000.0, 270.0, 30.0)]
    found = []
    for seed in range(60):
        field = WindField(layers, 2.5, seed)
        heights = np.array([0.0, 5_000.0, 10_000.0])
        found.append(field.at(heights, np.zeros(3), np.zeros(3), np.zeros(3)))
    east, north = np.array(found).mean(axis=0)
    np.testing.assert_allclose(east, [0.0, 15.0, 30.0], atol=1.5)
    np.testing.assert_allclose(north, [10.0, 5.0, 0.0], atol=1.5)


def test_same_seed_same_wind() -> None:
    one, other = WindField(STILL, 2.0, 5), WindField(STILL, 2.0, 5)
    point = (np.array([9_000.0]), np.array([100.0]), np.array([5.0]), np.array([7.0]))
    assert one.at(*point) == other.at(*point)
    assert one.at(*point) != WindField(STILL, 2.0, 6).at(*point)
