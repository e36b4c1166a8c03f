"""Sight over a ridge, against the horizon of one profile; and what falls away on the ground."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import norm

from server.flight.chase.horizon import CAR_ANTENNA_M, over_profile
from server.flight.physics.geodesy import LocalFrame
from server.flight.search.reach import GROUND_RANGE_M, Ground, Viewpoint, reach_m

Array = npt.NDArray[np.float64]
FRAME = LocalFrame(38.4, -98.0)


class Ridge:
    """500 m high, but for a ridge of 800 m from north to south, 4 to 5 km east of the origin."""

    def __call__(self, latitude_deg: float, longitude_deg: float) -> float | None:
        return float(self.heights(np.array([latitude_deg]), np.array([longitude_deg]))[0])

    def heights(self, latitude_deg: Array, longitude_deg: Array) -> Array:
        x_m, _ = FRAME.to_xy(latitude_deg, longitude_deg)
        return np.where((x_m > 4_000.0) & (x_m < 5_000.0), 800.0, 500.0)


def test_a_ridge_hides_what_lies_behind_it_and_not_what_flies_above() -> None:
    ground = Ground(FRAME, Ridge(), 500.0)
    view = Viewpoint(ground, 0.0, 0.0, 20_000.0)
    x_m, y_m = np.array([8_000.0, 8_000.0, -8_000.0]), np.zeros(3)
    behind, above, open_ground = view.sight(x_m, y_m, np.array([501.0, 2_500.0, 520.0]))
    assert behind < 0.05
    assert above > 0.99
    assert open_ground > 0.5


def test_its_edge_is_that_of_the_profile() -> None:
    view = Viewpoint(Ground(FRAME, Ridge(), 500.0), 0.0, 0.0, 20_000.0)
    away_m = np.linspace(0.0, 20_000.0, 150)
    heights = np.where((away_m > 4_000.0) & (away_m < 5_000.0), 800.0, 500.0)
    lowest_m = float(over_profile(away_m, heights, CAR_ANTENNA_M).at(9_000.0))
    heights_m = np.array([lowest_m, lowest_m - 40.0, lowest_m - 120.0])
    edge, half, hidden = view.sight(np.full(3, 9_000.0), np.zeros(3), heights_m)
    assert edge > 0.85
    assert half == pytest.approx(0.5, abs=0.15)
    assert hidden < 0.06


def test_open_ground_is_in_sight() -> None:
    """It lies on its own horizon everywhere: half of what comes from close by counted as hidden."""
    view = Viewpoint(Ground(FRAME, None, 500.0), 0.0, 0.0, 20_000.0)
    near = view.sight(np.array([100.0, 1_000.0, 4_000.0]), np.zeros(3), np.full(3, 500.5))
    assert (near > 0.9).all()


def test_on_the_ground_half_is_heard_at_the_usual_range() -> None:
    view = Viewpoint(Ground(FRAME, None, 500.0), 0.0, 0.0, 20_000.0)
    times = np.array([0.05, 0.5, 0.75, 1.0, 1.33, 2.0])
    at = times * GROUND_RANGE_M
    still, low = np.zeros(len(at)), np.full(len(at), 500.5)
    chance = view.chance(at, still, low, np.ones(len(at), dtype=bool), 1.0)
    # 40 dB a decade over plane earth, a normal fade of 5 dB about the mean, 4.5 dB between places
    expected = norm.cdf(-40.0 * np.log10(times) / np.hypot(5.0, 4.5))
    assert (chance / view.sight(at, still, low)).tolist() == pytest.approx(expected, abs=0.04)
    assert reach_m(10_000.0) > 400_000.0  # 4.12 km for each root of a metre


def test_where_no_tile_tells_the_ground_is_as_usual() -> None:
    class Nothing(Ridge):
        def heights(self, latitude_deg: Array, longitude_deg: Array) -> Array:
            return np.full(np.shape(latitude_deg), np.nan)

    assert Ground(FRAME, Nothing(), 420.0).at(np.zeros(2), np.zeros(2)).tolist() == [420.0, 420.0]
