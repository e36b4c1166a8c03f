"""The ways over roads as they are shown: where they lead, how sure the times are, where to wait."""

from __future__ import annotations

import numpy as np

from server.flight.chase.question import Advice, CarDrive, Chase, Reached
from server.flight.chase.roads import RoadWay as RoadFound
from server.flight.landing.question import Terrain
from server.flight.road_state import RoadEnd, RoadTurn, RoadWay, Waiting
from server.flight.state import Landing
from server.flight.times import moment

# on foot: 5 km/h, and an hour for each 600 m of climb (Naismith's rule, 1892)
WALK_MS, CLIMB_MS = 5.0 / 3.6, 600.0 / 3600.0
_FIRST_DAY_S = 86_400.0


def shown_roads(
    chase: Chase, landing: Landing, terrain: Terrain | None
) -> dict[str, tuple[CarDrive, RoadWay]]:
    """By the car's name."""
    end = _end(chase.reached, landing, terrain)
    return {one.car: (one, _way(chase, one, end)) for one in chase.cars}


def _end(reached: Reached, landing: Landing, terrain: Terrain | None) -> RoadEnd:
    climb_m = None
    if terrain is not None:
        heights_m = terrain.heights(
            np.array([reached.latitude_deg, landing.latitude_deg]),
            np.array([reached.longitude_deg, landing.longitude_deg]),
        )
        climb_m = None if np.isnan(heights_m).any() else float(heights_m[1] - heights_m[0])
    return RoadEnd(
        reached.latitude_deg,
        reached.longitude_deg,
        reached.walk_m,
        climb_m,
        reached.walk_m / WALK_MS + max(climb_m or 0.0, 0.0) / CLIMB_MS,
        reached.walk_late_m,
        reached.beyond_water,
        reached.beyond_motorway,
        reached.beyond_roads,
        reached.unknown,
    )


def _way(chase: Chase, one: CarDrive, end: RoadEnd) -> RoadWay:
    return RoadWay(
        from_time=moment(one.at_s),
        as_of=moment(chase.as_of_s),
        off_road_m=one.off_road_m,
        drive_early_s=one.early_s,
        drive_median_s=one.median_s,
        drive_late_s=one.late_s,
        chance_before=one.chance_before,
        leave_by=moment(one.leave_by_s) if one.leave_by_s > _FIRST_DAY_S else None,
        track_m=_last_track_m(one.way),
        turns=tuple(
            RoadTurn(
                s.name,
                s.ref,
                s.length_m,
                s.turn_deg,
                s.roundabout,
                s.ferry,
                s.track,
                s.latitude_deg,
                s.longitude_deg,
            )
            for s in one.way.stretches
        ),
        line=tuple((round(lon, 5), round(lat, 5)) for lat, lon in one.way.line.tolist()),
        end=end,
        wait=_waiting(one.alone),
        wait_worst=_waiting(one.worst),
        wait_together=_waiting(one.together),
    )


def _last_track_m(way: RoadFound) -> float:
    track_m = 0.0
    for stretch in reversed(way.stretches):
        if not stretch.track:
            break
        track_m += stretch.length_m
    return track_m


def _waiting(advice: Advice | None) -> Waiting | None:
    if advice is None or not np.isfinite(advice.mean_s + advice.drive_s):
        return None
    return Waiting(
        advice.latitude_deg,
        advice.longitude_deg,
        *advice.road,
        advice.mean_s,
        advice.worst_s,
        None if advice.middle_s is None else advice.middle_s - advice.mean_s,
        advice.drive_s,
        moment(advice.since_s),
        advice.moved,
        advice.gain_s,
        advice.area_moved_m,
    )
