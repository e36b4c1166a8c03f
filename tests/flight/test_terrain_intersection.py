"""Falls that meet ground which is not level: slopes, walls, plateaus, and ground that nobody knows."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.flight.landing.descent import Fall
from server.flight.landing.ensemble import Members, Start, fall, mean_path
from server.flight.landing.terrain_intersection import Relief, span, terrain_intersection
from server.flight.landing.wind_covariance import LAYER_M, LAYERS
from server.flight.landing.winds import WindProfile
from server.flight.physics.atmosphere import density_kg_m3

K = 5.0
EAST = 6.0 + np.arange(LAYERS, dtype=np.float64) * 0.5
WIND = WindProfile(EAST, np.zeros(LAYERS), np.zeros((LAYERS, LAYERS)))
SURE = Fall((1.0, 0.0, 0.0), (math.log(K),) * 3, (0.0,) * 3)
FROM = Start(0.0, 0.0, 9_000.0, 0.0, 0.0)
ONE_METRE, FIVE_METRES = 1.0, 5.0
A_POST_M = 30.0  # of an SRTM tile of one arc second


def landed(
    ground: Callable[[np.ndarray], np.ndarray], start: Start = FROM, known_sigma_m: float = 0.0
) -> Members:
    """Members without chance, on ground that depends on x."""
    relief = Relief(lambda x, _: ground(x), known_sigma_m, 560.0, 150.0)
    path = mean_path(start, None, WIND, K, 560.0)
    lowest_m, highest_m = span(relief, path, 12_000.0)
    drawn, paths = fall(start, None, WIND, SURE, lowest_m, 0.0, 6.0, 400, 7)
    return terrain_intersection(drawn, paths, relief, highest_m)


def by_scipy(ground: Callable[[np.ndarray], np.ndarray]) -> tuple[float, float, float]:
    """x, altitude and seconds at which the same fall first meets the ground, by scipy's solver."""

    def rates(_: float, state: np.ndarray) -> list[float]:
        layer = min(max(int(state[1] / LAYER_M), 0), LAYERS - 1)
        return [float(EAST[layer]), -K / math.sqrt(float(density_kg_m3(state[1])))]

    def on_ground(_: float, state: np.ndarray) -> float:
        return float(state[1] - ground(np.array([state[0]]))[0])

    on_ground.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(rates, (0, 6_000), [0.0, 9_000.0], events=on_ground, max_step=0.5, rtol=1e-8)
    return float(solved.y[0, -1]), float(solved.y[1, -1]), float(solved.t[-1])


SLOPES = [-0.05, 0.0, 0.1, 0.3, 0.5, 1.0]


@pytest.mark.parametrize("rise", SLOPES)
def test_a_slope_is_met_where_a_solver_meets_it(rise: float) -> None:
    def ground(x: np.ndarray) -> np.ndarray:
        return np.clip(560.0 + rise * (x - 8_000.0), 100.0, 4_000.0)

    x_m, z_m, after_s = by_scipy(ground)
    met = landed(ground)
    assert met.x_m.mean() == pytest.approx(x_m, abs=A_POST_M)
    assert met.z_m.mean() == pytest.approx(z_m, abs=1.0 + A_POST_M * abs(rise))
    assert met.after_s.mean() == pytest.approx(after_s, abs=5.0)
    np.testing.assert_allclose(met.z_m, ground(met.x_m), atol=1.0 + A_POST_M * abs(rise))


def test_nobody_flies_through_a_ridge() -> None:
    """A wall to 3,500 m where the fall is at about 2,200 m: it ends on its face."""
    path = mean_path(FROM, None, WIND, K, 560.0)
    at_x = float(np.interp(-2_200.0, -path[:, 3], path[:, 1]))

    def ground(x: np.ndarray) -> np.ndarray:
        return np.where((x > at_x) & (x < at_x + 1_500.0), 3_500.0, 560.0)

    met = landed(ground)
    assert abs(float(met.x_m.mean()) - at_x) < 600.0  # a layer is fallen through in so far
    assert float(met.z_m.mean()) > 2_000.0


def test_a_plateau_that_is_left_behind_changes_nothing() -> None:
    low = landed(lambda x: np.full(x.shape, 560.0))
    plateau = landed(lambda x: np.where(x < 3_000.0, 4_000.0, 560.0))
    np.testing.assert_allclose(plateau.x_m, low.x_m, atol=ONE_METRE)


def test_ground_that_nobody_knows_is_as_unsure_as_it_is() -> None:
    """Tiles under the payload alone, and under the landing alone: its own error counts."""
    here = landed(lambda x: np.where(x < 3_000.0, 560.0, np.nan), known_sigma_m=20.0)
    there = landed(lambda x: np.where(x < 3_000.0, np.nan, 560.0), known_sigma_m=20.0)
    assert float(np.std(here.z_m)) == pytest.approx(150.0, rel=0.15)
    assert float(np.std(there.z_m)) == pytest.approx(20.0, rel=0.15)
    assert float(np.mean(here.z_m)) == pytest.approx(560.0, abs=25.0)


def test_one_that_is_below_the_ground_already_lies_where_it_is() -> None:
    met = landed(lambda x: np.full(x.shape, 2_000.0), from_altitude(1_500.0))
    np.testing.assert_allclose(met.x_m, 0.0, atol=A_POST_M)
    assert np.isfinite(met.z_m).all()


def from_altitude(altitude_m: float) -> Start:
    return FROM._replace(z_m=altitude_m)


def test_below_the_sea_it_falls_on() -> None:
    """The shore of a dead sea at -430 m (a plan's launch may be there): wind of the lowest layer."""
    drawn, _ = fall(FROM._replace(z_m=-50.0), None, WIND, SURE, -400.0, 10.0, 6.0, 400, 7)
    assert float(drawn.z_m.mean()) == pytest.approx(-400.0, abs=3.0)
    assert float(drawn.x_m.mean()) == pytest.approx(EAST[0] * float(drawn.after_s.mean()), rel=0.01)
    whole = FROM
    at_sea, _ = fall(whole, None, WIND, SURE, 0.0, 0.0, 6.0, 400, 7)
    below, _ = fall(whole, None, WIND, SURE, -400.0, 0.0, 6.0, 400, 7)
    more_s = float(below.after_s.mean() - at_sea.after_s.mean())
    assert more_s == pytest.approx(400.0 / (K / math.sqrt(1.25)), rel=0.02)
    assert float(below.x_m.mean() - at_sea.x_m.mean()) == pytest.approx(EAST[0] * more_s, rel=0.02)
