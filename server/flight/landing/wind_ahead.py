"""The wind that one box will fall through: what it has met, the forecast, and what usually changes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing import winds
from server.flight.landing.climb import Climb, climb_integral
from server.flight.landing.descent import fall_integral
from server.flight.landing.ensemble import Start, mean_path, passage_s
from server.flight.landing.forecast_doubt import as_forecast
from server.flight.landing.measured_winds import in_frame, joined
from server.flight.landing.question import LandingQuestion
from server.flight.landing.season import as_season
from server.flight.landing.wind_ageing import ageing
from server.flight.landing.wind_covariance import CENTRES_M, EDGES_M, LAYER_M, LAYERS, WindConstants
from server.flight.landing.winds import Forecasts, WindProfile, WindSamples
from server.flight.state import BackgroundKind

Array = npt.NDArray[np.float64]

_MET, _AHEAD = 6, 5  # moments at which a forecast is read: of the flight so far, and of the rest


class Ahead(NamedTuple):
    """The wind that will be met: in the flat frame's axes for the members, by true north for people.

    `true_ms`: towards east and north, and 1 sigma of each, by layer from the lowest, shape (3, used).
    """

    profile: WindProfile  # of all LAYERS layers
    true_ms: Array
    background: BackgroundKind | None  # what is measured corrects it; None: nothing but that
    no_forecast: str | None  # why the forecast could not be used, if so


def wind_ahead(
    question: LandingQuestion,
    start: Start,
    climb: Climb | None,
    fall_constant: float,
    constants: WindConstants,
) -> Ahead:
    """Winds of all layers as they will be met."""
    c = constants
    own = seen = question.winds_met()
    if question.others:
        seen = joined(own, in_frame(question.others, question.frame))
    when_s = question.at_s + passage_s(start.z_m, climb, fall_constant)
    ground_m, top_m = question.ground.altitude_m, start.z_m + 5 * start.sigma_v_m
    if climb is not None:
        top_m = max(top_m, climb.burst_m(start.z_m) + 5 * climb.burst_sigma_m)
    used = min(max(int(top_m // LAYER_M), 0) + 2, LAYERS)  # the rest is not fallen through
    forecasts, problem = _forecasts(question, seen, start, climb, fall_constant, when_s[:used])
    x_m, y_m = _passed(start, climb, _as_met(seen, forecasts), fall_constant)[:, :used]
    asked = np.arange(used), when_s[:used], (x_m, y_m), ground_m
    background: BackgroundKind | None = None
    if forecasts is not None:
        background = "forecast"
        doubt = as_forecast(forecasts, seen, ground_m, c)
        wind = winds.profile_about(forecasts, seen, *asked, doubt)
    elif climb is not None:  # ahead may be all that a season's winds may be
        background = "season"
        season, c = as_season(seen, asked[0], question.frame.latitude_deg, question.at_s, c)
        wind = winds.profile_about(season, seen, *asked, c)
    else:
        wind = winds.profile(seen, *asked, c)
    unsure = wind.covariance
    if forecasts is None:  # a forecast knows what comes later
        unsure = unsure + ageing(seen, np.arange(used), when_s[:used], (x_m, y_m), c)
    covariance = np.zeros((LAYERS, LAYERS))
    covariance[:used, :used] = unsure * winds.unrest_of_day(own, ground_m, c)
    above = (0, LAYERS - used)
    true_ms = np.stack([np.pad(wind.east_ms, above), np.pad(wind.north_ms, above)])
    passed_x_m, _ = _passed(start, climb, true_ms, fall_constant)
    turned = winds.turned(true_ms[0], true_ms[1], question.frame.turn_per_m * passed_x_m)
    sigma_ms = np.sqrt(np.maximum(np.diag(covariance)[:used], 0.0))
    shown = np.stack([wind.east_ms, wind.north_ms, sigma_ms])
    return Ahead(WindProfile(*turned, covariance), shown, background, problem)


def _as_met(seen: WindSamples, forecasts: Forecasts | None) -> Array:
    """The wind as last met, or as forecast, shape (2, LAYERS): enough to tell where each layer is met."""
    wind_ms = np.zeros((2, LAYERS))
    if forecasts is not None:
        wind_ms[:, : len(forecasts.ahead_ms[0])] = forecasts.ahead_ms
    elif len(seen.layer):
        order = np.lexsort((seen.time_s, seen.layer))
        last = order[np.append(np.diff(seen.layer[order]) > 0, True)]
        for row, side_ms in zip(wind_ms, (seen.east_ms, seen.north_ms), strict=True):
            row[:] = np.interp(np.arange(LAYERS), seen.layer[last], side_ms[last])
    return wind_ms


def _seconds(start: Start, climb: Climb | None, fall_constant: float) -> tuple[Array, Array]:
    """Still to be spent in each layer on the way up and on the way down, shapes (LAYERS,)."""
    top_m = start.z_m if climb is None else climb.burst_m(start.z_m)
    down_s = np.diff(fall_integral(np.minimum(EDGES_M, top_m))) / fall_constant
    if climb is None:
        return np.zeros(LAYERS), down_s
    climbed = climb_integral(np.clip(EDGES_M, start.z_m, top_m))
    return np.diff(climbed) / climb.rate_ms, down_s


def _passed(start: Start, climb: Climb | None, wind_ms: Array, fall_constant: float) -> Array:
    """x and y at which the middle of each layer is fallen through, shape (2, LAYERS) as `wind_ms`."""
    up_s, down_s = _seconds(start, climb, fall_constant)
    fallen_m = wind_ms * down_s
    to_foot_m = np.cumsum(fallen_m[:, ::-1], axis=1)[:, ::-1]  # from the top to the layer's foot
    top_m = np.array([[start.x_m], [start.y_m]]) + (wind_ms * up_s).sum(axis=1, keepdims=True)
    return np.asarray(top_m + to_foot_m - fallen_m / 2)


def _forecasts(
    question: LandingQuestion,
    seen: WindSamples,
    start: Start,
    climb: Climb | None,
    fall_constant: float,
    when_s: Array,
) -> tuple[Forecasts | None, str | None]:
    """The forecast where and when each sample was taken, and where and when each layer will be met.

    None where it does not reach, and in words why not.
    """
    if question.forecast is None:
        return None, None
    try:
        here = _column(question, start.x_m, start.y_m, question.at_s)
        path = mean_path(
            start,
            climb,
            WindProfile(here[0], here[1], np.zeros((LAYERS, LAYERS))),
            fall_constant,
            question.ground.altitude_m,
        )
        moments_s = np.linspace(0.0, path[-1, 0], _AHEAD)
        x, y = (np.interp(moments_s, path[:, 0], path[:, axis]) for axis in (1, 2))
        layers = np.arange(len(when_s))
        expected = _columns(question, x, y, question.at_s + moments_s)
        ahead = _between(expected, question.at_s + moments_s, layers, when_s)
        if climb is not None:  # most layers are met twice, and on the way up for longer
            up_s, down_s = _seconds(start, climb, fall_constant)
            share = (up_s / np.maximum(up_s + down_s, 1e-9))[layers]
            climbed = climb_integral(CENTRES_M[layers]) - climb_integral(start.z_m)
            met_s = question.at_s + climbed / climb.rate_ms
            up = _between(expected, question.at_s + moments_s, layers, met_s)
            ahead = share * up + (1 - share) * ahead
        spread = question.forecast.spread(*_place(question, start.x_m, start.y_m), question.at_s)
        shape = None if spread is None else tuple(zip(*(s.tolist() for s in spread), strict=True))
        met = np.empty((2, 0))
        if len(seen.layer):
            moments_s = np.linspace(seen.time_s.min(), seen.time_s.max(), _MET)
            x = np.interp(moments_s, question.time_s, question.x_m)
            y = np.interp(moments_s, question.time_s, question.y_m)
            flown = _columns(question, x, y, moments_s)
            met = _between(flown, moments_s, seen.layer, seen.time_s)
    except ValueError as error:
        return None, str(error)
    return Forecasts((met[0], met[1]), (ahead[0], ahead[1]), shape), None


def _column(question: LandingQuestion, x_m: float, y_m: float, time_s: float) -> Array:
    """Wind towards east and north by layer, shape (2, LAYERS). ValueError: not forecast there or then."""
    assert question.forecast is not None
    heights, east, north = question.forecast.profile(*_place(question, x_m, y_m), time_s)
    return np.stack([np.interp(CENTRES_M, heights, side) for side in (east, north)])


def _place(question: LandingQuestion, x_m: float, y_m: float) -> tuple[float, float]:
    latitude_deg, longitude_deg = question.frame.to_latlon(x_m, y_m)
    return float(latitude_deg), float(longitude_deg)


def _columns(question: LandingQuestion, x_m: Array, y_m: Array, moments_s: Array) -> Array:
    """At moments and places of a path, shape (moments, 2, LAYERS)."""
    places = zip(x_m, y_m, moments_s, strict=True)
    return np.stack([_column(question, *place) for place in places])


def _between(
    columns: Array, moments_s: Array, layer: npt.NDArray[np.int64], time_s: Array
) -> Array:
    """Of `layer` at `time_s`, shapes (n,): between columns at moments of a path; shape (2, n)."""
    place = np.interp(time_s, moments_s, np.arange(len(moments_s)))
    before = np.minimum(place.astype(int), len(moments_s) - 2)
    part = place - before
    return np.stack(
        [
            (1 - part) * columns[before, side, layer] + part * columns[before + 1, side, layer]
            for side in (0, 1)
        ]
    )
