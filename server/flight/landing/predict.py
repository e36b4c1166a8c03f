"""One question, one answer: the landing point, its areas, its time and how it was come by."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing.area import Area, area, centre
from server.flight.landing.avoided import chance_in
from server.flight.landing.climb import Climb
from server.flight.landing.descent import SEA_LEVEL_ROOT_DENSITY, Fall, FallChange, FallConstants
from server.flight.landing.ensemble import Members, Start, fall, mean_path
from server.flight.landing.question import GROUND_SIGMA_M, TERRAIN_SIGMA_M, LandingQuestion
from server.flight.landing.terrain_intersection import Relief, span, terrain_intersection
from server.flight.landing.to_come import climb_to_come, fall_to_come
from server.flight.landing.wind_ahead import Ahead, wind_ahead
from server.flight.landing.wind_covariance import CENTRES_M, LAYER_M, WindConstants
from server.flight.landing.winds import WindProfile
from server.flight.state import BackgroundKind, Basis

Array = npt.NDArray[np.float64]

MEMBERS = 2_000
_ABOUT_M = 12_000.0  # so far about the mean path ground is looked at
_HIGHEST_GROUND_M = 9_000.0


@dataclass(frozen=True, slots=True)
class LandingConstants:
    wind: WindConstants = WindConstants()
    fall: FallConstants = FallConstants()
    climb_sigma_share: float = 0.11  # of the rate seen, so much real ones scatter about the shape


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
    background: BackgroundKind | None = None  # of the winds; None: measured alone, or at rest
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
    start = start_of(question)
    climb = climb_to_come(question, c.climb_sigma_share)
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
        background=ahead.background,
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


def start_of(question: LandingQuestion) -> Start:
    """Where it is, with the standard deviations of the track."""
    x, y, z = question.motion
    sigma_h_m = float(np.sqrt((x.var_position + y.var_position) / 2))
    return Start(x.position, y.position, z.position, sigma_h_m, float(np.sqrt(z.var_position)))


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
            (a.name, chance_in(a, question.frame, drawn.x_m, drawn.y_m)) for a in question.avoid
        ),
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
