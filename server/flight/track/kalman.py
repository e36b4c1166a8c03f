"""One axis: position and velocity with their covariance. Predict, update, smooth, mix.

The three axes of a track are independent of each other (models and measurement errors are), so the
six-dimensional filter is three of these, in plain arithmetic: exact, quick and the same everywhere.
(`tuple.__new__` makes a NamedTuple in half the time that its own name takes: some 60 a fix.)
Equations: Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation (2001),
ch. 5 (filter), 8.2 (smoother), 11.6 (mixing); checked against a reference library in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

make = tuple.__new__
_TWO_PI = 2 * math.pi


class Axis(NamedTuple):
    """Mean and covariance of one axis; metres, m/s and their squares."""

    position: float
    velocity: float
    var_position: float
    covariance: float
    var_velocity: float


def predict(axis: Axis, dt_s: float, acceleration_psd: float) -> Axis:
    """Constant velocity for `dt_s`, driven by white acceleration of that density in m²/s³."""
    p, v, pp, pv, vv = axis
    q = acceleration_psd * dt_s
    return make(
        Axis,
        (
            p + v * dt_s,
            v,
            pp + 2 * dt_s * pv + dt_s * dt_s * vv + q * dt_s * dt_s / 3,
            pv + dt_s * vv + q * dt_s / 2,
            vv + q,
        ),
    )


def meet(axis: Axis, measured_position: float, variance: float) -> tuple[Axis, float, float]:
    """A position measured with that variance (m²): the axis after it, the square of the normalised
    innovation, and the log of its Gaussian density (position in m). All in one: some ten a fix."""
    p, v, pp, pv, vv = axis
    e, s = measured_position - p, pp + variance
    gain_p, gain_v = pp / s, pv / s
    squared = e * e / s
    after = p + gain_p * e, v + gain_v * e, pp * variance / s, pv * variance / s, vv - gain_v * pv
    return make(Axis, after), squared, -0.5 * (squared + math.log(_TWO_PI * s))


def update(axis: Axis, measured_position: float, variance: float) -> Axis:
    """The same, the axis alone."""
    return meet(axis, measured_position, variance)[0]


def smooth(filtered: Axis, predicted: Axis, later: Axis, dt_s: float) -> Axis:
    """Rauch-Tung-Striebel: `filtered` at k, `predicted` from it to k+1, `later` smoothed at k+1."""
    _, _, a, b, c = filtered
    # gain = P F' inverse(P_predicted), with F = [[1, dt], [0, 1]]
    f00, f01, f10, f11 = a + dt_s * b, b, b + dt_s * c, c
    determinant = predicted.var_position * predicted.var_velocity - predicted.covariance**2
    if determinant <= 0.0:
        return filtered
    i00 = predicted.var_velocity / determinant
    i01 = -predicted.covariance / determinant
    i11 = predicted.var_position / determinant
    g00, g01 = f00 * i00 + f01 * i01, f00 * i01 + f01 * i11
    g10, g11 = f10 * i00 + f11 * i01, f10 * i01 + f11 * i11
    dp = later.position - predicted.position
    dv = later.velocity - predicted.velocity
    d00 = later.var_position - predicted.var_position
    d01 = later.covariance - predicted.covariance
    d11 = later.var_velocity - predicted.var_velocity
    h00, h01 = g00 * d00 + g01 * d01, g00 * d01 + g01 * d11
    h10, h11 = g10 * d00 + g11 * d01, g10 * d01 + g11 * d11
    return Axis(
        filtered.position + g00 * dp + g01 * dv,
        filtered.velocity + g10 * dp + g11 * dv,
        a + h00 * g00 + h01 * g01,
        b + h00 * g10 + h01 * g11,
        c + h10 * g10 + h11 * g11,
    )


def doubt(axis: Axis, factor: float) -> Axis:
    """The same mean, held with `factor` times the variance."""
    p, v, pp, pv, vv = axis
    return Axis(p, v, pp * factor, pv * factor, vv * factor)


def mix(axes: Sequence[Axis], weights: Sequence[float]) -> Axis:
    """One Gaussian with the mean and covariance of the weighted sum of several. Weights add to 1."""
    if len(axes) == 1:
        return axes[0]
    if len(axes) == 2:  # as a rule
        (a, b), (one, other) = axes, weights
        return mix_two(a, one, b, other)
    p = v = 0.0
    for w, (one_p, one_v, _, _, _) in zip(weights, axes, strict=True):
        p += w * one_p
        v += w * one_v
    pp = pv = vv = 0.0
    for w, (one_p, one_v, one_pp, one_pv, one_vv) in zip(weights, axes, strict=True):
        dp, dv = one_p - p, one_v - v
        pp += w * (one_pp + dp * dp)
        pv += w * (one_pv + dp * dv)
        vv += w * (one_vv + dv * dv)
    return Axis(p, v, pp, pv, vv)


def mix_two(a: Axis, one: float, b: Axis, other: float) -> Axis:
    """`mix` of two, longhand: the same sums in the same order."""
    ap, av, app, apv, avv = a
    bp, bv, bpp, bpv, bvv = b
    p = one * ap + other * bp
    v = one * av + other * bv
    adp, adv, bdp, bdv = ap - p, av - v, bp - p, bv - v
    return make(
        Axis,
        (
            p,
            v,
            one * (app + adp * adp) + other * (bpp + bdp * bdp),
            one * (apv + adp * adv) + other * (bpv + bdp * bdv),
            one * (avv + adv * adv) + other * (bvv + bdv * bdv),
        ),
    )
