"""The plain made flight of tests/flights.py at another place of the Earth, also across 180°."""

from __future__ import annotations

from decoders.aprs_encode import uncompressed
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from tests.flights import LAUNCH, T0, altitude_at

PLACES = {  # latitude and longitude of the launch
    "the Alps": (46.9, 9.6),
    "Tasmania": (-42.2, 146.6),
    "across 180°": (-17.3, 179.6),
}
DRIFT_DEG_S = 1.6e-4  # to the east: 17 m/s at 17° S
EVERY_S = 20


def plan(place: tuple[float, float]) -> Plan:
    launch = LaunchPlan(*place, LAUNCH[2])
    flight = FlightPlan(
        name="Petrel 2", launch=launch, trackers=(TrackerPlan("Main", "N0CALL-11"),)
    )
    return Plan(flights=(flight,))


def receptions(place: tuple[float, float], until_s: float = 6_000.0) -> list[Reception]:
    found = []
    for n in range(int(until_s) // EVERY_S):
        elapsed_s = float(n * EVERY_S)
        east = place[1] + DRIFT_DEG_S * max(elapsed_s - 120.0, 0.0)
        info = uncompressed(
            place[0],
            (east + 180.0) % 360.0 - 180.0,
            altitude_m=altitude_at(elapsed_s),
            time_s=T0 + elapsed_s,
            dao="human",
        )
        payload = b"N0CALL-11>APZLWD:" + info
        found.append(Reception(round((T0 + elapsed_s + 1.5) * 1000), "internet", "tnc2", payload))
    return found
