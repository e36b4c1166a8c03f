"""One question, one answer: the landing point, its areas, its time and how it was come by."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from server.flight.geodesy import LocalFrame
from server.flight.inputs import AvoidArea, DescentPlan
from server.flight.landing import winds
from server.flight.landing.area import Area, area, centre, inside
from server.flight.landing.descent import (
    SEA_LEVEL_ROOT_DENSITY,
    Fall,
    FallChange,
    FallConstants,
    changed,
    estimate,
    observed,
)
from server.flight.landing.ensemble import (
    Climb,
    Members,
    Start,
    fall,
    mean_path,
    meet_ground,
    passage_s,
)
from server.flight.landing.question import LandingQuestion, Terrain
from server.flight.landing.winds import LAYERS, WindConstants, WindProfile

Array = npt.NDArray[np.float64]
Basis = Literal["prediction", "last contact", "landed fix"]

MEMBERS = 2_000
_TERRAIN_ROUNDS = 3  # the ground where it comes down depends on where that is


@dataclass(frozen=True, slots=True)
class LandingConstants:
    wind: WindConstants = WindConstants()
    fall: FallConstants = FallConstants()
    climb_sigma_share: float = 0.10  # of the climb rate seen, for the rest of the climb


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


def predict(
    question: LandingQuestion, constants: LandingConstants | None = None, members: int = MEMBERS
) -> Landing | None:
    """The landing as best known; None on the ground before a launch."""
    c = constants or LandingConstants()
    if question.phase == "landed" and len(question.landed):
        return _at_rest(question)
    if question.phase == "landed" or (
        question.phase in ("unknown", "ground") and question.forecast is None
    ):
        return None
    start = _start(question)
    climb = _climb(question, c)
    top_m = start.z_m if climb is None else climb.burst_altitude_m
    fall_speed, change = _fall_speed(question, top_m, c.fall)
    wind = _wind(question, start, climb, fall_speed, c.wind)
    drawn = fall(
        start, climb, wind, fall_speed,
        question.ground.altitude_m, question.ground.sigma_m, c.wind.tail_degrees, members, question.number,
    )  # fmt: skip
    if question.terrain is not None:
        drawn = _on_terrain(question, question.terrain, drawn)
    answer = _answer(question, start, climb, wind, fall_speed, drawn)
    return answer if change is None else replace(answer, fall_change=change)


def _on_terrain(question: LandingQuestion, terrain: Terrain, drawn: Members) -> Members:
    """Each member ends on the ground that it meets; where no tile tells, as drawn."""
    error_m = drawn.z_m - question.ground.altitude_m  # drawn with the terrain's own uncertainty
    for _ in range(_TERRAIN_ROUNDS):
        heights = terrain.heights(*question.frame.to_latlon(drawn.x_m, drawn.y_m))
        drawn = meet_ground(drawn, np.where(np.isnan(heights), drawn.z_m, heights + error_m))
    return drawn


def _start(question: LandingQuestion) -> Start:
    x, y, z = question.motion
    sigma_h_m = float(np.sqrt((x.var_position + y.var_position) / 2))
    return Start(x.position, y.position, z.position, sigma_h_m, float(np.sqrt(z.var_position)))


def _fall_speed(
    question: LandingQuestion, top_m: float, c: FallConstants
) -> tuple[Fall, FallChange | None]:
    descent = question.plan.descent
    span_m = (top_m, min(question.ground.altitude_m, top_m))
    none = np.empty(0)
    if question.burst_s is None or question.phase != "descent":
        return estimate(descent, (none, none, none), span_m, c), None
    seen = observed(
        question.time_s, question.z_m, question.tracker,
        question.burst_s + c.settling_s, c.altitude_sigma_m,
    )  # fmt: skip
    change = changed(*seen)
    if change is not None:  # what was before tells nothing any more, nor does the plan
        since = seen[0] <= change.since_m
        altitude_m, log_k, sigma = (column[since] for column in seen)
        return estimate(DescentPlan(), (altitude_m, log_k, sigma), span_m, c), change
    return estimate(descent, seen, span_m, c), None


def _climb(question: LandingQuestion, c: LandingConstants) -> Climb | None:
    balloon, z = question.plan.balloon, question.motion.z
    if question.phase in ("unknown", "ground"):
        rate_ms, rate_sigma_ms = balloon.ascent_rate_ms, balloon.ascent_rate_sigma_ms
        burst_m, sigma_m = balloon.burst_altitude_m, balloon.burst_altitude_sigma_m
        return Climb(rate_ms, rate_sigma_ms, burst_m, sigma_m)
    if question.phase not in ("ascent", "float"):
        return None
    rate_ms = max(z.velocity, 1.0)
    if question.phase == "ascent":  # a few minutes of climb say more than the moment
        recent = question.time_s > question.at_s - 600.0
        t, h = question.time_s[recent], question.z_m[recent]
        if len(t) > 3 and t[-1] - t[0] > 120.0:
            rate_ms = max(float(h[-1] - h[0]) / float(t[-1] - t[0]), 0.5)
    above_m = z.position + 300.0
    burst_m = max(balloon.burst_altitude_m, above_m)
    sigma_m = balloon.burst_altitude_sigma_m if burst_m > above_m else 600.0
    return Climb(rate_ms, c.climb_sigma_share * rate_ms, burst_m, sigma_m)


def _wind(
    question: LandingQuestion, start: Start, climb: Climb | None, fall_speed: Fall, c: WindConstants
) -> WindProfile:
    turn_per_m = question.frame.turn_per_m
    seen = winds.samples(
        question.time_s, question.x_m, question.y_m, question.z_m, question.tracker,
        turn_per_m=turn_per_m,
    )  # fmt: skip
    when_s = question.at_s + passage_s(start.z_m, climb, fall_speed.constant)
    forecast = _forecast(question, float(np.median(when_s)))
    ground_m, top_m = question.ground.altitude_m, start.z_m + 5 * start.sigma_v_m
    if climb is not None:
        top_m = max(top_m, climb.burst_altitude_m + 5 * climb.burst_sigma_m)
    used = min(int(top_m // winds.LAYER_M) + 2, LAYERS)  # the rest is not fallen through
    wind = winds.profile(seen, np.arange(used), when_s[:used], ground_m, c, forecast)
    covariance = np.zeros((LAYERS, LAYERS))
    covariance[:used, :used] = wind.covariance * winds.unrest_of_day(seen, ground_m, c)
    above = (0, LAYERS - used)
    true = WindProfile(np.pad(wind.east_ms, above), np.pad(wind.north_ms, above), covariance)
    path = mean_path(start, climb, true, fall_speed.constant, ground_m)
    falling = path[np.argmax(path[:, 3]) :][::-1]
    passed_x_m = np.interp(winds.CENTRES_M, falling[:, 3], falling[:, 1])
    return WindProfile(
        *winds.turned(true.east_ms, true.north_ms, turn_per_m * passed_x_m), covariance
    )


def _forecast(question: LandingQuestion, time_s: float) -> tuple[Array, Array] | None:
    """The forecast above the payload, by layer; None without one, or where it does not reach."""
    if question.forecast is None:
        return None
    x, y, _ = question.motion
    latitude_deg, longitude_deg = question.frame.to_latlon(x.position, y.position)
    try:
        heights, east, north = question.forecast.profile(
            float(latitude_deg), float(longitude_deg), time_s
        )
    except ValueError:  # another place or day: said when the plan was read
        return None
    middles = winds.CENTRES_M
    return np.interp(middles, heights, east), np.interp(middles, heights, north)


def _answer(
    question: LandingQuestion, start: Start, climb: Climb | None, wind: WindProfile,
    fall_speed: Fall, drawn: Members,
) -> Landing:  # fmt: skip
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
        avoid=tuple(
            (a.name, _chance(a, question.frame, drawn.x_m, drawn.y_m)) for a in question.plan.avoid
        ),
    )


def _chance(avoid: AvoidArea, frame: LocalFrame, x_m: Array, y_m: Array) -> float:
    """The share of the members that come down in an area (even-odd over its rings)."""
    within = np.zeros(len(x_m), dtype=bool)
    for ring in avoid.rings:
        corners = np.array(ring)
        ring_x, ring_y = frame.to_xy(corners[:, 1], corners[:, 0])
        within ^= inside(np.column_stack([ring_x, ring_y]), x_m, y_m)
    return float(within.mean())


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
