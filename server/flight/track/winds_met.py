"""The winds met on the way up, by height: the way down flies through them again.

A layer is the wind between two places of the climb, at its middle height. What is taken from them is
how the wind changes between two heights, not the wind itself: that is the filter's own velocity, which
has the change since the climb in it.
"""

from __future__ import annotations

import bisect
import math
from typing import NamedTuple

from server.flight.track.kalman import make
from server.flight.track.recent import Point

# a layer is at least so thick in time and height: the errors of two fixes over less drown its wind
_THINNEST_S, _THINNEST_M = 25.0, 20.0
_STEP_M = 100.0  # of the heights at which the winds on the way are looked up
_MOST_STEPS = 16


class Layer(NamedTuple):
    z_m: float  # its middle
    east_ms: float
    north_ms: float


class WindsMet(NamedTuple):
    layers: tuple[Layer, ...] = ()  # from below upwards
    begun: Point | None = None  # where the one that is flown through now began


class Drift(NamedTuple):
    """By which a change of the wind alters an axis pair: metres, m/s; east first."""

    moved_m: tuple[float, float]
    faster_ms: tuple[float, float]


def climbed(winds: WindsMet, point: Point) -> WindsMet:
    """With the layer up to `point` of a climb, if it is thick enough. What is not new height adds none."""
    begun = winds.begun
    if begun is None:
        return winds._replace(begun=point)
    seconds, rise_m = point.time_s - begun.time_s, point.z_m - begun.z_m
    if seconds < _THINNEST_S or rise_m < _THINNEST_M:
        return winds
    layer = Layer(
        (point.z_m + begun.z_m) / 2.0,
        (point.x_m - begun.x_m) / seconds,
        (point.y_m - begun.y_m) / seconds,
    )
    return WindsMet((*winds.layers, layer), point)


def drift(winds: WindsMet, from_m: float, to_m: float, dt_s: float) -> Drift | None:
    """What the change of the wind does within `dt_s` from one height to another, at an even rate;
    None where no wind has been met."""
    layers = winds.layers
    if not layers or (min(to_m, from_m)) >= layers[-1][0]:
        return None
    (first_u, first_v), (last_u, last_v) = _at(layers, from_m), _at(layers, to_m)
    steps = min(math.ceil(abs(to_m - from_m) / _STEP_M), _MOST_STEPS) or 1
    east = north = 0.0
    for i in range(steps):
        u, v = _at(layers, from_m + (i + 0.5) / steps * (to_m - from_m))
        east += u / steps
        north += v / steps
    return make(
        Drift,
        (
            ((east - first_u) * dt_s, (north - first_v) * dt_s),
            (last_u - first_u, last_v - first_v),
        ),
    )


def _at(layers: tuple[Layer, ...], z_m: float) -> tuple[float, float]:
    """East and north on the straight line between two layers; the lowest and the highest hold beyond."""
    i = bisect.bisect_left(layers, (z_m,))
    if i == 0:
        return layers[0][1:]
    if i == len(layers):
        return layers[-1][1:]
    below_m, below_u, below_v = layers[i - 1]
    above_m, above_u, above_v = layers[i]
    share = (z_m - below_m) / (above_m - below_m)
    return below_u + share * (above_u - below_u), below_v + share * (above_v - below_v)
