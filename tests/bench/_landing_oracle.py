"""A predictor that is told what a real one must guess: the drag, and the statistics of the made wind.

It knows the mean wind and the structure function with which the rehearsal draws, but not the draw.
What the flight measured conditions it (Rasmussen and Williams 2006, eq. 2.23). It uses none of the
predictor's formulas: winds by point, the fall stepped second by second.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import j0

from server.flight.landing.question import LandingQuestion
from server.rehearsal.air import density
from server.rehearsal.balloon import Parachute, aloft_factor
from server.rehearsal.scenario import Scenario
from server.rehearsal.truth import Truth
from server.rehearsal.wind import ADVECTION_MS, Layer, WindField
from tests.bench._landing_hand import pairs

Array = npt.NDArray[np.float64]

_BIN_M = 250.0
_POSITION_SIGMA_M = 8.0  # of one fix of the made receivers, either axis


def landing(
    question: LandingQuestion, scenario: Scenario, truth: Truth, ground_m: float
) -> tuple[float, float]:
    """x and y of the landing in metres, in the question's frame."""
    x, y, z = (axis.position for axis in question.motion)
    height_m, when_s = _fall(scenario, truth, z, question.at_s, ground_m)
    field = WindField(
        [Layer(*layer) for layer in scenario.wind.layers], scenario.wind.change_ms, scenario.seed
    )
    seen = _seen(question)
    at_launch_m = float(truth.altitude_m[0])
    # the box drifts on at about the wind that it has met: enough to tell how far apart two places are
    ahead = np.arange(len(height_m)) / max(len(height_m) - 1, 1)
    drift_x, drift_y = _drift(seen, height_m, when_s)
    steps = np.column_stack([height_m, when_s, x + ahead * drift_x, y + ahead * drift_y])
    friction_seen = _friction(seen[:, 0] - at_launch_m)
    friction = _friction(height_m - at_launch_m)
    noise = (math.sqrt(2.0) * _POSITION_SIGMA_M / seen[:, 4]) ** 2 / seen[:, 7]
    among = _covariance(field, seen, seen) * np.outer(friction_seen, friction_seen)
    across = _covariance(field, steps, seen) * np.outer(friction, friction_seen)
    mean_seen, mean = field.mean(seen[:, 0]), field.mean(height_m)
    # the made wind blows by true north, from which the frame turns as the box drifts
    turn_per_m = question.frame.turn_per_m
    true = _turned(seen[:, 5], seen[:, 6], -turn_per_m * seen[:, 2])
    winds = []
    for axis in (0, 1):
        surprise = true[axis] - friction_seen * mean_seen[axis]
        winds.append(
            friction * mean[axis] + across @ np.linalg.solve(among + np.diag(noise), surprise)
        )
    east, north = _turned(winds[0], winds[1], turn_per_m * steps[:, 2])
    return x + float(np.trapezoid(east, when_s)), y + float(np.trapezoid(north, when_s))


def fall_constant(scenario: Scenario, truth: Truth) -> float:
    """Fall speed times the root of the density, (m/s)(kg/m³)^½, of the parachute as it is."""
    chute = scenario.parachute
    parachute = Parachute(scenario.balloon.payload_kg, chute.diameter_m, chute.drag_coefficient)
    return parachute.constant() * truth.parachute_factor


def _turned(east: Array, north: Array, left_rad: Array) -> tuple[Array, Array]:
    """To the left, by angles so small that their sine is the angle."""
    return east - left_rad * north, north + left_rad * east


def _fall(
    scenario: Scenario, truth: Truth, start_m: float, at_s: float, ground_m: float
) -> tuple[Array, Array]:
    """Heights and times at about every ten seconds, with the parachute as it is."""
    chute, constant = scenario.parachute, fall_constant(scenario, truth)
    z, t, rows = start_m, at_s, [(start_m, at_s)]
    while z > ground_m:
        opened = min(0.5 + 0.5 * (max(t - truth.burst_s, 0.0) / chute.opening_s) ** 2, 1.0)
        speed_ms = constant * float(aloft_factor(z)) / math.sqrt(float(density(z)) * opened)
        step_s = min(10.0, (z - ground_m) / speed_ms + 1e-6)
        z, t = z - speed_ms * step_s, t + step_s
        rows.append((z, t))
    heights, times = np.array(rows).T
    return heights, times


def _seen(question: LandingQuestion) -> Array:
    """Bins of fixes, up and down apart: height, time, x, y, seconds, east, north, count."""
    x, y, z, t = question.x_m, question.y_m, question.z_m, question.time_s
    burst_s = question.burst_s or math.inf
    bins: dict[tuple[bool, int], list[tuple[float, ...]]] = {}
    for i, j, dt_s in pairs(question):
        middle_m, up = (z[i] + z[j]) / 2, bool(t[j] <= burst_s)
        if not up and t[i] < burst_s:
            continue
        row = (
            middle_m,
            (t[i] + t[j]) / 2,
            (x[i] + x[j]) / 2,
            (y[i] + y[j]) / 2,
            dt_s,
            (x[j] - x[i]) / dt_s,
            (y[j] - y[i]) / dt_s,
            1.0,
        )
        bins.setdefault((up, int(middle_m // _BIN_M)), []).append(row)
    rows = []
    for held in bins.values():
        mean = np.mean(held, axis=0)
        mean[7] = len(held)
        rows.append(mean)
    return np.array(rows)


def _drift(seen: Array, height_m: Array, when_s: Array) -> tuple[float, float]:
    order = np.argsort(seen[:, 0])
    moved = [
        float(np.trapezoid(np.interp(height_m, seen[order, 0], seen[order, axis]), when_s))
        for axis in (5, 6)
    ]
    return moved[0], moved[1]


def _friction(above_m: Array) -> Array:
    return np.asarray(np.clip((above_m + 2.0) / 300.0, 0.02, 1.0) ** 0.2)


def _covariance(field: WindField, a: Array, b: Array) -> Array:
    """Of one axis; rows of height, time, x, y. Headings of the modes are equally likely: Bessel's J0."""
    apart_s = np.abs(a[:, 1, None] - b[None, :, 1])
    apart_m = np.hypot(a[:, 2, None] - b[None, :, 2], a[:, 3, None] - b[None, :, 3])
    apart_z = np.abs(a[:, 0, None] - b[None, :, 0])
    total = np.zeros(apart_s.shape)
    for omega, variance, height_m in zip(*field.spectrum(), field.heights_m(), strict=True):
        alike = np.cos(omega * apart_s) * j0(omega / ADVECTION_MS * apart_m)
        total += variance * alike * np.exp(-apart_z / height_m)
    return np.asarray(total * np.outer(field.size_at(a[:, 0]), field.size_at(b[:, 0])))
