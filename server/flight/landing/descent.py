"""How fast it falls: speed x sqrt(density) is nearly constant under a parachute.

Handbook: terminal velocity v = sqrt(2 m g / (rho Cd A)) (e.g. Knacke 1992, Parachute Recovery Systems
Design Manual), so v sqrt(rho) = sqrt(2 m g / (Cd A)) = k. On real flights k rises above 10 km
(checks.md); `LIFT_ALOFT` holds by how much. The log of k is estimated from the plan and the fall so far
with a slowly changing part, beside a second hypothesis for parachutes that failed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.atmosphere import GRAVITY_MS2, density_kg_m3
from server.flight.inputs import DescentPlan

Array = npt.NDArray[np.float64]

_ALOFT_M = np.array([0.0, 10_000.0, 11_250.0, 13_750.0, 16_250.0, 18_750.0, 22_000.0, 45_000.0])
_LIFT_ALOFT = np.array([1.0, 1.0, 1.005, 1.01, 1.04, 1.085, 1.136, 1.136])  # k relative to below

_STEP_M = 25.0
_TABLE_M: Array = np.arange(-500.0, 45_000.0 + _STEP_M, _STEP_M)
_INTEGRAND: Array = np.sqrt(density_kg_m3(_TABLE_M)) / np.interp(_TABLE_M, _ALOFT_M, _LIFT_ALOFT)
_INTEGRAL: Array = np.concatenate(
    [[0.0], np.cumsum((_INTEGRAND[1:] + _INTEGRAND[:-1]) / 2) * _STEP_M]
)

_CHANGE_BESIDE, _CHANGE_AFTER = 6, 4  # fall speeds compared beside a step, and needed after it
_CHANGE_LEAST = 0.22  # of the log: a change by a fifth

SEA_LEVEL_ROOT_DENSITY = math.sqrt(1.225)


@dataclass(frozen=True, slots=True)
class FallConstants:
    usual_constant: float = 5.07  # (m/s)(kg/m³)^½, where the plan says nothing
    usual_sigma: float = 0.22  # of its log
    planned_sigma: float = 0.045  # of its log, when mass and parachute are known
    drag_coefficient: float = 0.495  # of the nominal area, fitted on real flights
    failure_share: float = 0.2  # parachutes that do not fall as their size says
    failure_log_mean: float = 0.05
    failure_log_sigma: float = 0.3
    drift_sigma: float = 0.10  # of the part that changes along the fall
    drift_height_m: float = 3_000.0
    settling_s: float = 40.0  # after a burst: tumbling, not yet falling by the law
    altitude_sigma_m: float = 12.0


class Fall(NamedTuple):
    """Two hypotheses for the log of k from here down: weight, mean and standard deviation each."""

    weights: tuple[float, float]
    means: tuple[float, float]
    sigmas: tuple[float, float]

    @property
    def constant(self) -> float:
        """k of the likelier hypothesis."""
        return math.exp(self.means[0] if self.weights[0] >= self.weights[1] else self.means[1])


def fall_integral(altitude_m: Array | float) -> Array:
    """Integral of sqrt(density) over height, so that the time from a to b is the difference over k."""
    return np.asarray(np.interp(altitude_m, _TABLE_M, _INTEGRAL))


def planned_constant(plan: DescentPlan, constants: FallConstants) -> tuple[float, float]:
    """k and the standard deviation of its log, from the plan."""
    if plan.fall_speed_sea_level_ms is not None:
        sigma = plan.fall_speed_relative_sigma or 0.10
        return plan.fall_speed_sea_level_ms * SEA_LEVEL_ROOT_DENSITY, sigma
    if plan.mass_kg is not None and plan.parachute_diameter_m is not None:
        area_m2 = math.pi * plan.parachute_diameter_m**2 / 4
        drag = plan.drag_coefficient or constants.drag_coefficient
        k = math.sqrt(2 * plan.mass_kg * GRAVITY_MS2 / (drag * area_m2))
        return k, plan.fall_speed_relative_sigma or constants.planned_sigma
    return constants.usual_constant, constants.usual_sigma


def observed(
    time_s: Array, z_m: Array, tracker: npt.NDArray[np.int64], since_s: float, sigma_m: float
) -> tuple[Array, Array, Array]:
    """log k between consecutive fixes of one tracker: middle altitude, log k, its sigma; shapes (n,)."""
    rows = []
    for one in np.unique(tracker):
        of = (tracker == one) & (time_s >= since_s)
        t, z = time_s[of], z_m[of]
        dt, drop = np.diff(t), -np.diff(z)
        ok = (dt >= 8.0) & (dt <= 200.0) & (drop > 20.0)
        if not ok.any():
            continue
        k = (fall_integral(z[:-1]) - fall_integral(z[1:]))[ok] / dt[ok]
        error = np.hypot(math.sqrt(2.0) * sigma_m / drop[ok], 0.02)
        rows.append(np.column_stack([((z[:-1] + z[1:]) / 2)[ok], np.log(k), error]))
    if not rows:
        return np.empty(0), np.empty(0), np.empty(0)
    merged = np.concatenate(rows)
    merged = merged[np.argsort(-merged[:, 0], kind="stable")]
    return merged[:, 0], merged[:, 1], merged[:, 2]


def estimate(
    plan: DescentPlan,
    altitude_m: Array,
    log_k: Array,
    sigma: Array,
    constants: FallConstants | None = None,
) -> Fall:
    """The plan's prior and the fall so far, from the top down."""
    c = constants or FallConstants()
    k, k_sigma = planned_constant(plan, c)
    normal = _filter(math.log(k), k_sigma, altitude_m, log_k, sigma, c)
    broad_sigma = max(c.failure_log_sigma, k_sigma)
    failed = _filter(math.log(k) + c.failure_log_mean, broad_sigma, altitude_m, log_k, sigma, c)
    odds = math.log(c.failure_share / (1 - c.failure_share)) + failed[2] - normal[2]
    share = 1 / (1 + math.exp(-max(min(odds, 50.0), -50.0)))
    return Fall((1 - share, share), (normal[0], failed[0]), (normal[1], failed[1]))


class FallChange(NamedTuple):
    """Lines tangled, a parachute that opened late, a balloon left hanging: the fall is another one."""

    ratio: float  # of the fall speed since to that before
    since_m: float  # altitude at which it changed


def changed(altitude_m: Array, log_k: Array, sigma: Array) -> FallChange | None:
    """The clearest step in the fall speeds, from the top down, if what follows it holds; else None."""
    best: tuple[float, int, float] | None = None
    for i in range(_CHANGE_BESIDE, len(log_k) - _CHANGE_AFTER + 1):
        before, after = log_k[i - _CHANGE_BESIDE : i], log_k[i : i + _CHANGE_BESIDE]
        step = float(np.median(after) - np.median(before))
        if abs(step) < _CHANGE_LEAST or (best is not None and abs(step) <= best[0]):
            continue
        scatter = float(np.ptp(np.sort(before)[1:-1]) + np.ptp(np.sort(after)[1:-1]))
        error = float(np.median(sigma[i - _CHANGE_BESIDE : i + _CHANGE_BESIDE]))
        lasting = abs(float(np.median(log_k[i:])) - float(np.median(after))) < abs(step) / 2
        if abs(step) > max(scatter, 2.0 * error) and lasting:
            best = (abs(step), i, step)
    return None if best is None else FallChange(math.exp(best[2]), float(altitude_m[best[1]]))


def _filter(
    mean: float, sigma: float, altitude_m: Array, log_k: Array, error: Array, c: FallConstants
) -> tuple[float, float, float]:
    """A constant and a drifting part (first-order in height): mean, sigma of the sum, log evidence."""
    b, d = mean, 0.0
    bb, bd, dd = sigma * sigma, 0.0, c.drift_sigma**2
    evidence = 0.0
    previous_m: float | None = None
    for z, y, e in zip(altitude_m.tolist(), log_k.tolist(), error.tolist(), strict=True):
        if previous_m is not None:
            keep = math.exp(-(previous_m - z) / c.drift_height_m)
            d *= keep
            bd *= keep
            dd = dd * keep * keep + c.drift_sigma**2 * (1 - keep * keep)
        previous_m = z
        s = bb + 2 * bd + dd + e * e
        innovation = y - b - d
        if innovation * innovation > 16.0 * s:  # a bad altitude, or a change: believed less
            s = innovation * innovation / 16.0
        gain_b, gain_d = (bb + bd) / s, (bd + dd) / s
        b += gain_b * innovation
        d += gain_d * innovation
        evidence -= 0.5 * (innovation * innovation / s + math.log(2 * math.pi * s))
        hb, hd = bb + bd, bd + dd
        bb, bd, dd = bb - gain_b * hb, bd - gain_b * hd, dd - gain_d * hd
    return b + 0.5 * d, math.sqrt(bb + bd + 0.25 * dd + c.drift_sigma**2 / 4), evidence
