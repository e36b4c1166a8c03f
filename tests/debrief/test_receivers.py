"""Who heard from how far; the ruler is pyproj's, on WGS 84."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest
from pyproj import Geod

from server.debrief.figures import tracker_shares
from server.debrief.receivers import farthest, own_car, receiver_counts
from server.debrief.record import FlightRecord
from server.flight.inputs import FlightPlan, Plan, TrackerPlan, VehiclePlan
from server.journal.recording import Recording
from tests.debrief.made import demo, replayed
from tests.flights import LAUNCH, T0, made_flight, packet, position_at

RULER = Geod(ellps="WGS84")
CAR_2 = RULER.fwd(LAUNCH[1], LAUNCH[0], 0.0, 60_000.0)[1::-1]  # latitude, longitude


@cache
def two_stations() -> FlightRecord:
    """Each packet is heard by both cars: one stays at the launch, the other 60 km north of it."""
    heard = []
    for i, r in enumerate(made_flight(interval_s=60.0)):
        heard += [replace(r, source="car-1/tnc"), replace(r, source="car-2/tnc")]
        heard.append(packet(60.0 * i, "N0CALL-8", LAUNCH, source="car-1/tnc"))
        heard.append(packet(60.0 * i, "N0CALL-9", (*CAR_2, LAUNCH[2]), source="car-1/tnc"))
    plan = Plan(
        flights=(FlightPlan(trackers=(TrackerPlan("Main", "N0CALL-11"),)),),
        station="car-1",
        vehicles=(
            VehiclePlan("Car 1", "N0CALL-8", own=True),
            VehiclePlan("Car 2", "N0CALL-9", source="car-2/gps"),
        ),
    )
    return replayed(Recording("two", heard, (), {}, ()), plan)


@pytest.mark.parametrize(
    ("source", "place"), [("car-1/tnc", LAUNCH[:2]), ("car-2/tnc", CAR_2)], ids=["own", "other"]
)
def test_each_car_is_the_place_of_its_own_receivers(
    source: str, place: tuple[float, float]
) -> None:
    far = farthest(two_stations())["N0CALL-11", source]
    places = [position_at(60.0 * i) for i in range(151)]
    bearings_m = [RULER.inv(place[1], place[0], lon, lat) for lat, lon, _ in places]
    expected_m = max(m for _, _, m in bearings_m)
    assert far.distance_m == pytest.approx(expected_m, abs=20.0)
    at = next(
        i
        for i, (_, _, m) in enumerate(bearings_m)
        if abs(m - far.distance_m) < 3.0 and abs(places[i][2] - far.altitude_m) < 1.0
    )
    assert far.bearing_deg == pytest.approx(bearings_m[at][0] % 360.0, abs=0.01)


def test_the_elevation_is_that_of_an_earth_of_four_thirds() -> None:
    """By the law of cosines on a sphere of 8,495 km (4/3 of 6,371 km, ITU-R P.310), longhand."""
    for far in farthest(demo()).values():
        question = demo().question
        assert question is not None
        ground_m = question.ground.altitude_m
        low_m, high_m = 8_494_667.0, 8_494_667.0 + far.altitude_m - ground_m - 2.0
        angle = far.distance_m / 8_494_667.0
        slant_m = math.sqrt(low_m**2 + high_m**2 - 2 * low_m * high_m * math.cos(angle))
        elevation_deg = math.degrees(
            math.asin((high_m**2 - low_m**2 - slant_m**2) / (2 * low_m * slant_m))
        )
        assert far.elevation_deg == pytest.approx(elevation_deg, abs=0.25)


def test_trackers_and_receivers_tell_the_same_farthest() -> None:
    shares = {s.name: s for s in tracker_shares(demo())}
    for name, share in shares.items():
        ours = [f for (tracker, _), f in farthest(demo()).items() if tracker == name]
        assert share.farthest == max(ours, default=None)
    assert shares["phone"].farthest is None


def test_receivers_count_what_each_heard() -> None:
    rows = {station: total for station, _, total in receiver_counts(tracker_shares(two_stations()))}
    assert rows == {"car-1/tnc": 151, "car-2/tnc": 151}


def test_a_car_is_where_it_reported_within_a_minute() -> None:
    car = own_car(two_stations())
    assert car.at(T0 + 70.0) == pytest.approx(LAUNCH[:2], abs=1e-4)
    assert car.at(T0 - 61.0) is None
    assert car.at(T0 + 60.0 * 150 + 61.0) is None
