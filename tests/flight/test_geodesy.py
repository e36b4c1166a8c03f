"""Against GeographicLib's printed example and against PROJ, a reference library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyproj import Proj

from server.flight.physics.geodesy import LocalFrame, distance_bearing


def test_geographiclib_printed_example() -> None:
    # Karney 2013, Algorithms for geodesics, as printed in GeographicLib's documentation
    distance_m, bearing_deg = distance_bearing(-41.32, 174.81, 40.96, -5.50)
    assert distance_m == pytest.approx(19_959_679.267, abs=0.001)
    assert bearing_deg == pytest.approx(161.06767, abs=1e-5)


@pytest.mark.parametrize("origin", [(38.0, -98.0), (-33.0, 179.8), (60.0, 10.0), (0.0, 0.0)])
def test_frame_agrees_with_proj(origin: tuple[float, float]) -> None:
    frame = LocalFrame(*origin)
    oracle = Proj(proj="tmerc", lat_0=origin[0], lon_0=origin[1], ellps="WGS84")
    rng = np.random.default_rng(5)
    latitude_deg = origin[0] + rng.uniform(-4, 4, 200)
    longitude_deg = (origin[1] + rng.uniform(-4, 4, 200) + 180) % 360 - 180
    x_m, y_m = frame.to_xy(latitude_deg, longitude_deg)
    x_oracle, y_oracle = oracle(longitude_deg, latitude_deg)
    np.testing.assert_allclose(x_m, x_oracle, atol=1e-6)
    np.testing.assert_allclose(y_m, y_oracle, atol=1e-6)
    back_lat, back_lon = frame.to_latlon(x_m, y_m)
    np.testing.assert_allclose(back_lat, latitude_deg, atol=1e-11)
    np.testing.assert_allclose((back_lon - longitude_deg + 180) % 360 - 180, 0.0, atol=1e-11)


def test_frame_keeps_distances_of_a_flight() -> None:
    # scale 1 + x²/2R² at x metres beside the central meridian: 1.0005 at 200 km
    frame = LocalFrame(38.0, -98.0)
    a, b = (38.3, -95.8), (38.4, -95.7)
    xa, ya = frame.to_xy(*a)
    xb, yb = frame.to_xy(*b)
    true_m, _ = distance_bearing(*a, *b)
    assert math.hypot(xb - xa, yb - ya) / true_m == pytest.approx(1.0005, abs=1e-4)


def test_convergence_is_the_angle_to_true_north() -> None:
    frame = LocalFrame(38.0, -98.0)
    x0, y0 = frame.to_xy(38.2, -96.0)
    x1, y1 = frame.to_xy(38.201, -96.0)
    grid_deg = math.degrees(math.atan2(x1 - x0, y1 - y0))
    assert grid_deg + frame.convergence_deg(38.2, -96.0) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("latitude_deg", [-52.0, 0.0, 38.0, 61.0])
def test_the_frame_turns_from_north_with_each_metre_east(latitude_deg: float) -> None:
    frame = LocalFrame(latitude_deg, -98.0)
    east_m, _ = frame.to_xy(latitude_deg, -97.5)
    turned_deg = frame.convergence_deg(latitude_deg, -97.5)
    assert math.degrees(frame.turn_per_m * east_m) == pytest.approx(turned_deg, abs=2e-4)


@pytest.mark.parametrize("latitude_deg", [-67.3, 0.0, 38.35, 89.99])
def test_one_place_alone_is_where_it_is_among_many(latitude_deg: float) -> None:
    """A fix is put into the frame alone, an ensemble all at once: the same but for rounding."""
    frame = LocalFrame(38.0, 179.9)
    longitudes_deg = np.array([179.0, -179.5, 170.0])
    many_x_m, many_y_m = frame.to_xy(np.full(3, latitude_deg), longitudes_deg)
    for x_m, y_m, longitude_deg in zip(many_x_m, many_y_m, longitudes_deg, strict=True):
        alone = frame.to_xy(latitude_deg, float(longitude_deg))
        assert alone == pytest.approx((x_m, y_m), rel=1e-12, abs=1e-6)
    many = frame.to_latlon(many_x_m, many_y_m)
    for x_m, y_m, *there in zip(many_x_m, many_y_m, *many, strict=True):
        assert frame.to_latlon(float(x_m), float(y_m)) == pytest.approx(there, rel=1e-12, abs=1e-11)


def test_places_beyond_a_pole_or_nowhere_are_as_among_many() -> None:
    frame = LocalFrame(38.0, -98.0)
    for x_m, y_m in ((0.0, 5_900_000.0), (9_600_000.0, 0.0), (math.nan, 0.0)):
        there = [float(one[0]) for one in frame.to_latlon(np.array([x_m]), np.array([y_m]))]
        assert frame.to_latlon(x_m, y_m) == pytest.approx(there, rel=1e-12, nan_ok=True)
