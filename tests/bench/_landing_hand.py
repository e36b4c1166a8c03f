"""The two usual methods that the prediction is measured against, written without the predictor's winds.

(a) by hand: each layer's ascent wind unchanged, the plan's fall speed scaled by standard density;
(b) the same with the fall speed refitted to the descent so far.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt

from server.flight.landing.question import LandingQuestion
from server.flight.landing.wind_covariance import CENTRES_M, LAYER_M, LAYERS
from server.flight.physics.atmosphere import GRAVITY_MS2, density_kg_m3

Array = npt.NDArray[np.float64]

_DRAG = 0.495  # the hand method's, from ../shared/checks.md

_Z: Array = np.arange(-500.0, 45_000.0, 25.0)
_ROOT = np.sqrt(density_kg_m3(_Z))
_INTEGRAL: Array = np.concatenate([[0.0], np.cumsum((_ROOT[1:] + _ROOT[:-1]) / 2 * 25.0)])


def fallen(z_m: float) -> float:
    """Integral of the square root of the standard density up to a height."""
    return float(np.interp(z_m, _Z, _INTEGRAL))


def pairs(question: LandingQuestion) -> list[tuple[int, int, float]]:
    """Consecutive fixes of one tracker: indices and seconds between them."""
    found = []
    for tracker in np.unique(question.tracker):
        of = np.flatnonzero(question.tracker == tracker)
        for i, j in itertools.pairwise(of):
            dt_s = float(question.time_s[j] - question.time_s[i])
            if 8.0 <= dt_s <= 200.0:
                found.append((int(i), int(j), dt_s))
    return found


def refitted(question: LandingQuestion, below_m: float = 1e9) -> float | None:
    """Fall speed times the root of the density, as the descent so far has it; None: too little."""
    z, t, burst_s = question.z_m, question.time_s, question.burst_s or 0.0
    found = [
        (fallen(z[i]) - fallen(z[j])) / dt_s
        for i, j, dt_s in pairs(question)
        if t[i] > burst_s + 30.0 and z[i] - z[j] > 20.0 and z[i] < below_m
    ]
    return float(np.median(found)) if len(found) >= 3 else None


def canopy_m2(question: LandingQuestion) -> tuple[float, float]:
    """Mass in kg and nominal area of the parachute in the plan."""
    descent = question.plan.descent
    assert descent.mass_kg is not None
    assert descent.parachute_diameter_m is not None
    return descent.mass_kg, math.pi * descent.parachute_diameter_m**2 / 4


def by_hand(question: LandingQuestion, ground_m: float, *, refit: bool) -> tuple[float, float]:
    """x and y of the landing in metres."""
    layers: list[list[tuple[float, float]]] = [[] for _ in range(LAYERS)]
    x, y, z, burst_s = question.x_m, question.y_m, question.z_m, question.burst_s or 0.0
    for i, j, dt_s in pairs(question):
        if question.time_s[j] <= burst_s:
            layer = min(max(int((z[i] + z[j]) / 2 // LAYER_M), 0), LAYERS - 1)
            layers[layer].append(((x[j] - x[i]) / dt_s, (y[j] - y[i]) / dt_s))
    known = [i for i in range(LAYERS) if layers[i]]
    medians = np.array([np.median(layers[i], axis=0) for i in known])
    east = np.interp(CENTRES_M, CENTRES_M[known], medians[:, 0])
    north = np.interp(CENTRES_M, CENTRES_M[known], medians[:, 1])
    mass_kg, area_m2 = canopy_m2(question)
    k = math.sqrt(2 * mass_kg * GRAVITY_MS2 / (_DRAG * area_m2))
    if refit:
        k = refitted(question) or k
    at_x, at_y, at_z = (axis.position for axis in question.motion)
    while at_z > ground_m:
        layer = min(max(math.ceil(at_z / LAYER_M) - 1, 0), LAYERS - 1)
        lower_m = max(layer * LAYER_M, ground_m)
        if lower_m >= at_z:
            break
        dt_s = (fallen(at_z) - fallen(lower_m)) / k
        at_x, at_y, at_z = at_x + east[layer] * dt_s, at_y + north[layer] * dt_s, lower_m
    return at_x, at_y
