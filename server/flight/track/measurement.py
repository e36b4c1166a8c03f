"""Each mode meets one measurement: gate, likelihood, update; position and altitude apart."""

from __future__ import annotations

import math
from typing import NamedTuple

from server.flight.track import kalman
from server.flight.track.kalman import make, meet
from server.flight.track.modes import Motion, sign_probability

_GATE_H = (
    30.0  # normalised innovation squared, 2 degrees of freedom (3e-7 of good fixes lie beyond)
)
_GATE_V = 20.0  # 1 degree of freedom (8e-6)
_OUTLIER_LOG_DENSITY_H = math.log(0.02 / 3_000.0**2)  # 2 % of fixes, spread over 3 km by 3 km
_OUTLIER_LOG_DENSITY_V = math.log(
    0.001 / 4_000.0
)  # wrong altitudes are rare: 2 in 22,000 real ones
_DOUBTED = 40.0  # a fix this many times beyond the gate is plainly wrong, and teaches no doubt

Motions = tuple[Motion, Motion, Motion, Motion]
Probabilities = tuple[float, float, float, float]


class Measured(NamedTuple):
    """What is measured, in the flight's frame; None where it is not. Variances in m²."""

    xy_m: tuple[float, float] | None
    var_h: float
    z_m: float | None
    var_v: float


class Updated(NamedTuple):
    motions: Motions
    probabilities: Probabilities
    refused_h: float  # probability of the modes that cannot explain the position
    refused_v: float
    descending_accepts: bool


def measurement_update(
    motions: Motions,
    probabilities: Probabilities,
    measured: Measured,
    inflation: float,
    floors: Probabilities,
) -> Updated:
    """All modes after the measurement, and how much of them had to refuse it.

    `inflation`: by which the variance of a mode grows with a fix that it refuses; `floors`: the least that
    each is thought of.
    """
    results = []
    weights = []
    for mode, (motion, p) in enumerate(zip(motions, probabilities, strict=True)):
        if p > 0.0:
            met = _one(mode, motion, measured, inflation)
            weights.append(math.log(p) + met[1])
        else:
            met = motion, -math.inf, False, False
            weights.append(-math.inf)
        results.append(met)
    a, b, c, d = results
    top = max(weights)
    shares = [math.exp(w - top) for w in weights]
    norm = sum(shares)
    refused_h = refused_v = 0.0
    after = []
    for share, floor, (_, _, outlier_h, outlier_v) in zip(shares, floors, results, strict=True):
        p = max(share / norm, floor)
        after.append(p)
        refused_h += p * outlier_h
        refused_v += p * outlier_v
    return make(
        Updated,
        (
            (a[0], b[0], c[0], d[0]),
            (after[0], after[1], after[2], after[3]),
            refused_h,
            refused_v,
            not d[2] and not d[3],
        ),
    )


# a motion, the log of the density, whether the position and the altitude are outliers to it
_One = tuple[Motion, float, bool, bool]


def _one(mode: int, motion: Motion, measured: Measured, inflation: float) -> _One:
    x, y, z = motion
    xy_m, var_h, z_m, var_v = measured
    log_density = 0.0
    if xy_m is not None:
        x_m, y_m = xy_m
        after_x, squared_x, density_x = meet(x, x_m, var_h)
        after_y, squared_y, density_y = meet(y, y_m, var_h)
        surprise = squared_x + squared_y
        if surprise > _GATE_H:
            lost = _OUTLIER_LOG_DENSITY_H + _OUTLIER_LOG_DENSITY_V * (z_m is not None)
            if surprise < _DOUBTED * _GATE_H:
                motion = Motion(kalman.doubt(x, inflation), kalman.doubt(y, inflation), z)
            return motion, lost, True, True
        log_density = max(density_x + density_y, _OUTLIER_LOG_DENSITY_H)
        x, y = after_x, after_y
    if z_m is None:
        return make(Motion, (x, y, z)), log_density, False, False
    after_z, squared_z, density_z = meet(z, z_m, var_v)
    if squared_z > _GATE_V:
        if squared_z < _DOUBTED * _GATE_V:
            z = kalman.doubt(z, inflation)
        return Motion(x, y, z), log_density + _OUTLIER_LOG_DENSITY_V, False, True
    log_density += density_z + math.log(sign_probability(mode, after_z))
    return make(Motion, (x, y, after_z)), log_density, False, False
