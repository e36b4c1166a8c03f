"""One question, one answer: the landing point, its areas, its time and how it was come by."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.inputs import AvoidArea, DescentPlan
from server.flight.landing.area import Area, area, centre, inside
from server.flight.landing.climb import Climb, rate_between
from server.flight.landing.descent import (
    SEA_LEVEL_ROOT_DENSITY,
    Fall,
    FallChange,
    FallConstants,
    change_point,
    estimate,
    observed,
    still_opening,
)
from server.flight.landing.ensemble import (
    Members,
    Start,
    fall,
    mean_path,
)
from server.flight.landing.question import GROUND_SIGMA_M, TERRAIN_SIGMA_M, LandingQuestion
from server.flight.landing.terrain_intersection import Relief, span, terrain_intersection
from server.flight.landing.wind_ahead import Ahead, wind_ahead
from server.flight.landing.winds import CENTRES_M, LAYER_M, WindConstants, WindProfile
from server.flight.physics.geodesy import LocalFrame
from server.flight.state import Basis

Array = npt.NDArray[np.float64]

MEMBERS = 2_000
_ABOUT_M = 12_000.0  # so far about the mean path ground is looked at
_HIGHEST_GROUND_M = 9_000.0
_CHANGED_S, _CHANGED_SHARE = 240.0, 0.35  # a climb rate that has change_point, and by how much
_LEAST_BURST_SIGMA_M = 100.0
_LEAST_CLIMB_M = 100.0  # over which a rate of the moment is taken
_BOX_DEG = 0.1  # that the frame bends the edges of a box by, at most
_OFF_GROUND_M = 100.0  # a rest on the pad is no slow climb


@dataclass(frozen=True, slots=True)
class LandingConstants:
    wind: WindConstants = WindConstants()
    fall: FallConstants = FallConstants()
    climb_sigma_share: float = (
        0.14  # of the rate seen; so much real ones scatter about the shape above 15 km
    )


class WindField(NamedTuple):
    """Winds as they will be met, from the lowest up: metres, m/s by true north, 1 sigma of each component.

    Arrays of one shape (n,).
    """

    altitude_m: Array
    east_ms: Array
    north_ms: Array
    sigma_ms: Array


@dataclass(frozen=True, slots=True)
class Landing:
    """Metres in the question's frame; times in UTC seconds. `path` rows: time, x, y, altitude."""

    basis: Basis
    x_m: float
    y_m: float
    altitude_m: float
    time_s: float
    early_s: float  # 5 % come down before
    late_s: float  # 5 % come down after
    half: Area
    nine_tenths: Area
    path: Array
    fall_speed_sea_level_ms: float | None
    as_of_s: float
    avoid: tuple[tuple[str, float], ...] = ()  # name and chance of each area of the plan
    fall_change: FallChange | None = None
    no_forecast: str | None = None  # why the plan's forecast could not be used
    winds: WindField | None = None  # that it was worked out with; None at rest
    members: Members | None = None  # the ensemble itself; None at rest


def predict(
    question: LandingQuestion, constants: LandingConstants | None = None, members: int = MEMBERS
) -> Landing | None:
    """The landing as best known; None on the ground before a launch."""
    c = constants or LandingConstants()
    if question.phase == "landed" and len(question.landed):
        return _at_rest(question)
    if question.phase == "landed" or (
        question.phase in ("unknown", "ground")
        and question.forecast is None
        and not question.others
    ):
        return None
    as_of_s, launch_s = question.at_s, question.plan.launch.time_s
    if question.phase in ("unknown", "ground") and launch_s is not None and launch_s > as_of_s:
        question = replace(question, at_s=launch_s)  # it rests until then
    start = _start(question)
    climb = climb_to_come(question, c)
    top_m = start.z_m if climb is None else climb.burst_m(start.z_m)
    fall_speed, change = fall_to_come(question, top_m, c.fall)
    ahead = wind_ahead(question, start, climb, fall_speed.constant, c.wind)
    wind = ahead.profile
    if question.terrain is not None:
        drawn = _on_terrain(question, start, climb, wind, fall_speed, c, members)
    else:
        drawn = on_flat(question, start, climb, wind, fall_speed, c, members)
    answer = _answer(question, start, climb, wind, fall_speed, drawn)
    return replace(
        answer,
        as_of_s=as_of_s,
        fall_change=change,
        no_forecast=ahead.no_forecast,
        winds=_field(ahead, question.ground.altitude_m, top_m),
    )


def _field(ahead: Ahead, ground_m: float, top_m: float) -> WindField:
    """Of the layers that it passes, from the ground to the top of its way."""
    altitude_m = CENTRES_M[: ahead.true_ms.shape[1]]
    met = (altitude_m > ground_m - LAYER_M) & (altitude_m < top_m + LAYER_M)
    return WindField(altitude_m[met], *ahead.true_ms[:, met])


def on_flat(
    question: LandingQuestion,
    start: Start,
    climb: Climb | None,
    wind: WindProfile,
    fall_speed: Fall,
    c: LandingConstants,
    members: int,
) -> Members:
    """The members down to ground of one altitude, with its doubt."""
    drawn, _ = fall(
        start,
        climb,
        wind,
        fall_speed,
        question.ground.altitude_m,
        question.ground.sigma_m,
        c.wind.tail_degrees,
        members,
        question.number,
        question.hang,
    )
    return drawn


def _on_terrain(
    question: LandingQuestion,
    start: Start,
    climb: Climb | None,
    wind: WindProfile,
    fall_speed: Fall,
    c: LandingConstants,
    members: int,
) -> Members:
    """Each member ends on the ground that it meets first; where no tile tells, on level ground."""
    terrain, ground = question.terrain, question.ground
    assert terrain is not None

    def heights(x_m: Array, y_m: Array) -> Array:
        return terrain.heights(*question.frame.to_latlon(x_m, y_m))

    relief = Relief(
        heights, TERRAIN_SIGMA_M, ground.altitude_m, max(ground.sigma_m, GROUND_SIGMA_M)
    )
    path = mean_path(start, climb, wind, fall_speed.constant, ground.altitude_m)
    falling = path[np.argmax(path[:, 3]) :]
    about_m = _ABOUT_M if climb is None else 3 * _ABOUT_M
    lowest_m, highest_m = span(relief, falling[falling[:, 3] < _HIGHEST_GROUND_M], about_m)
    drawn, paths = fall(
        start,
        climb,
        wind,
        fall_speed,
        lowest_m,
        0.0,
        c.wind.tail_degrees,
        members,
        question.number,
        question.hang,
    )
    return terrain_intersection(drawn, paths, relief, highest_m)


def _start(question: LandingQuestion) -> Start:
    x, y, z = question.motion
    sigma_h_m = float(np.sqrt((x.var_position + y.var_position) / 2))
    return Start(x.position, y.position, z.position, sigma_h_m, float(np.sqrt(z.var_position)))


def fall_to_come(
    question: LandingQuestion, top_m: float, c: FallConstants
) -> tuple[Fall, FallChange | None]:
    """The fall from `top_m` on as best known, and where it changed, if so."""
    descent = question.plan.descent
    span_m = (top_m, min(question.ground.altitude_m, top_m))
    none = np.empty(0)
    if question.burst_s is None or question.phase != "descent":
        return estimate(descent, (none, none, none), span_m, c), None
    seen = observed(
        question.time_s,
        question.z_m,
        question.tracker,
        question.burst_s + c.settling_s,
        c.altitude_sigma_m,
    )
    change = change_point(*seen)
    if change is not None:  # what was before tells nothing any more, nor does the plan
        since = seen[0] <= change.since_m
        altitude_m, log_k, sigma = (column[since] for column in seen)
        return estimate(DescentPlan(), (altitude_m, log_k, sigma), span_m, c), change
    expected = estimate(descent, seen, span_m, c)
    if len(seen[0]) > 0:
        expected = still_opening(expected, question.at_s - question.burst_s, c)
    return expected, None


def climb_to_come(question: LandingQuestion, c: LandingConstants) -> Climb | None:
    """What is still to be climbed as best known; None where nothing is."""
    balloon, z = question.plan.balloon, question.motion.z
    burst_sigma_m = max(balloon.burst_altitude_sigma_m, _LEAST_BURST_SIGMA_M)
    burst_m, here_m = balloon.burst_altitude_m, z.position
    if question.phase in ("unknown", "ground"):
        mean_ms = balloon.ascent_rate_ms  # of the whole climb, as a plan means it
        high_m = max(burst_m, here_m + _LEAST_CLIMB_M)
        rate_ms = rate_between(here_m, high_m, (high_m - here_m) / mean_ms)
        sigma_ms = balloon.ascent_rate_sigma_ms * rate_ms / mean_ms
        return Climb(rate_ms, sigma_ms, burst_m, burst_sigma_m)
    if question.phase not in ("ascent", "float"):
        return None
    if question.hang is not None and question.phase == "float":  # a float that goes on climbing
        rate_ms = balloon.ascent_rate_ms / 2
        return Climb(rate_ms, rate_ms / 3, burst_m, burst_sigma_m)
    rate_ms = rate_between(here_m - _LEAST_CLIMB_M, here_m, _LEAST_CLIMB_M / max(z.velocity, 1.0))
    if question.phase == "ascent":  # a few minutes of climb say more than the moment
        off_ground = question.z_m > question.z_m.min() + _OFF_GROUND_M
        recent = (question.time_s > question.at_s - 600.0) & off_ground
        t, h = question.time_s[recent], question.z_m[recent]
        if len(t) > 3 and t[-1] - t[0] > 120.0:
            rate_ms = max(rate_between(float(h[0]), float(h[-1]), float(t[-1] - t[0])), 0.5)
        lately = t > question.at_s - _CHANGED_S
        if lately.sum() > 4 and t[-1] - t[lately][0] > _CHANGED_S / 2:
            took_s = float(t[-1] - t[lately][0])
            now_ms = rate_between(float(h[lately][0]), float(h[-1]), took_s)
            if abs(now_ms - rate_ms) > _CHANGED_SHARE * rate_ms:  # a balloon of two has burst, say
                rate_ms = max(now_ms, 0.5)
    return Climb(rate_ms, c.climb_sigma_share * rate_ms, burst_m, burst_sigma_m)


def _answer(
    question: LandingQuestion,
    start: Start,
    climb: Climb | None,
    wind: WindProfile,
    fall_speed: Fall,
    drawn: Members,
) -> Landing:
    middle = centre(drawn.x_m, drawn.y_m)
    path = mean_path(start, climb, wind, fall_speed.constant, float(np.median(drawn.z_m)))
    early_s, time_s, late_s = np.quantile(drawn.after_s, [0.05, 0.5, 0.95])
    path[:, 0] += question.at_s
    return Landing(
        basis="prediction",
        x_m=middle[0],
        y_m=middle[1],
        altitude_m=float(np.median(drawn.z_m)),
        time_s=question.at_s + float(time_s),
        early_s=question.at_s + float(early_s),
        late_s=question.at_s + float(late_s),
        half=area(drawn.x_m, drawn.y_m, middle, 0.5),
        nine_tenths=area(drawn.x_m, drawn.y_m, middle, 0.9),
        path=path,
        fall_speed_sea_level_ms=fall_speed.constant / SEA_LEVEL_ROOT_DENSITY,
        as_of_s=question.at_s,
        members=drawn,
        avoid=tuple(
            (a.name, _chance(a, question.frame, drawn.x_m, drawn.y_m)) for a in question.avoid
        ),
    )


def _chance(avoid: AvoidArea, frame: LocalFrame, x_m: Array, y_m: Array) -> float:
    """The share of the members that come down in an area (even-odd over its rings)."""
    within = np.zeros(len(x_m), dtype=bool)
    wide_x, wide_y = np.array([x_m.min(), x_m.max()]), np.array([y_m.min(), y_m.max()])
    lat, lon = frame.to_latlon(np.repeat(wide_x, 2), np.tile(wide_y, 2))
    for ring in avoid.rings:
        corners = np.array(ring)
        if _apart(corners, lat, lon):
            continue
        ring_x, ring_y = frame.to_xy(corners[:, 1], corners[:, 0])
        within ^= inside(np.column_stack([ring_x, ring_y]), x_m, y_m)
    return float(within.mean())


def _apart(corners: Array, latitude_deg: Array, longitude_deg: Array) -> bool:
    """Whether no place of a box, told by its corners, can lie in a ring of longitude, latitude."""
    low, high = corners[:, 1].min(), corners[:, 1].max()
    if high < latitude_deg.min() - _BOX_DEG or low > latitude_deg.max() + _BOX_DEG:
        return True
    middle = (corners[:, 0].min() + corners[:, 0].max()) / 2.0
    half = (corners[:, 0].max() - corners[:, 0].min()) / 2.0
    away = (longitude_deg - middle + 180.0) % 360.0 - 180.0
    return bool(
        np.ptp(away) < 180.0 and (away.min() > half + _BOX_DEG or away.max() < -half - _BOX_DEG)
    )


def _at_rest(question: LandingQuestion) -> Landing:
    """Fixes at rest, averaged; their spread is the area, never less than one receiver's error."""
    landed_s = question.at_s if question.landed_s is None else question.landed_s
    latitude_deg, longitude_deg, altitude_m = np.median(question.landed, axis=0)
    x, y = question.frame.to_xy(question.landed[:, 0], question.landed[:, 1])
    middle = question.frame.to_xy(latitude_deg, longitude_deg)
    own = (question.motion.x.var_position + question.motion.y.var_position) / 2
    sigma_m = float(
        np.sqrt(max(own, 5.0**2) + np.var(x - middle[0]) / 2 + np.var(y - middle[1]) / 2)
    )
    angle = np.linspace(0.0, 2 * np.pi, 49)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    circle[-1] = circle[0]

    def ring(share: float) -> Area:
        radius_m = sigma_m * float(np.sqrt(-2 * np.log(1 - share)))  # Rayleigh
        return Area(circle * radius_m + np.array([middle[0], middle[1]]), radius_m)

    return Landing(
        basis="landed fix",
        x_m=float(middle[0]),
        y_m=float(middle[1]),
        altitude_m=float(altitude_m),
        time_s=landed_s,
        early_s=landed_s,
        late_s=landed_s,
        half=ring(0.5),
        nine_tenths=ring(0.9),
        path=np.empty((0, 4)),
        fall_speed_sea_level_ms=None,
        as_of_s=question.at_s,
    )
