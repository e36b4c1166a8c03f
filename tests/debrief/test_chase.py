"""The chase vehicles of a flight; the ruler is pyproj's, on WGS 84."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from pyproj import Geod

from server.debrief.chase import chases, reports, whereabouts
from server.debrief.record import FlightRecord, places_at
from server.debrief.tables import detail_tables
from server.flight.inputs import Command, FlightPlan, Plan, TrackerPlan, VehiclePlan
from server.journal.recording import Recording
from tests.debrief.made import demo, plain, replayed
from tests.flights import LAUNCH, T0, made_flight, packet, position_at

RULER = Geod(ellps="WGS84")
SPEED_MS, START_S, STOP_S = 20.0, 1_000.0, 4_000.0


def car_at(elapsed_s: float) -> tuple[float, float, float]:
    """South of the launch: waits, drives east, waits. Altitude as on the ground."""
    driven_m = SPEED_MS * min(max(elapsed_s - START_S, 0.0), STOP_S - START_S)
    start = RULER.fwd(LAUNCH[1], LAUNCH[0], 180.0, 5_000.0)
    lon, lat, _ = RULER.fwd(start[0], start[1], 90.0, driven_m)
    return lat, lon, LAUNCH[2]


@cache
def chased() -> FlightRecord:
    """The plain flight with a car that reports every minute, and one that the crew set on the map."""
    heard = list(made_flight(interval_s=60.0))
    heard += [packet(60.0 * i, "N0CALL-9", car_at(60.0 * i)) for i in range(140)]
    set_by_hand = Command(T0 + 5_300.0, "vehicle", "Bus", 38.0, -98.0)
    plan = Plan(
        flights=(FlightPlan(trackers=(TrackerPlan("Main", "N0CALL-11"),)),),
        vehicles=(VehiclePlan("Car", "N0CALL-9"),),
    )
    return replayed(Recording("chased.log", heard, (set_by_hand,), {}, ()), plan)


def apart_m(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    return float(RULER.inv(a[1], a[0], b[1], b[0])[2])


def test_a_car_is_followed() -> None:
    car = next(c for c in chases(chased()) if c.name == "Car")
    assert (car.reports, car.first_s, car.last_s) == (140, T0, T0 + 8_340.0)
    assert car.driven_m == pytest.approx(SPEED_MS * (STOP_S - START_S), abs=60.0)
    landing = chased().landing
    assert landing is not None
    aloft = list(range(120, int(landing.time_s - T0), 60))
    away = [apart_m(car_at(t), position_at(t)) for t in aloft]
    assert car.nearest is not None
    assert car.farthest is not None
    assert car.nearest.distance_m == pytest.approx(min(away), abs=60.0)
    assert car.farthest.distance_m == pytest.approx(max(away), abs=60.0)
    assert car.farthest.time_s - T0 == pytest.approx(aloft[away.index(max(away))], abs=61.0)
    place = (landing.latitude_deg, landing.longitude_deg)
    nearest = min((apart_m(car_at(60.0 * i), place), 60.0 * i) for i in range(140))
    assert car.nearest_to_landing is not None
    assert car.nearest_to_landing.distance_m == pytest.approx(nearest[0], abs=10.0)


def test_a_receiver_at_rest_drives_nowhere() -> None:
    """Ten metres to and fro each minute are its noise (common practice, no source)."""
    heard = list(made_flight(interval_s=60.0))
    for i in range(100):
        lon, lat, _ = RULER.fwd(LAUNCH[1], LAUNCH[0], 90.0, 10.0 * (i % 2))
        heard.append(packet(60.0 * i, "N0CALL-9", (lat, lon, LAUNCH[2])))
    record = replayed(Recording("rest", heard, (), {}, ()), chased().mission.plan)
    assert [c.driven_m for c in chases(record)] == [0.0]


def test_who_was_where_at_each_event() -> None:
    rows = {(w.event.kind, w.name): w for w in whereabouts(chased())}
    assert set(rows) == {
        ("launch", "Car"),
        ("burst", "Car"),
        ("landing", "Car"),
        ("burst", "Bus"),
    }  # the bus was set on the map a moment before the burst, and not within ten minutes of others
    burst = rows["burst", "Bus"]
    assert burst.fix.source == "crew"
    top = (burst.event.latitude_deg, burst.event.longitude_deg)
    bearing, _, away_m = RULER.inv(-98.0, 38.0, top[1], top[0])
    assert burst.distance_m == pytest.approx(away_m, abs=0.01)
    assert burst.bearing_deg == pytest.approx(bearing % 360.0, abs=1e-6)


def test_the_tables_of_the_demo_tell_of_both_cars() -> None:
    tables = {t.title: t for t in detail_tables(demo())}
    assert tables["Chase vehicles"].head == ("Vehicle", "Car 1", "Car 2")
    rows = {name: cells for name, *cells in tables["Chase vehicles"].rows}
    counts = [len(fixes) for fixes in reports(demo()).values()]
    assert min(counts) > 100
    assert rows["Reports heard"] == [f"{n:,}" for n in counts]
    assert all(cell.endswith(" km") for cell in rows["Driven, at least"])
    told = {tuple(row[:2]) for row in tables["Who was where"].rows}
    heard = {
        (happening.kind.capitalize(), car)
        for happening in demo().happenings
        for car, fixes in reports(demo()).items()
        if any(abs(fix.time_s - happening.time_s) <= 600.0 for fix in fixes)
    }
    assert told == heard
    assert {("Launch", "Car 1"), ("Burst", "Car 1"), ("Landing", "Car 2")} <= told


def test_without_a_vehicle_the_tables_say_so() -> None:
    tables = {t.title: t for t in detail_tables(plain())}
    assert tables["Chase vehicles"].rows == []
    assert "No vehicle" in tables["Chase vehicles"].empty
    assert chases(plain()) == []
    assert whereabouts(plain()) == []
    assert reports(plain()) == {}


def test_places_between_points_cross_the_antimeridian() -> None:
    a, b = plain().track[0], plain().track[1]
    track = [
        a._replace(time_s=0.0, longitude_deg=179.0),
        b._replace(time_s=10.0, longitude_deg=-178.0),
    ]
    _, lon = places_at(track, [2.0, 5.0])
    assert lon.tolist() == pytest.approx([179.6, -179.5])


def test_a_vehicle_without_a_flight_is_still_told() -> None:
    record = replace(chased(), track=[], landing=None, happenings=[])
    car = next(c for c in chases(record) if c.name == "Car")
    assert (car.nearest, car.farthest, car.nearest_to_landing) == (None, None, None)
    assert car.driven_m > 59_000.0
