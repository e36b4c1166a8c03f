"""How fast it falls: speed x sqrt(density) is nearly constant under a parachute.

Handbook: terminal velocity v = sqrt(2 m g / (rho Cd A)) (e.g. Knacke 1992, Parachute Recovery Systems
Design Manual), so v sqrt(rho) = sqrt(2 m g / (Cd A)) = k. On real flights k rises above 10 km
(checks.md); `LIFT_ALOFT` holds by how much. The log of k is a constant and a part that wanders along
the fall (rising and sinking air, a canopy that breathes). The plan says what the constant is, under
three hypotheses: as planned, loosely so (lines, burst balloon, wrong weight), failed. The fall so far
weighs them. Fitted on the real flights by the likelihood of where they landed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.inputs import DescentPlan
from server.flight.landing.legs import legs
from server.flight.physics.atmosphere import GRAVITY_MS2, density_kg_m3

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
    planned_sigma: float = 0.03  # of its log, when mass and parachute are known
    drag_coefficient: float = 0.489  # of the nominal area, fitted on real flights
    loose_share: float = 0.2
    loose_sigma: float = 0.12
    failure_share: float = 0.05  # parachutes that fall 1.4 to 4 times too fast: 4 of 104
    failure_log_mean: float = 0.5
    failure_log_sigma: float = 0.5
    wander_sigma: float = 0.05  # of the part that changes along the fall
    wander_height_m: float = 4_000.0
    opening_sigma: float = 0.3  # of the log of k of an odd fall, when it is first seen
    opening_s: float = 45.0  # that fades; both set on made falls that open within 15 to 60 s
    settling_s: float = 40.0  # after a burst: tumbling, not yet falling by the law
    altitude_sigma_m: float = 12.0


class Fall(NamedTuple):
    """Hypotheses for the mean log of k from here down: weight, mean and standard deviation each."""

    weights: tuple[float, ...]
    means: tuple[float, ...]
    sigmas: tuple[float, ...]

    @property
    def constant(self) -> float:
        """k of the likeliest hypothesis."""
        return math.exp(self.means[int(np.argmax(self.weights))])


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
    """log k between fixes of one tracker (`legs`): middle altitude, log k, its sigma; shapes (n,)."""
    since = np.flatnonzero(time_s >= since_s)
    t, z = time_s[since], z_m[since]
    i, j = legs(t, tracker[since])
    drop = z[i] - z[j]
    fell = drop > 20.0
    i, j, drop = i[fell], j[fell], drop[fell]
    k = (fall_integral(z[i]) - fall_integral(z[j])) / (t[j] - t[i])
    middle_m = (z[i] + z[j]) / 2
    down = np.argsort(-middle_m, kind="stable")
    error = np.hypot(math.sqrt(2.0) * sigma_m / drop, 0.02)
    return middle_m[down], np.log(k)[down], error[down]


class _Hypothesis(NamedTuple):
    """What the log of k, less that of the plan's, may be: its share, mean and standard deviation."""

    share: float
    mean: float
    sigma: float


class _Fallen(NamedTuple):
    """The fall so far, whitened by its covariance: the columns that every conditioning needs, (n,)."""

    ones: Array
    gap: Array  # log k, less that of the plan's k
    shared: Array  # covariance with the mean of the part that wanders, ahead
    wander: float  # variance of that mean, before anything was seen


def estimate(
    plan: DescentPlan,
    seen: tuple[Array, Array, Array],
    span_m: tuple[float, float],
    constants: FallConstants | None = None,
) -> Fall:
    """The plan's prior and the fall so far (`observed`), for the fall over `span_m`, from and to.

    Linear Gaussian, hypothesis by hypothesis (Rasmussen and Williams 2006, eq. 2.41 to 2.43: a
    Gaussian process with a constant of its own); the evidence of each weighs them.
    """
    c = constants or FallConstants()
    k, k_sigma = planned_constant(plan, c)
    fallen = _whitened(seen, math.log(k), span_m, c)
    conditioned = [_condition(h, fallen, math.log(k)) for h in _hypotheses(k_sigma, c)]
    evidence = np.array([one.log_evidence for one in conditioned])
    weights = np.exp(evidence - max(evidence))
    weights /= weights.sum()
    return Fall(
        tuple(weights.tolist()),
        tuple(one.mean for one in conditioned),
        tuple(one.sigma for one in conditioned),
    )


def _hypotheses(k_sigma: float, c: FallConstants) -> tuple[_Hypothesis, ...]:
    """As planned, loosely so, failed."""
    return (
        _Hypothesis(1.0 - c.loose_share - c.failure_share, 0.0, k_sigma),
        _Hypothesis(c.loose_share, 0.0, max(c.loose_sigma, 1.5 * k_sigma)),
        _Hypothesis(c.failure_share, c.failure_log_mean, max(c.failure_log_sigma, 2.0 * k_sigma)),
    )


def _whitened(
    seen: tuple[Array, Array, Array], log_k: float, span_m: tuple[float, float], c: FallConstants
) -> _Fallen:
    altitude_m, log_seen, error = seen
    error = np.maximum(error, _strangeness(log_seen) / 2.5)  # a bad altitude is believed less
    altitude_m, log_seen, error = _by_height(altitude_m, log_seen, error)
    ahead_m = np.linspace(max(span_m), min(span_m), _AHEAD)
    slow = np.gradient(-fall_integral(ahead_m))  # seconds go where the air is dense
    slow = slow / slow.sum() if slow.sum() > 0.0 else np.full(_AHEAD, 1.0 / _AHEAD)
    wander = float(slow @ _alike(ahead_m, ahead_m, c) @ slow)
    root = np.linalg.cholesky(_alike(altitude_m, altitude_m, c) + np.diag(error**2))
    columns = [np.ones(len(log_seen)), log_seen - log_k, _alike(altitude_m, ahead_m, c) @ slow]
    ones, gap, shared = np.linalg.solve(root, np.column_stack(columns)).T
    return _Fallen(ones, gap, shared, wander)


class _Conditioned(NamedTuple):
    """The mean log of k ahead under one hypothesis, and how well that explains the fall so far."""

    log_evidence: float
    mean: float
    sigma: float


def _condition(h: _Hypothesis, fallen: _Fallen, log_k: float) -> _Conditioned:
    ones, gap, shared, wander = fallen
    precision = 1.0 / h.sigma**2 + float(ones @ ones)
    constant = (h.mean / h.sigma**2 + float(ones @ gap)) / precision
    left = float(gap @ gap) + (h.mean / h.sigma) ** 2 - precision * constant**2
    mean = log_k + constant + float(shared @ gap) - constant * float(shared @ ones)
    unknown = wander - float(shared @ shared) + (1 - float(ones @ shared)) ** 2 / precision
    return _Conditioned(
        math.log(h.share) - 0.5 * (left + math.log(precision * h.sigma**2)),
        mean,
        math.sqrt(max(unknown, 1e-6)),
    )


def still_opening(fall: Fall, fallen_s: float, c: FallConstants) -> Fall:
    """The hypotheses of an odd fall, held less surely in its first minutes.

    A canopy that opens late falls like one that failed, for a minute or two; what is seen then is one
    thing seen many times.
    """
    doubt = c.opening_sigma * math.exp(-max(fallen_s - c.settling_s, 0.0) / c.opening_s)
    planned, *odd = fall.sigmas
    return fall._replace(sigmas=(planned, *(math.hypot(sigma, doubt) for sigma in odd)))


_AHEAD = 24  # heights at which the rest of the fall is looked at
_SPAN_M = 200.0
_BESIDE = 5


def _alike(a_m: Array, b_m: Array, c: FallConstants) -> Array:
    apart_m = np.abs(a_m[:, None] - b_m[None, :])
    return np.asarray(c.wander_sigma**2 * np.exp(-apart_m / c.wander_height_m))


def _by_height(altitude_m: Array, log_k: Array, error: Array) -> tuple[Array, Array, Array]:
    """Weighted means over spans in which k hardly wanders, so that a busy flight costs no more."""
    _, which = np.unique(altitude_m // _SPAN_M, return_inverse=True)
    weight = error**-2.0
    total = np.bincount(which, weight)
    means = [np.bincount(which, weight * column) / total for column in (altitude_m, log_k)]
    return means[0], means[1], np.asarray(1.0 / np.sqrt(total))


def _strangeness(values: Array) -> Array:
    """How far each value is from the median of those about it."""
    if len(values) < _BESIDE:
        return np.zeros(len(values))
    padded = np.pad(values, _BESIDE // 2, mode="edge")
    about = np.lib.stride_tricks.sliding_window_view(padded, _BESIDE)
    return np.asarray(np.abs(values - np.median(about, axis=1)))


class FallChange(NamedTuple):
    """Lines tangled, a parachute that opened late, a balloon left hanging: the fall is another one."""

    ratio: float  # of the fall speed since to that before
    since_m: float  # altitude at which it change_point


def change_point(altitude_m: Array, log_k: Array, sigma: Array) -> FallChange | None:
    """The clearest step in the fall speeds, from the top down, if what follows it holds; else None."""
    places = np.arange(_CHANGE_BESIDE, len(log_k) - _CHANGE_AFTER + 1)
    if len(places) == 0:
        return None
    padded = np.append(log_k, np.full(_CHANGE_BESIDE - _CHANGE_AFTER, np.nan))
    middles = np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, _CHANGE_BESIDE), axis=1)
    steps = middles[places] - middles[places - _CHANGE_BESIDE]
    for at in np.argsort(-np.abs(steps), kind="stable"):
        i, step = int(places[at]), float(steps[at])
        if abs(step) < _CHANGE_LEAST:
            return None
        before, after = log_k[i - _CHANGE_BESIDE : i], log_k[i : i + _CHANGE_BESIDE]
        scatter = float(np.ptp(np.sort(before)[1:-1]) + np.ptp(np.sort(after)[1:-1]))
        error = float(np.median(sigma[i - _CHANGE_BESIDE : i + _CHANGE_BESIDE]))
        lasting = abs(float(np.median(log_k[i:])) - float(middles[i])) < abs(step) / 2
        if abs(step) > max(scatter, 2.0 * error) and lasting:
            return FallChange(math.exp(step), float(altitude_m[i]))
    return None
