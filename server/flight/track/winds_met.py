"""The winds met on the way up, by height: the way down flies through them again.

A layer is the wind between two places of the climb, at its middle height. What is taken from them is
how the wind changes between two heights, not the wind itself: that is the filter's own velocity, which
has the change since the climb in it.
"""

from __future__ import annotations

import bisect
from typing import NamedTuple

from server.flight.track.kalman import make
from server.flight.track.recent import Point

# a layer is at least so thick in time and height: the errors of two fixes over less drown its wind
_THINNEST_S, _THINNEST_M = 25.0, 20.0


class Layer(NamedTuple):
    z_m: float  # its middle
    east_ms: float
    north_ms: float
    # their integrals over height from the lowest layer on, m²/s
    east_below: float = 0.0
    north_below: float = 0.0


class WindsMet(NamedTuple):
    layers: tuple[Layer, ...] = ()  # from below upwards
    heights_m: tuple[float, ...] = ()  # of their middles, to be looked through
    begun: Point | None = None  # where the one that is flown through now began


_LEVEL_M = 0.01  # less is no change of height: the integrals' own errors would show


class Drift(NamedTuple):
    """By which a change of the wind alters an axis pair: metres, m/s; east first."""

    moved_m: tuple[float, float]
    faster_ms: tuple[float, float]


STILL = Drift((0.0, 0.0), (0.0, 0.0))


def climbed(winds: WindsMet, point: Point) -> WindsMet:
    """With the layer up to `point` of a climb, if it is thick enough. What is not new height adds none."""
    begun = winds.begun
    if begun is None:
        return winds._replace(begun=point)
    seconds, rise_m = point.time_s - begun.time_s, point.z_m - begun.z_m
    if seconds < _THINNEST_S or rise_m < _THINNEST_M:
        return winds
    z_m = (point.z_m + begun.z_m) / 2.0
    east_ms, north_ms = (point.x_m - begun.x_m) / seconds, (point.y_m - begun.y_m) / seconds
    east = north = 0.0
    if winds.layers:
        below = winds.layers[-1]
        half_m = (z_m - below.z_m) / 2.0
        east = below.east_below + half_m * (below.east_ms + east_ms)
        north = below.north_below + half_m * (below.north_ms + north_ms)
    layer = Layer(z_m, east_ms, north_ms, east, north)
    return WindsMet((*winds.layers, layer), (*winds.heights_m, z_m), point)


def drift(winds: WindsMet, from_m: float, to_m: float, dt_s: float) -> Drift | None:
    """What the change of the wind does within `dt_s` from one height to another, at an even rate;
    None where no wind has been met."""
    layers, heights_m = winds.layers, winds.heights_m
    if not layers or (from_m >= heights_m[-1] and to_m >= heights_m[-1]):
        return None
    rise_m = to_m - from_m
    first, last = bisect.bisect_left(heights_m, from_m), bisect.bisect_left(heights_m, to_m)
    if abs(rise_m) < _LEVEL_M or first == last == 0:
        return STILL
    if first == last:  # between two layers, as a rule
        below_m, below_u, below_v, _, _ = layers[first - 1]
        above_m, above_u, above_v, _, _ = layers[first]
        share = rise_m / (above_m - below_m)
        u, v = share * (above_u - below_u), share * (above_v - below_v)
        return make(Drift, ((u * dt_s / 2.0, v * dt_s / 2.0), (u, v)))
    first_u, first_v, first_east, first_north = _at(layers, first, from_m)
    last_u, last_v, last_east, last_north = _at(layers, last, to_m)
    # the integral over height by the height is the mean on the way
    return make(
        Drift,
        (
            (
                ((last_east - first_east) / rise_m - first_u) * dt_s,
                ((last_north - first_north) / rise_m - first_v) * dt_s,
            ),
            (last_u - first_u, last_v - first_v),
        ),
    )


def _at(layers: tuple[Layer, ...], i: int, z_m: float) -> tuple[float, float, float, float]:
    """East and north below layer i, on the straight line to it from the one before, and their integrals up
    to there; the lowest and the highest hold beyond."""
    if i == 0 or i == len(layers):
        near_m, u, v, east, north = layers[i - (i > 0)]
        above_m = z_m - near_m
        return u, v, east + above_m * u, north + above_m * v
    below_m, below_u, below_v, east, north = layers[i - 1]
    above_m, above_u, above_v, _, _ = layers[i]
    part_m = z_m - below_m
    share = part_m / (above_m - below_m)
    u, v = below_u + share * (above_u - below_u), below_v + share * (above_v - below_v)
    return u, v, east + part_m * (below_u + u) / 2.0, north + part_m * (below_v + v) / 2.0
