"""The climb on made mornings: two boxes under one made wind, and forecasts that know it.

Winds that vary as published and as between real flights (server/rehearsal/wind.py); bursts drawn from the
distribution of the real ones by mass, those of a morning alike as the program takes them to be.
`earlier_made` and `live_made` are the second of two boxes that rise 15 to 90 minutes apart.
`forecast_perfect` is the wind as the best of models would resolve it: over seven of its meshes (Skamarock
2004, Mon. Wea. Rev. 132, 3019) and some layers. `forecast_degraded` is the same with errors as
`forecast_sigma_ms` says.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.inputs import (
    BalloonPlan,
    DescentPlan,
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    TrackerPlan,
)
from server.flight.landing.climb import Climb
from server.flight.landing.measured_winds import MeasuredWinds, measured
from server.flight.landing.question import LandingQuestion
from server.flight.landing.wind_covariance import CENTRES_M, WindConstants
from server.flight.mission import Mission
from server.flight.physics.lift import LiftPlan, usual_burst, work_out
from server.rehearsal.fleet import draw
from server.rehearsal.flight import fly
from server.rehearsal.scenario import OtherBox, Scenario, Tracker
from server.rehearsal.truth import Truth, metres_per_degree
from server.rehearsal.wind import Layer, WindField
from tests.bench._landing_ascent import (
    Figures,
    Judged,
    ascent_figures,
    beside_none,
    judged_on_the_way_up,
    questions_on_the_way_up,
)
from tests.bench._landing_others import heard_by_then, unlike_usual, with_others
from tests.bench._landing_stages import Case

MORNINGS = 200
_PROCESSES = 2
_APART_S = (900.0, 5_400.0)
_AWAY_M = 5_000.0  # the second place from the first, 1 sigma of each axis
_BURSTS_ALIKE = 0.4  # server/flight/landing/day_bursts.py
_LOWEST_BURST_M = 15_000.0  # as of the real flights that are judged
# of the made climb above 16 km: what makes its shape and its scatter those of 44 real flights (climb.py: 0.76
# of the rate between 5 and 10 km at 25 km, and 11 % of the time from 10 km up to the burst)
_CLIMB_ALOFT = (0.9, 0.095)
_DIAMETER_M = 40.0  # so wide that the drawn height decides
_DEGRADED_HEIGHT_M = 2_000.0
# what a model of a quarter of a degree resolves: seven meshes of 28 km, at the speed that carries changes
_RESOLVED_S, _MOMENTS, _RESOLVED_M = 7 * 28_000.0 / WindConstants().advection_ms, 9, 1_000.0
Array = npt.NDArray[np.float64]


class _Morning(NamedTuple):
    none: Judged
    earlier: Judged
    live: Judged
    perfect: Judged
    degraded: Judged


def morning_figures(mornings: int = MORNINGS) -> dict[str, Figures]:
    """By mixture, then by height climbed; beside each what the same flights have without it."""
    with ProcessPoolExecutor(_PROCESSES, mp_context=get_context("spawn")) as pool:
        flown = [m for m in pool.map(_morning, range(mornings), chunksize=5) if m is not None]
    none = [m.none for m in flown]
    return {
        "none_made": ascent_figures(none),
        "earlier_made": beside_none([m.earlier for m in flown], none),
        "live_made": beside_none([m.live for m in flown], none),
        "forecast_perfect": beside_none([m.perfect for m in flown], none),
        "forecast_degraded": beside_none([m.degraded for m in flown], none),
    }


def _morning(seed: int) -> _Morning | None:
    """None where the station did not hear enough of either box."""
    chance = np.random.default_rng([seed, 11])
    scenario = draw(seed)
    own = {
        "burst_diameter_m": _DIAMETER_M,
        "climb_aloft": max(float(chance.normal(*_CLIMB_ALOFT)), 0.5),
    }
    scenario = scenario.model_copy(update={"balloon": scenario.balloon.model_copy(update=own)})
    first_m, second_m = _bursts_m(scenario, chance)
    first = _measured_by(_with_burst(scenario, first_m), seed)
    if first is None:
        return None
    north_m, east_m = metres_per_degree(scenario.launch.latitude_deg)
    other = OtherBox(
        flight="second",
        latitude_deg=scenario.launch.latitude_deg + _AWAY_M * chance.standard_normal() / north_m,
        longitude_deg=scenario.launch.longitude_deg + _AWAY_M * chance.standard_normal() / east_m,
        launch_after_s=float(round(chance.uniform(*_APART_S))),
        trackers=tuple(
            t.model_copy(update={"callsign": f"N0CALL-{14 + i}"})
            for i, t in enumerate(scenario.trackers[:2])
        ),
    )
    scenario = _with_burst(scenario, second_m).model_copy(update={"others": (other,)})
    return _second(scenario, other, seed, first, chance)


def _second(
    scenario: Scenario,
    other: OtherBox,
    seed: int,
    first: MeasuredWinds,
    chance: np.random.Generator,
) -> _Morning | None:
    flown = fly(scenario, seed)
    truth = flown.ours[1].truth
    latitude_deg, longitude_deg, altitude_m = truth.landing
    heard = [Reception(*reception) for reception in flown.receptions]
    plan = _plan(scenario, other.trackers, truth)
    questions = questions_on_the_way_up(plan, heard, altitude_m)
    if not questions:
        return None
    case = Case(
        f"made {seed}", str(seed), {}, latitude_deg, longitude_deg, altitude_m, truth.landing_s
    )
    layers = [Layer(*layer) for layer in scenario.wind.layers]
    sky = _Sky(scenario, WindField(layers, scenario.wind.change_ms, seed))
    spread_ms = WindConstants().forecast_sigma_ms * unlike_usual(chance)
    degraded = replace(sky, error_ms=spread_ms * _tall_noise(chance, _DEGRADED_HEIGHT_M))
    mixtures = (
        questions,
        with_others(questions, (first,)),
        heard_by_then(questions, (first,)),
        {h: replace(q, forecast=sky) for h, q in questions.items()},
        {h: replace(q, forecast=degraded) for h, q in questions.items()},
    )
    return _Morning(*(judged_on_the_way_up((case, asked)) for asked in mixtures))


def _with_burst(scenario: Scenario, burst_m: float) -> Scenario:
    balloon = scenario.balloon.model_copy(update={"weak_at_m": burst_m})
    return scenario.model_copy(update={"balloon": balloon})


def _bursts_m(scenario: Scenario, chance: np.random.Generator) -> tuple[float, float]:
    """Of two balloons of one morning: Gumbel's distribution of minima, correlated as normals are."""
    usual, normal = usual_burst(scenario.balloon.balloon_kg), NormalDist()
    first = chance.standard_normal()
    second = _BURSTS_ALIKE * first + math.sqrt(1 - _BURSTS_ALIKE**2) * chance.standard_normal()
    drawn_m = Climb(5.0, 1.0, *usual).drawn_burst_m(
        _LOWEST_BURST_M, np.array([normal.cdf(first), normal.cdf(second)])
    )
    return float(drawn_m[0]), float(drawn_m[1])


def _plan(scenario: Scenario, trackers: tuple[Tracker, ...], truth: Truth) -> Plan:
    """What a crew knows: masses, lift, parachute, callsigns, the launch site."""
    lift = scenario.balloon
    worked_out = work_out(
        LiftPlan(lift.balloon_kg, lift.payload_kg, free_lift_kg=lift.free_lift_kg), 0.0
    )
    return Plan(
        flights=(
            FlightPlan(
                launch=LaunchPlan(
                    float(truth.latitude_deg[0]),
                    float(truth.longitude_deg[0]),
                    float(truth.altitude_m[0]),
                ),
                balloon=BalloonPlan(
                    *usual_burst(lift.balloon_kg),
                    ascent_rate_ms=worked_out.ascent_rate_ms,
                    ascent_rate_sigma_ms=worked_out.ascent_rate_sigma_ms,
                ),
                descent=DescentPlan(
                    mass_kg=lift.payload_kg, parachute_diameter_m=scenario.parachute.diameter_m
                ),
                trackers=tuple(TrackerPlan(t.name, callsign=t.callsign) for t in trackers),
            ),
        )
    )


def _measured_by(scenario: Scenario, seed: int) -> MeasuredWinds | None:
    """What the first box met, as the station heard it."""
    flown = fly(scenario, seed)
    flight = Mission(_plan(scenario, scenario.trackers, flown.truth))
    flight.receive([Reception(*reception) for reception in flown.receptions])
    question: LandingQuestion | None = flight.flights[0].landing_question()
    if question is None:
        return None
    return measured("first", question.winds_met(), question.frame, question.seen_burst())


def _tall_noise(chance: np.random.Generator, height_m: float) -> Array:
    """Towards east and north by layer, variance 1, correlated over `height_m`; shape (2, layers)."""
    apart_m = np.abs(CENTRES_M[:, None] - CENTRES_M)
    root = np.linalg.cholesky(np.exp(-apart_m / height_m) + 1e-9 * np.eye(len(CENTRES_M)))
    return np.asarray((root @ chance.standard_normal((len(CENTRES_M), 2))).T)


@dataclass(frozen=True)
class _Sky:
    """The made wind as a forecast tells it, smoothed as a model's, with an error."""

    scenario: Scenario
    field: WindField
    error_ms: Array | float = 0.0
    run_s: float | None = None

    def profile(
        self, latitude_deg: float, longitude_deg: float, time_s: float, /
    ) -> tuple[Array, Array, Array]:
        launch = self.scenario.launch
        start_s = launch.time.timestamp() - round(launch.rest_s)
        north_m, east_m = metres_per_degree(launch.latitude_deg)
        moments_s = time_s - start_s + np.linspace(-0.5, 0.5, _MOMENTS) * _RESOLVED_S
        wind_ms = np.stack(
            self.field.at(
                np.tile(CENTRES_M, _MOMENTS),
                np.repeat(moments_s, len(CENTRES_M)),
                np.full(_MOMENTS * len(CENTRES_M), (longitude_deg - launch.longitude_deg) * east_m),
                np.full(_MOMENTS * len(CENTRES_M), (latitude_deg - launch.latitude_deg) * north_m),
            )
        )
        smooth_ms = wind_ms.reshape(2, _MOMENTS, -1).mean(axis=1)
        tall = np.exp(-((np.subtract.outer(CENTRES_M, CENTRES_M) / _RESOLVED_M) ** 2))
        east_ms, north_ms = smooth_ms @ (tall / tall.sum(axis=0)) + self.error_ms
        return CENTRES_M, east_ms, north_ms

    def spread(
        self, latitude_deg: float, longitude_deg: float, time_s: float, /
    ) -> tuple[Array, Array] | None:
        return None
