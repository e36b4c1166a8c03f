"""The way through a forecast against scipy's solver on the same winds."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.flight.landing.climb import Climb, climb_integral
from server.flight.landing.descent import fall_integral
from server.flight.landing.question import Forecast
from server.flight.landing.trajectory import trajectory
from server.flight.physics.geodesy import LocalFrame
from server.geodata.forecast import read_forecast
from server.geodata.grib import read_grib
from tests.flights import LAUNCH, T0
from tests.geodata.extras import require_module
from tests.geodata.grib_files import EAST_MS, HEIGHTS_M, Value, write_grib

REAL = Path(__file__).parent.parent / "data" / "forecast" / "gfs-2011-01-15-12z-plains.grib2"
REAL_S = 1_295_092_800.0  # 2011-01-15T12:00:00Z, the hour that it is valid for
REAL_RUN_S = (
    1_294_660_800.0  # 2011-01-10T12:00:00Z, when the run began that it is of: SOURCE.md beside it
)
CLIMB = Climb(5.2, 0.5, 29_000.0, 1_000.0)
BURST_M, K, GROUND_M = 29_000.0, 5.07, 410.0
WITHIN_M = 100.0


def solved(forecast: Forecast, start_s: float, place: tuple[float, float, float]) -> np.ndarray:
    """Where it comes down, x and y, by an adaptive Runge-Kutta method with height as its variable."""
    frame = LocalFrame(*place[:2])

    def wind(time_s: float, x: float, y: float, z: float) -> tuple[float, float]:
        latitude_deg, longitude_deg = map(float, frame.to_latlon(x, y))
        heights, east, north = forecast.profile(latitude_deg, longitude_deg, time_s)
        e, n = float(np.interp(z, heights, east)), float(np.interp(z, heights, north))
        # the flat frame's axes by differences: a metre to the east and to the north, by true north
        here = np.array(frame.to_xy(latitude_deg, longitude_deg))
        ahead = np.array(frame.to_xy(latitude_deg + 1e-4, longitude_deg)) - here
        north_axis = ahead / np.hypot(*ahead)
        east_axis = np.array([north_axis[1], -north_axis[0]])
        u, v = e * east_axis + n * north_axis
        return float(u), float(v)

    def rate(z: float, state: np.ndarray, seconds_per_m: float) -> list[float]:
        u, v = wind(start_s + state[0], state[1], state[2], z)
        return [seconds_per_m, u * seconds_per_m, v * seconds_per_m]

    def slope(integral: Callable[[float], Any], z: float) -> float:
        return float(integral(z + 0.5) - integral(z - 0.5))

    def run(seconds_per_m: Callable[[float], float], span: tuple[float, float], y: Any) -> Any:
        found = solve_ivp(
            lambda z, s: rate(z, s, seconds_per_m(z)), span, y, rtol=1e-7, atol=1e-2, max_step=25.0
        )
        return found.y[:, -1]

    begun = np.zeros(3)  # seconds from the start: a tolerance of the date would be minutes
    top = run(lambda z: slope(climb_integral, z) / CLIMB.rate_ms, (place[2], BURST_M), begun)
    down = run(lambda z: -slope(fall_integral, z) / K, (BURST_M, GROUND_M), top)
    return np.asarray(np.array([start_s, 0.0, 0.0]) + down)


def ours(forecast: Forecast, start_s: float, place: tuple[float, float, float]) -> np.ndarray:
    frame = LocalFrame(*place[:2])
    start = (start_s, 0.0, 0.0, place[2])
    path = trajectory(forecast, frame, start, CLIMB, BURST_M, K, lambda _x, _y: GROUND_M)
    assert path[:, 3].max() == BURST_M
    assert path[-1, 3] == pytest.approx(GROUND_M, abs=1e-6)
    return np.asarray(path[-1, :3])


@pytest.mark.parametrize("place", [LAUNCH, (44.8, -93.6, 290.0), (33.1, -101.9, 1_000.0)])
def test_on_a_real_forecast(place: tuple[float, float, float]) -> None:
    require_module("eccodes", "grib")
    forecast = read_grib(REAL)
    assert forecast.run_s == REAL_RUN_S
    found, wanted = ours(forecast, REAL_S, place), solved(forecast, REAL_S, place)
    assert np.hypot(*wanted[1:]) > 30_000.0, "it drifts far enough to tell"
    assert np.hypot(*(found - wanted)[1:]) < WITHIN_M
    assert found[0] == pytest.approx(wanted[0], abs=2.0)


def test_on_winds_that_change_by_level_and_with_time(tmp_path: Path) -> None:
    require_module("eccodes", "grib")
    fields: dict[str, Value] = {
        "u": lambda at: EAST_MS[at.level] + 2.0 * (at.hour - 12),
        "v": lambda at: 5.0 * (at.longitude_deg + 98.0),
        "gh": lambda at: HEIGHTS_M[at.level],
    }
    forecast = read_grib(write_grib(tmp_path / "made.grib2", fields))
    found, wanted = ours(forecast, T0, LAUNCH), solved(forecast, T0, LAUNCH)
    assert np.hypot(*(found - wanted)[1:]) < WITHIN_M


SOUNDING = "altitude_m,direction_deg,speed_ms\n0,270,5\n20000,270,7\n40000,270,9\n"


def test_a_sounding_is_followed_from_the_west(tmp_path: Path) -> None:
    (tmp_path / "winds.csv").write_text(
        "altitude_m,direction_deg,speed_ms\n0,270,5\n20000,270,7\n40000,270,9\n"
    )
    sounding = read_forecast(tmp_path / "winds.csv")
    east = ours(sounding, T0, LAUNCH)
    assert east[1] > 30_000.0
    assert abs(east[2]) < 0.01 * east[1] + 500.0
