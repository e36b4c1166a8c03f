"""The wind that one box will fall through: what it has met, the forecast, and what usually changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from server.flight.landing import winds
from server.flight.landing.descent import fall_integral
from server.flight.landing.ensemble import Climb, Start, mean_path, passage_s
from server.flight.landing.question import LandingQuestion
from server.flight.landing.winds import (
    LAYERS,
    Forecasts,
    WindConstants,
    WindProfile,
    WindSamples,
)

Array = npt.NDArray[np.float64]

_MET, _AHEAD = 6, 5  # moments at which a forecast is read: of the flight so far, and of the rest


def wind_ahead(
    question: LandingQuestion, start: Start, climb: Climb | None, fall_constant: float,
    constants: WindConstants,
) -> tuple[WindProfile, str | None]:  # fmt: skip
    """Winds of all LAYERS layers as they will be met, in the flat frame's axes; why no forecast, if so."""
    c = constants
    turn_per_m = question.frame.turn_per_m
    seen = winds.samples(
        question.time_s, question.x_m, question.y_m, question.z_m, question.tracker,
        turn_per_m=turn_per_m,
    )  # fmt: skip
    when_s = question.at_s + passage_s(start.z_m, climb, fall_constant)
    ground_m, top_m = question.ground.altitude_m, start.z_m + 5 * start.sigma_v_m
    if climb is not None:
        top_m = max(top_m, climb.burst_m(start.z_m) + 5 * climb.burst_sigma_m)
    used = min(max(int(top_m // winds.LAYER_M), 0) + 2, LAYERS)  # the rest is not fallen through
    forecasts, problem = _forecasts(question, seen, start, climb, fall_constant, when_s[:used])
    if climb is not None and forecasts is None:  # ahead may be all that a season's winds may be
        c = replace(c, lasting_shape=c.unflown_shape, lasting_height_m=c.unflown_height_m)
    x_m, y_m = _passed(start, climb, _as_met(seen, forecasts), fall_constant)[:, :used]
    wind = winds.profile(seen, np.arange(used), when_s[:used], (x_m, y_m), ground_m, c, forecasts)
    covariance = np.zeros((LAYERS, LAYERS))
    covariance[:used, :used] = wind.covariance * winds.unrest_of_day(seen, ground_m, c)
    above = (0, LAYERS - used)
    true = WindProfile(np.pad(wind.east_ms, above), np.pad(wind.north_ms, above), covariance)
    passed_x_m, _ = _passed(start, climb, true, fall_constant)
    turned = winds.turned(true.east_ms, true.north_ms, turn_per_m * passed_x_m)
    return WindProfile(*turned, covariance), problem


def _as_met(seen: WindSamples, forecasts: Forecasts | None) -> WindProfile:
    """The wind as last met, or as forecast: enough to tell about where each layer will be met."""
    none = np.zeros((LAYERS, LAYERS))
    east, north = np.zeros(LAYERS), np.zeros(LAYERS)
    if forecasts is not None:
        known = len(forecasts.ahead_ms[0])
        east[:known], north[:known] = forecasts.ahead_ms
    elif len(seen.layer):
        order = np.lexsort((seen.time_s, seen.layer))
        last = order[np.append(np.diff(seen.layer[order]) > 0, True)]
        layers = np.arange(LAYERS)
        east = np.interp(layers, seen.layer[last], seen.east_ms[last])
        north = np.interp(layers, seen.layer[last], seen.north_ms[last])
    return WindProfile(east, north, none)


def _passed(start: Start, climb: Climb | None, wind: WindProfile, fall_constant: float) -> Array:
    """x and y at which the middle of each layer is fallen through, shape (2, LAYERS)."""
    top_m = start.z_m if climb is None else climb.burst_m(start.z_m)
    falling_s = np.diff(fall_integral(np.minimum(winds.EDGES_M, top_m))) / fall_constant
    drift_m = np.stack([wind.east_ms, wind.north_ms])
    below_m = np.cumsum((drift_m * falling_s)[:, ::-1], axis=1)[:, ::-1]  # from the top to its foot
    from_m = np.array([[start.x_m], [start.y_m]])
    if climb is not None:
        climbing_s = np.diff(np.clip(winds.EDGES_M, start.z_m, top_m)) / climb.rate_ms
        from_m = from_m + (drift_m * climbing_s).sum(axis=1, keepdims=True)
    return np.asarray(from_m + below_m - drift_m * falling_s / 2)


def _forecasts(
    question: LandingQuestion, seen: WindSamples, start: Start, climb: Climb | None,
    fall_constant: float, when_s: Array,
) -> tuple[Forecasts | None, str | None]:  # fmt: skip
    """The forecast where and when each sample was taken, and where and when each layer will be met.

    None where it does not reach, and in words why not.
    """
    if question.forecast is None:
        return None, None
    try:
        here = _column(question, start.x_m, start.y_m, question.at_s)
        path = mean_path(
            start, climb, WindProfile(here[0], here[1], np.zeros((LAYERS, LAYERS))), fall_constant,
            question.ground.altitude_m,
        )  # fmt: skip
        moments_s = np.linspace(0.0, path[-1, 0], _AHEAD)
        x, y = (np.interp(moments_s, path[:, 0], path[:, axis]) for axis in (1, 2))
        layers = np.arange(len(when_s))
        ahead = _between(question, x, y, question.at_s + moments_s, layers, when_s)
        if climb is not None:  # most layers are met twice, and on the way up for longer
            up = _between(
                question, x, y, question.at_s + moments_s, layers,
                question.at_s + (winds.CENTRES_M[layers] - start.z_m) / climb.rate_ms,
            )  # fmt: skip
            share = _share_of_climb(start, climb, fall_constant)[layers]
            ahead = (
                share * up[0] + (1 - share) * ahead[0], share * up[1] + (1 - share) * ahead[1]
            )  # fmt: skip
        met = (np.empty(0), np.empty(0))
        if len(seen.layer):
            moments_s = np.linspace(seen.time_s.min(), seen.time_s.max(), _MET)
            x = np.interp(moments_s, question.time_s, question.x_m)
            y = np.interp(moments_s, question.time_s, question.y_m)
            met = _between(question, x, y, moments_s, seen.layer, seen.time_s)
    except ValueError as error:
        return None, str(error)
    return Forecasts(met, ahead), None


def _share_of_climb(start: Start, climb: Climb, fall_constant: float) -> Array:
    """Of the time that is still to be spent in each layer, the part on the way up, shape (LAYERS,)."""
    burst_m = climb.burst_m(start.z_m)
    climbed_m = np.diff(np.clip(winds.EDGES_M, start.z_m, burst_m))
    fallen = np.diff(fall_integral(np.minimum(winds.EDGES_M, burst_m)))
    up_s, down_s = climbed_m / climb.rate_ms, fallen / fall_constant
    return np.asarray(up_s / np.maximum(up_s + down_s, 1e-9))


def _column(question: LandingQuestion, x_m: float, y_m: float, time_s: float) -> Array:
    """Wind towards east and north by layer, shape (2, LAYERS). ValueError: not forecast there or then."""
    assert question.forecast is not None
    latitude_deg, longitude_deg = question.frame.to_latlon(x_m, y_m)
    heights, east, north = question.forecast.profile(
        float(latitude_deg), float(longitude_deg), time_s
    )
    return np.stack([np.interp(winds.CENTRES_M, heights, side) for side in (east, north)])


def _between(
    question: LandingQuestion, x_m: Array, y_m: Array, moments_s: Array,
    layer: npt.NDArray[np.int64], time_s: Array,
) -> tuple[Array, Array]:  # fmt: skip
    """Of `layer` at `time_s`, shapes (n,): between columns at moments and places of the path."""
    columns = np.stack(
        [_column(question, *place) for place in zip(x_m, y_m, moments_s, strict=True)]
    )
    place = np.interp(time_s, moments_s, np.arange(len(moments_s)))
    before = np.minimum(place.astype(int), len(moments_s) - 2)
    part = place - before
    east, north = (
        (1 - part) * columns[before, side, layer] + part * columns[before + 1, side, layer]
        for side in (0, 1)
    )
    return east, north
