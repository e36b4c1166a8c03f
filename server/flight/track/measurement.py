"""Each mode meets one measurement: gate, likelihood, update; position and altitude apart."""

from __future__ import annotations

import math
from typing import NamedTuple

from server.flight.track import kalman
from server.flight.track.kalman import make
from server.flight.track.modes import DESCENT, Motion, sign_probability

_GATE_H = (
    30.0  # normalised innovation squared, 2 degrees of freedom (3e-7 of good fixes lie beyond)
)
_GATE_V = 20.0  # 1 degree of freedom (8e-6)
_OUTLIER_LOG_DENSITY_H = math.log(0.02 / 3_000.0**2)  # 2 % of fixes, spread over 3 km by 3 km
_OUTLIER_LOG_DENSITY_V = math.log(
    0.001 / 4_000.0
)  # wrong altitudes are rare: 2 in 22,000 real ones
_DOUBTED = 40.0  # a fix this many times beyond the gate is plainly wrong, and teaches no doubt
PROBABILITY_FLOOR = 1e-7
_TWO_PI = 2 * math.pi

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
    motions: Motions, probabilities: Probabilities, measured: Measured, inflation: float
) -> Updated:
    """All modes after the measurement, and how much of them had to refuse it.

    `inflation`: by which the variance of a mode grows with a fix that it refuses.
    """
    a, b, c, d = results = [_one(mode, motions[mode], measured, inflation) for mode in range(4)]
    weights = [math.log(p) + r[1] for p, r in zip(probabilities, results, strict=True)]
    top = max(weights)
    shares = [math.exp(w - top) for w in weights]
    norm = sum(shares)
    after = [max(s / norm, PROBABILITY_FLOOR) for s in shares]
    return Updated(
        (a.motion, b.motion, c.motion, d.motion),
        (after[0], after[1], after[2], after[3]),
        sum([p for p, r in zip(after, results, strict=True) if r.outlier_h]),
        sum([p for p, r in zip(after, results, strict=True) if r.outlier_v]),
        not results[DESCENT].outlier_h and not results[DESCENT].outlier_v,
    )


class _One(NamedTuple):
    motion: Motion
    log_density: float
    outlier_h: bool
    outlier_v: bool


def _one(mode: int, motion: Motion, measured: Measured, inflation: float) -> _One:
    x, y, z = motion
    log_density = 0.0
    if measured.xy_m is not None:
        (x_m, y_m), var_h = measured.xy_m, measured.var_h
        off_x, off_y, var_x, var_y = x_m - x[0], y_m - y[0], x[2] + var_h, y[2] + var_h
        squared_x, squared_y = off_x * off_x / var_x, off_y * off_y / var_y
        surprise = squared_x + squared_y
        if surprise > _GATE_H:
            with_altitude = measured.z_m is not None
            lost = _OUTLIER_LOG_DENSITY_H + _OUTLIER_LOG_DENSITY_V * with_altitude
            if surprise < _DOUBTED * _GATE_H:
                motion = Motion(kalman.doubt(x, inflation), kalman.doubt(y, inflation), z)
            return _One(motion, lost, True, True)
        log_density = -0.5 * (squared_x + math.log(_TWO_PI * var_x)) + -0.5 * (
            squared_y + math.log(_TWO_PI * var_y)
        )
        log_density = max(log_density, _OUTLIER_LOG_DENSITY_H)
        x = kalman.corrected(x, off_x, var_x, var_h)
        y = kalman.corrected(y, off_y, var_y, var_h)
    if measured.z_m is None:
        return make(_One, (make(Motion, (x, y, z)), log_density, False, False))
    off_z, var_z = measured.z_m - z[0], z[2] + measured.var_v
    squared_z = off_z * off_z / var_z
    if squared_z > _GATE_V:
        if squared_z < _DOUBTED * _GATE_V:
            z = kalman.doubt(z, inflation)
        return _One(Motion(x, y, z), log_density + _OUTLIER_LOG_DENSITY_V, False, True)
    z = kalman.corrected(z, off_z, var_z, measured.var_v)
    log_density += -0.5 * (squared_z + math.log(_TWO_PI * var_z)) + math.log(
        sign_probability(mode, z)
    )
    return make(_One, (make(Motion, (x, y, z)), log_density, False, False))
