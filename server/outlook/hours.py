"""Launch hours compared: for each the same prediction as in flight, asked from the plan alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from server.flight.inputs import AvoidArea, FlightPlan, LaunchPlan, VehiclePlan
from server.flight.landing.climb import Climb
from server.flight.landing.descent import FallConstants
from server.flight.landing.ensemble import Start, mean_path
from server.flight.landing.measured_winds import MeasuredWinds
from server.flight.landing.planned import planned_question
from server.flight.landing.predict import Landing as Predicted
from server.flight.landing.predict import LandingConstants, predict
from server.flight.landing.question import Forecast, LandingQuestion, Terrain
from server.flight.landing.to_come import climb_to_come, fall_to_come
from server.flight.landing.trajectory import trajectory
from server.flight.landing.wind_ahead import wind_ahead
from server.flight.physics.geodesy import distance_bearing
from server.flight.physics.sun import sunset_s
from server.flight.state import AvoidChance, Landing, PathPoint
from server.flight.times import maybe_moment, moment
from server.flight.view.landing import shown_landing
from server.outlook.limits import Figures, Limit, Limits, Verdict, judge

MEMBERS = 500
_SIGMAS = (-2.0, -1.0, 0.0, 1.0, 2.0)  # of the burst altitude, and of the climb rate, for "what if"
_GROUND_WIND_SIGMA_MS = 2.0  # of a model's wind near the ground; our choice
_PATH_EVERY = 4  # of the trajectory's steps


@dataclass(frozen=True, slots=True)
class Site:
    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Where and when it would come down with another burst altitude and climb rate."""

    burst_altitude_m: float
    ascent_rate_ms: float
    latitude_deg: float
    longitude_deg: float
    time: datetime


@dataclass(frozen=True, slots=True)
class GroundWind:
    """At launch. `from_deg`: it blows from there."""

    speed_ms: float
    from_deg: float


@dataclass(frozen=True, slots=True)
class Hour:
    """One launch hour at one site. `reason`: why nothing can be said, in the forecast's own words."""

    launch_time: datetime
    site: str
    verdict: Verdict
    limit: Limit | None
    reason: str | None = None
    landing: Landing | None = None
    burst_time: datetime | None = None
    burst_altitude_m: float | None = None
    aloft_s: float | None = None
    distance_m: float | None = None
    bearing_deg: float | None = None
    drive_s: float | None = None
    sunset: datetime | None = None
    ground_wind: GroundWind | None = None
    what_if: tuple[WhatIf, ...] = ()

    @property
    def avoid_chance(self) -> float:
        """Of all areas together, at most."""
        return 0.0 if self.landing is None else _together(self.landing.avoid)


def _together(areas: Sequence[AvoidChance]) -> float:
    return min(sum(area.chance for area in areas), 1.0)


@dataclass(frozen=True, slots=True)
class Around:
    """What all hours share."""

    plan: FlightPlan
    limits: Limits = Limits()
    avoid: tuple[AvoidArea, ...] = ()
    terrain: Terrain | None = None
    forecast: Forecast | None = None
    winds: tuple[MeasuredWinds, ...] = ()
    car: VehiclePlan = VehiclePlan("")


def compare(
    around: Around,
    sites: Sequence[Site],
    times_s: Sequence[float],
    members: int = MEMBERS,
    progress: Callable[[], None] = lambda: None,
) -> list[Hour]:
    """Each hour at each site, in this order; `progress` is called after each."""
    found = []
    for site in sites:
        for time_s in times_s:
            found.append(hour(around, site, time_s, members))
            progress()
    return found


def hour(around: Around, site: Site, time_s: float, members: int = MEMBERS) -> Hour:
    """One of them."""
    launch = LaunchPlan(site.latitude_deg, site.longitude_deg, site.altitude_m, time_s)
    question = planned_question(
        replace(around.plan, launch=launch),
        around.avoid,
        around.terrain,
        around.forecast,
        around.winds,
        int(time_s) // 60,
    )
    assert question is not None  # the launch is whole
    predicted = predict(question, members=members)
    if predicted is None or predicted.no_forecast is not None:
        why = None if predicted is None else predicted.no_forecast
        return Hour(moment(time_s), site.name, Verdict.UNKNOWN, Limit.WINDS_UNKNOWN, why)
    landing = shown_landing(question, predicted, time_s, (), np.inf)
    way = _Way(question)
    path, burst = way.path(around.forecast), way.burst_m
    if path is not None:
        landing = replace(landing, path=_shown(question, path))
    here = site.latitude_deg, site.longitude_deg
    there = landing.latitude_deg, landing.longitude_deg
    distance_m, bearing_deg = distance_bearing(*here, *there)
    set_s = sunset_s(*there, predicted.time_s)
    wind = _ground_wind(around.forecast, predicted, site, time_s)
    figures = Figures(
        distance_m=distance_m,
        far_m=max(
            distance_bearing(*here, lat, lon)[0]
            for lon, lat in landing.search_area.p90.coordinates[0]
        ),
        avoid_chance=_together(landing.avoid),
        lands_s=predicted.time_s,
        late_s=predicted.late_s,
        sunset_s=set_s,
        ground_wind_ms=None if wind is None else wind.speed_ms,
        ground_wind_sigma_ms=_GROUND_WIND_SIGMA_MS,
        members=members,
    )
    verdict, limit = judge(around.limits, figures)
    car = around.car
    return Hour(
        launch_time=moment(time_s),
        site=site.name,
        verdict=verdict,
        limit=limit,
        landing=landing,
        burst_time=moment(time_s + way.climb.seconds(site.altitude_m, burst)),
        burst_altitude_m=burst,
        aloft_s=predicted.time_s - time_s,
        distance_m=distance_m,
        bearing_deg=bearing_deg,
        drive_s=distance_m * car.road_factor / car.road_speed_ms,
        sunset=maybe_moment(set_s),
        ground_wind=wind,
        what_if=way.what_if(),
    )


class _Way:
    """The mean way of a planned flight, and how it moves with burst and climb."""

    def __init__(self, question: LandingQuestion) -> None:
        climb = climb_to_come(question, LandingConstants().climb_sigma_share)
        assert climb is not None  # it stands on the ground
        self.climb, self._question = climb, question
        self._site_m = question.motion.z.position
        self.burst_m = climb.burst_m(self._site_m)
        fall, _ = fall_to_come(question, self.burst_m, FallConstants())
        self._k = fall.constant

    def path(self, forecast: Forecast | None) -> np.ndarray | None:
        """Through the forecast itself, rows of UTC seconds, x, y, altitude; None where it ends on the way."""
        question = self._question
        if forecast is None:
            return None
        start = (question.at_s, 0.0, 0.0, self._site_m)
        try:
            return trajectory(
                forecast,
                question.frame,
                start,
                self.climb,
                self.burst_m,
                self._k,
                lambda _x, _y: question.ground.altitude_m,
            )
        except ValueError:
            return None

    def what_if(self) -> tuple[WhatIf, ...]:
        question, z_m = self._question, self._site_m
        start = Start(0.0, 0.0, z_m, 0.0, 0.0)
        constants = LandingConstants().wind
        wind = wind_ahead(question, start, self.climb, self._k, constants).profile
        balloon = question.plan.balloon
        found = []
        for above in _SIGMAS:
            burst_m = max(
                balloon.burst_altitude_m + above * balloon.burst_altitude_sigma_m, z_m + 1_000.0
            )
            for faster in _SIGMAS:
                share = 1.0 + faster * balloon.ascent_rate_sigma_ms / balloon.ascent_rate_ms
                climb = Climb(self.climb.rate_ms * max(share, 0.2), 0.0, burst_m, 1.0)
                path = mean_path(start, climb, wind, self._k, question.ground.altitude_m)
                lat, lon = question.frame.to_latlon(path[-1, 1], path[-1, 2])
                found.append(
                    WhatIf(
                        burst_m,
                        balloon.ascent_rate_ms * max(share, 0.2),
                        float(lat),
                        float(lon),
                        moment(question.at_s + float(path[-1, 0])),
                    )
                )
        return tuple(found)


def _shown(question: LandingQuestion, path: np.ndarray) -> tuple[PathPoint, ...]:
    top = int(np.argmax(path[:, 3]))
    kept = sorted({*range(0, len(path), _PATH_EVERY), top, len(path) - 1})
    rows = path[kept]
    lat, lon = question.frame.to_latlon(rows[:, 1], rows[:, 2])
    columns = (rows[:, 0], lat, lon, rows[:, 3])
    return tuple(
        (moment(t), round(a, 5), round(o, 5), round(z, 1))
        for t, a, o, z in zip(*(column.tolist() for column in columns), strict=True)
    )


def _ground_wind(
    forecast: Forecast | None, predicted: Predicted, site: Site, time_s: float
) -> GroundWind | None:
    """By the forecast at the site, else by what was measured of the lowest layer."""
    if forecast is not None:
        heights, east, north = forecast.profile(site.latitude_deg, site.longitude_deg, time_s)
        parts = [float(np.interp(site.altitude_m, heights, side)) for side in (east, north)]
    elif predicted.winds is not None and len(predicted.winds.altitude_m):
        parts = [float(predicted.winds.east_ms[0]), float(predicted.winds.north_ms[0])]
    else:
        return None
    east_ms, north_ms = parts
    from_deg = float(np.degrees(np.arctan2(-east_ms, -north_ms))) % 360.0
    return GroundWind(float(np.hypot(east_ms, north_ms)), from_deg)
