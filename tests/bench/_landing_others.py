"""The climb of real flights with winds that others measured: boxes of the day, and soundings.

`none`: nothing else, all flights. `earlier`: the day's earlier boxes, whole. `live`: the same, only what had
been heard by then. `sounding_3h`, `_6h`, `_12h`: what a radiosonde would have measured 100 km off and so long
before the launch. No sounding of those days is at hand, so it is drawn from the fitted wind field, given all
that the flight itself met: it says what a sounding is worth if winds change as the field has it, with real
bursts, climbs and falls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from server.flight.landing import winds
from server.flight.landing.measured_winds import MeasuredWinds, measured
from server.flight.landing.question import LandingQuestion
from server.flight.landing.season import as_season
from server.flight.landing.wind_ageing import ageing
from server.flight.landing.wind_covariance import CENTRES_M, WindConstants
from server.flight.landing.winds import WindSamples
from server.flight.physics.geodesy import LocalFrame
from tests.bench._landing_ascent import (
    Asked,
    Figures,
    Judged,
    ascent_figures,
    beside_none,
    judged_on_the_way_up,
)
from tests.flights import flown, real_logs

_BEFORE_S = 4 * 3_600.0  # of an earlier launch
SOUNDING_HOURS, _DRAWS = (3, 6, 12), 4  # so many soundings of each age for each flight
_SOUNDING_AWAY_M = 100_000.0
_SONDE_SIGMA_MS = 1.0  # of a layer's mean; GRUAN's uncertainty of winds is 0.4 to 1
_SONDE_RISE_MS = 5.0


class _Whole(NamedTuple):
    launched_s: float
    place_deg: tuple[float, float]
    winds: MeasuredWinds
    met: WindSamples
    frame: LocalFrame


def _measured_by_all() -> dict[str, _Whole]:
    found = {}
    for log in real_logs():
        flight = flown(log)
        question = flight.flights[0].landing_question()
        launch = next((e for e in flight.events() if e.kind == "launch"), None)
        if question is None or launch is None:
            continue
        met = question.winds_met()
        told = measured(log.stem, met, question.frame, question.seen_burst())
        place_deg = question.frame.to_latlon(float(question.x_m[0]), float(question.y_m[0]))
        found[log.stem] = _Whole(
            launch.time_s, (float(place_deg[0]), float(place_deg[1])), told, met, question.frame
        )
    return found


def climb_figures(asked: Sequence[Asked]) -> dict[str, Figures]:
    """By mixture, then by height climbed; beside each what the same flights have without it."""
    whole = _measured_by_all()
    alone = [judged_on_the_way_up(one) for one in asked]
    told = {"none": ascent_figures(alone)}
    mixtures: dict[str, list[tuple[Judged, Judged]]] = {}
    for number, ((case, questions), none) in enumerate(zip(asked, alone, strict=True)):
        own = whole.get(case.name)
        if own is None:
            continue
        given = {
            (f"sounding_{hours}h", k): with_others(questions, (_sounding(own, number, hours, k),))
            for hours in SOUNDING_HOURS
            for k in range(_DRAWS)
        }
        before = tuple(
            other.winds
            for name, other in whole.items()
            if name != case.name and 0.0 < own.launched_s - other.launched_s < _BEFORE_S
        )
        if before:
            given["earlier", 0] = with_others(questions, before)
            given["live", 0] = heard_by_then(questions, before)
        for (name, _), of_mixture in given.items():
            both = (judged_on_the_way_up((case, of_mixture)), none)
            mixtures.setdefault(name, []).append(both)
    for name, pairs in mixtures.items():
        told[name] = beside_none([with_it for with_it, _ in pairs], [none for _, none in pairs])
    return told


def with_others(
    questions: dict[int, LandingQuestion], others: tuple[MeasuredWinds, ...]
) -> dict[int, LandingQuestion]:
    return {h: replace(q, others=others) for h, q in questions.items()}


def heard_by_then(
    questions: dict[int, LandingQuestion], others: tuple[MeasuredWinds, ...]
) -> dict[int, LandingQuestion]:
    return {
        h: replace(q, others=tuple(one.until(q.at_s) for one in others))
        for h, q in questions.items()
    }


def unlike_usual(chance: np.random.Generator) -> float:
    """By how much more or less a day's winds change than usual: of Student's t, as the members have it."""
    degrees = WindConstants().tail_degrees
    return math.sqrt((degrees - 2) / chance.chisquare(degrees))


def _sounding(own: _Whole, number: int, hours: int, draw: int) -> MeasuredWinds:
    """One draw of the fitted field, given what the flight met, by layers as far up as it met any."""
    chance = np.random.default_rng([number, hours, draw])
    met, frame = own.met, own.frame
    layer = np.arange(int(met.layer.min()), int(met.layer.max()) + 1)
    altitude_m = CENTRES_M[layer]
    ground_m = float(altitude_m[0])
    time_s = own.launched_s - 3_600.0 * hours + (altitude_m - ground_m) / _SONDE_RISE_MS
    heading = float(chance.uniform(0.0, 2 * math.pi))
    launched_m = frame.to_xy(*own.place_deg)
    x_m = np.full(len(layer), float(launched_m[0]) + _SOUNDING_AWAY_M * math.sin(heading))
    y_m = np.full(len(layer), float(launched_m[1]) + _SOUNDING_AWAY_M * math.cos(heading))
    season, c = as_season(met, layer, frame.latitude_deg, own.launched_s, WindConstants())
    field = winds.profile_about(season, met, layer, time_s, (x_m, y_m), ground_m, c)
    covariance = field.covariance + ageing(met, layer, time_s, (x_m, y_m), c)
    covariance += _SONDE_SIGMA_MS**2 * np.eye(len(layer))
    drawn = np.linalg.cholesky(covariance) @ chance.standard_normal((len(layer), 2))
    drawn *= unlike_usual(chance)
    latitude_deg, longitude_deg = frame.to_latlon(x_m, y_m)
    return MeasuredWinds(
        f"sounding {hours} h",
        time_s,
        np.asarray(latitude_deg),
        np.asarray(longitude_deg),
        altitude_m,
        field.east_ms + drawn[:, 0],
        field.north_ms + drawn[:, 1],
        np.full(len(layer), _SONDE_SIGMA_MS),
    )
