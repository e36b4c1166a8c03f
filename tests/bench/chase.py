"""Does waiting where it is said pay? `python -m tests.bench chase`.

Made flights of the rehearsal's fleet over made section roads. Three crews leave the launch site at the
launch and drive on all the time: one to the place to wait that is advised, one to the road nearest to the
middle of the predicted area, one to the road nearest to the payload's ground track. When it lands each drives
to it; what counts is the time from the landing until it is at the box's road. The place of the landing is
then known to all of them.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from server.flight.chase.drives import chase
from server.flight.chase.question import Car, Chase, ChaseQuestion
from server.flight.inputs import (
    DescentPlan,
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    Tick,
    TrackerPlan,
)
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.geodata.roads.cache import keep
from server.geodata.roads.drives import Drives
from server.geodata.roads.roads import OpenRoads
from server.rehearsal.fleet import draw
from server.rehearsal.flight import Flown, fly
from tests.bench._roads_made import lattice

FLIGHTS = 30
STEP_S = 240.0
APART_M, ROWS, COLUMNS = 1_609.344, 190, 330  # 300 by 530 km of section roads
CREWS = ("advised", "middle", "ground track")

Place = tuple[float, float]


def run(flights: int = FLIGHTS) -> dict[str, Any]:
    """Minutes from the landing until each crew is at the box's road, over the flights."""
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        rows = [row for row in pool.map(_one, range(flights)) if row is not None]
    late = np.array(rows) / 60.0
    figures: dict[str, Any] = {"flights": len(rows)}
    for n, crew in enumerate(CREWS):
        figures[crew] = {
            "mean_min": float(late[:, n].mean()),
            "median_min": float(np.median(late[:, n])),
            "worst_tenth_min": float(np.sort(late[:, n])[-max(len(late) // 10, 1) :].mean()),
        }
    for n, crew in enumerate(CREWS[1:], start=1):
        figures[f"sooner than {crew}"] = {
            "mean_min": float((late[:, n] - late[:, 0]).mean()),
            "median_min": float(np.median(late[:, n] - late[:, 0])),
            "share_of_flights": float(
                np.mean(late[:, 0] < late[:, n] - 0.5)
            ),  # by half a minute and more
        }
    return figures


def _one(seed: int) -> tuple[float, ...] | None:
    """Seconds of each crew; None where the flight leaves the roads or was not heard."""
    flown = fly(draw(40_000 + seed), 40_000 + seed)
    truth = flown.truth
    launch: Place = (float(truth.latitude_deg[0]), float(truth.longitude_deg[0]))
    with TemporaryDirectory() as folder:
        extract = Path(folder) / "made.osm.pbf"
        extract.write_bytes(b"made")
        corner = (launch[0] - 1.35, launch[1] - 2.0)
        graph = lattice(ROWS, COLUMNS, APART_M, corner, seed)
        south, west, north, east = graph.bounds()
        if not (south < truth.landing[0] < north and west < truth.landing[1] < east):
            return None
        keep(extract, graph)
        return _driven(flown, launch, OpenRoads([extract]), Drives(graph))


def _driven(flown: Flown, launch: Place, roads: OpenRoads, drives: Drives) -> tuple[float, ...]:
    truth = flown.truth
    mission = Mission(_plan(flown, launch))
    at = dict.fromkeys(CREWS, launch)
    receptions = [Reception(*one) for one in flown.receptions]
    taken, last = 0, None
    for now_s in np.arange(truth.launch_s, truth.landing_s, STEP_S).tolist():
        end = taken
        while end < len(receptions) and receptions[end].heard_at_s <= now_s:
            end += 1
        mission.receive(receptions[taken:end])
        taken = end
        mission.apply(Tick(now_s))
        asked = _asked(mission, now_s, at["advised"], last)
        step_s = min(STEP_S, truth.landing_s - now_s)
        if asked is not None:
            last = chase(asked, roads) or last
            middle = (asked.latitude_deg, asked.longitude_deg)
            at["middle"] = _drive(drives, at["middle"], middle, step_s)
            wait = last.cars[0].alone if last is not None and last.cars else None
            aim = middle if wait is None else (wait.latitude_deg, wait.longitude_deg)
            at["advised"] = _drive(drives, at["advised"], aim, step_s)
        under = mission.flights[0].track.latest()
        if under is not None and under.after.state is not None:
            x, y, _ = under.after.state.stated()
            below = mission.flights[0].track.frame.to_latlon(x.position, y.position)
            at["ground track"] = _drive(
                drives, at["ground track"], (float(below[0]), float(below[1])), step_s
            )
    landed = truth.landing[:2]
    found = drives.pairs(np.array([[*at[crew], *landed] for crew in CREWS]))
    return tuple(np.nan if one is None else one.time_s for one in found)


def _plan(flown: Flown, launch: Place) -> Plan:
    scenario = flown.scenario
    trackers = tuple(
        TrackerPlan(t.name, t.callsign, t.source, t.role) for t in scenario.trackers if t.callsign
    )
    descent = DescentPlan(
        mass_kg=scenario.balloon.payload_kg, parachute_diameter_m=scenario.parachute.diameter_m
    )
    start = LaunchPlan(*launch, float(flown.truth.altitude_m[0]), flown.truth.launch_s)
    return Plan(flights=(FlightPlan("made", start, descent=descent, trackers=trackers),))


def _asked(
    mission: Mission, now_s: float, car: Place, before: Chase | None
) -> ChaseQuestion | None:
    question = mission.flights[0].landing_question()
    landing = None if question is None else predict(question)
    if question is None or landing is None or landing.members is None:
        return None
    members = landing.members
    latitude_deg, longitude_deg = question.frame.to_latlon(members.x_m, members.y_m)
    point = question.frame.to_latlon(landing.x_m, landing.y_m)
    return ChaseQuestion(
        flight="made",
        basis=landing.basis,
        as_of_s=landing.as_of_s,
        now_s=now_s,
        latitude_deg=float(point[0]),
        longitude_deg=float(point[1]),
        member_latitude_deg=np.asarray(latitude_deg),
        member_longitude_deg=np.asarray(longitude_deg),
        member_landing_s=question.at_s + members.after_s,
        cars=(Car("Car 1", True, True, now_s, *car),),
        before=before,
    )


def _drive(drives: Drives, start: Place, end: Place, seconds: float) -> Place:
    """Where a car is after so long on its way; at the end of the way it waits."""
    way, _ = drives.way(start, end)
    if way is None:
        return start
    if way.time_s <= seconds:
        return float(way.line[-1, 0]), float(way.line[-1, 1])
    times = np.cumsum([0.0, *(s.time_s for s in way.stretches)])
    lengths = np.cumsum([0.0, *(s.length_m for s in way.stretches)])
    share = float(np.interp(seconds, times, lengths)) / max(float(lengths[-1]), 1.0)
    step = np.hypot(*(np.diff(way.line, axis=0) * [1.0, np.cos(np.radians(start[0]))]).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    there = share * along[-1]
    return tuple(float(np.interp(there, along, way.line[:, i])) for i in (0, 1))  # type: ignore[return-value]
