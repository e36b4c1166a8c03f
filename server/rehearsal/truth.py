"""What really happened: where the box was at each second, what it felt, when it burst and landed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from server.rehearsal import odd
from server.rehearsal.air import Array
from server.rehearsal.balloon import FLOATING_M, Balloon, Parachute, ascend, descend
from server.rehearsal.receiving import Receiving
from server.rehearsal.scenario import Scenario
from server.rehearsal.terrain import Lake, ground_m
from server.rehearsal.wind import Layer, WindField

EARTH_A_M = 6_378_137.0  # WGS 84
EARTH_E2 = 0.00669437999014
FAILED_FACTORS = (1.4, 4.0)  # how much too fast a failed parachute falls: ../shared/checks.md
_PASSES = 3  # the wind depends on the place, and the place on the wind


@dataclass(frozen=True, slots=True)
class Truth:
    """Arrays by second from `start_s` (UTC seconds); metres above mean sea level, m/s."""

    start_s: float
    launch_s: float
    burst_s: float
    landing_s: float
    latitude_deg: Array
    longitude_deg: Array
    altitude_m: Array
    east_ms: Array
    north_ms: Array
    climb_ms: Array
    lake: Lake | None
    float_s: float | None  # when it stopped climbing
    parachute_factor: float
    receiving: Receiving = Receiving()

    @property
    def end_s(self) -> float:
        return self.start_s + self.altitude_m.size - 1

    def index(self, time_s: float) -> int:
        """The second that holds `time_s`; the ends hold for ever."""
        return min(max(int(time_s - self.start_s), 0), self.altitude_m.size - 1)

    def at(self, time_s: float) -> tuple[float, float, float]:
        """Latitude, longitude, altitude; straight between seconds."""
        i = self.index(time_s)
        j = min(i + 1, self.altitude_m.size - 1)
        part = min(max(time_s - self.start_s - i, 0.0), 1.0)
        return (
            float(self.latitude_deg[i] + part * (self.latitude_deg[j] - self.latitude_deg[i])),
            float(self.longitude_deg[i] + part * (self.longitude_deg[j] - self.longitude_deg[i])),
            float(self.altitude_m[i] + part * (self.altitude_m[j] - self.altitude_m[i])),
        )

    @property
    def landing(self) -> tuple[float, float, float]:
        return self.at(self.landing_s)

    @property
    def burst(self) -> tuple[float, float, float]:
        return self.at(self.burst_s)


def metres_per_degree(latitude_deg: float) -> tuple[float, float]:
    """North and east on the WGS 84 ellipsoid, from its radii of curvature."""
    sine = math.sin(math.radians(latitude_deg))
    root = math.sqrt(1 - EARTH_E2 * sine**2)
    meridian_m = EARTH_A_M * (1 - EARTH_E2) / root**3
    normal_m = EARTH_A_M / root
    east_m = normal_m * math.cos(math.radians(latitude_deg))
    return math.radians(meridian_m), math.radians(east_m)


def distance_m(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Flat distance of two latitude, longitude pairs some hundred kilometres apart at most."""
    north_m, east_m = metres_per_degree((a[0] + b[0]) / 2)
    return math.hypot((b[0] - a[0]) * north_m, (b[1] - a[1]) * east_m)


def make(
    scenario: Scenario,
    seed: int,
    *,
    place: tuple[float, float] | None = None,
    launch_after_s: float = 0.0,
    branch: int = 0,
) -> Truth:
    """One flight. `branch` 0 is the flight itself; others share its wind from another place."""
    chance = np.random.default_rng([seed, 2, branch])
    latitude_deg, longitude_deg = place or (
        scenario.launch.latitude_deg,
        scenario.launch.longitude_deg,
    )
    launch_m = ground_m(latitude_deg, longitude_deg)
    lift, chute = scenario.balloon, scenario.parachute
    diameter_m = lift.burst_diameter_m * (1 + lift.burst_spread * chance.standard_normal())
    balloon = Balloon(lift.balloon_kg, lift.payload_kg, lift.free_lift_kg, diameter_m)
    burst_m = min(balloon.burst_altitude_m(launch_m), lift.weak_at_m or math.inf)
    rising = ascend(
        balloon,
        launch_m,
        chance,
        burst_m=burst_m,
        float_m=lift.float_altitude_m,
        float_s=lift.float_s,
        climb_aloft=lift.climb_aloft,
    )
    if scenario.odd is not None:
        rising = odd.rising(scenario.odd, rising, chance)
    factor = chute.factor * (1 + chute.drag_spread * chance.standard_normal())
    if chance.random() < chute.failure_chance:
        factor *= math.exp(chance.uniform(math.log(FAILED_FACTORS[0]), math.log(FAILED_FACTORS[1])))
    parachute = Parachute(
        lift.payload_kg,
        chute.diameter_m,
        chute.drag_coefficient,
        chute.opening_s,
        factor,
        tangled_below_m=chute.tangled_below_m,
    )
    falling = descend(parachute, rising[-1], rising[-1] - rising[-2], -450.0, chance)
    rest_s = round(scenario.launch.rest_s)
    heights = np.array([*[launch_m] * rest_s, *rising, *falling])
    start_s = scenario.launch.time.timestamp() - rest_s
    aloft = np.arange(heights.size) >= rest_s + round(launch_after_s)
    if launch_after_s:
        heights = np.concatenate([np.full(round(launch_after_s), launch_m), heights])
        aloft = np.arange(heights.size) >= rest_s + round(launch_after_s)
    layers = [Layer(*layer) for layer in scenario.wind.layers]
    field = WindField(layers, scenario.wind.change_ms, seed)
    home = (scenario.launch.latitude_deg, scenario.launch.longitude_deg)
    track = _drift(field, heights, aloft, (latitude_deg, longitude_deg), home, launch_m)
    burst_i = rest_s + round(launch_after_s) + len(rising) - 1
    launch_i = rest_s + round(launch_after_s)
    truth = _end(scenario, track, heights, start_s, burst_i, launch_i, factor)
    return _dragged(truth, chance) if scenario.odd == "bounce and drag" else truth


def _dragged(truth: Truth, chance: np.random.Generator) -> Truth:
    """The end of it along the wind of the ground, with the receiver's bounce in its altitude."""
    resting = np.arange(truth.index(truth.landing_s), truth.altitude_m.size)
    along_m, bounce_m = odd.dragged(resting.size, chance)
    north_m, east_m = metres_per_degree(float(truth.latitude_deg[0]))
    heading = chance.uniform(0, 2 * math.pi)
    latitude, longitude = truth.latitude_deg.copy(), truth.longitude_deg.copy()
    altitude = truth.altitude_m.copy()
    latitude[resting] += along_m * math.cos(heading) / north_m
    longitude[resting] += along_m * math.sin(heading) / east_m
    altitude[resting] += bounce_m
    return replace(truth, latitude_deg=latitude, longitude_deg=longitude, altitude_m=altitude)


def _drift(
    field: WindField,
    heights: Array,
    aloft: npt.NDArray[np.bool_],
    place: tuple[float, float],
    home: tuple[float, float],
    launch_m: float,
) -> tuple[Array, Array, Array, Array]:
    """Latitude, longitude and wind at each second."""
    degree_north_m, degree_east_m = metres_per_degree(place[0])
    offset_east_m = (place[1] - home[1]) * degree_east_m
    offset_north_m = (place[0] - home[0]) * degree_north_m
    step = 4  # the wind is asked for every four seconds, and straight between
    coarse = np.arange(0.0, heights.size + step, step)
    seconds = np.arange(heights.size)
    z = np.interp(coarse, seconds, heights)
    x, y = np.zeros(coarse.size), np.zeros(coarse.size)
    for _ in range(_PASSES):
        east, north = field.at(z, coarse, x + offset_east_m, y + offset_north_m)
        # friction slows the wind near the ground (a power law, as used for turbines)
        friction = np.clip((z - launch_m + 2.0) / 300.0, 0.02, 1.0) ** 0.2
        moving = np.interp(coarse, seconds, aloft.astype(float)) * friction
        east, north = east * moving, north * moving
        x = np.concatenate([[0.0], np.cumsum((east[1:] + east[:-1]) / 2 * step)])
        y = np.concatenate([[0.0], np.cumsum((north[1:] + north[:-1]) / 2 * step)])
    latitude = place[0] + np.interp(seconds, coarse, y) / degree_north_m
    middle = np.radians((latitude + place[0]) / 2)
    root = np.sqrt(1 - EARTH_E2 * np.sin(middle) ** 2)
    east_m = np.radians(EARTH_A_M / root * np.cos(middle))
    longitude = place[1] + np.interp(seconds, coarse, x) / east_m
    return (
        latitude,
        longitude,
        np.interp(seconds, coarse, east),
        np.interp(seconds, coarse, north),
    )


def _end(
    scenario: Scenario,
    track: tuple[Array, Array, Array, Array],
    heights: Array,
    start_s: float,
    burst_i: int,
    launch_i: int,
    factor: float,
) -> Truth:
    """Cut where it meets the ground, and let it lie."""
    latitude, longitude, east, north = track
    landing_i = heights.size - 1
    for i in range(burst_i, heights.size):
        if heights[i] < 1_600.0 and heights[i] <= ground_m(latitude[i], longitude[i]):
            landing_i = i
            break
    rests = np.full(round(scenario.after_s), landing_i)
    order = np.concatenate([np.arange(landing_i + 1), rests])
    altitude = heights[order]
    resting = np.arange(order.size) >= landing_i
    altitude[resting] = ground_m(latitude[landing_i], longitude[landing_i])
    lake = None
    if scenario.lake_radius_m is not None:
        lake = Lake(
            latitude[landing_i],
            longitude[landing_i],
            scenario.lake_radius_m,
            float(altitude[-1]),
        )
    float_s = None
    floats_m = scenario.balloon.float_altitude_m
    if floats_m is not None and heights[burst_i] > floats_m - FLOATING_M:
        float_s = start_s + int(np.argmax(altitude > floats_m - FLOATING_M))
    climb = np.gradient(altitude)
    climb[resting] = 0.0
    return Truth(
        start_s,
        start_s + launch_i,
        start_s + burst_i,
        start_s + landing_i,
        latitude[order],
        longitude[order],
        altitude,
        np.where(resting, 0.0, east[order]),
        np.where(resting, 0.0, north[order]),
        climb,
        lake,
        float_s,
        factor,
    )
