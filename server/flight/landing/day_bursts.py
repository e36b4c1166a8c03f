"""Where the other balloons of a day have burst says something of where this one will.

Same hands, same gas, balloons out of one box: of the 18 pairs of shared real flights that were launched
within an hour of each other (12 days), how far above or below the usual height each burst correlates by
0.62; with one day left out in turn by 0.18 to 0.77. Conditioning of a normal distribution (Rasmussen and
Williams 2006, eq. A.6), with a correlation that fades with time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from server.flight.inputs import BalloonPlan
from server.flight.physics.lift import usual_burst

_ALIKE = 0.4  # between what was found with all days and without the one that tells most
_FADES_S = 12 * 3_600.0  # our choice: another day's balloons are others'


class SeenBurst(NamedTuple):
    """Of another balloon: when and where, and what had been expected of it; None: nobody had said."""

    time_s: float
    altitude_m: float
    expected_m: float | None
    sigma_m: float


def seen(balloon: BalloonPlan, time_s: float, altitude_m: float) -> SeenBurst:
    """The burst of a balloon of that plan."""
    usual = usual_burst(None)
    said = (balloon.burst_altitude_m, balloon.burst_altitude_sigma_m)
    expected_m = None if said == usual else balloon.burst_altitude_m
    return SeenBurst(time_s, altitude_m, expected_m, balloon.burst_altitude_sigma_m)


def expected(balloon: BalloonPlan, others: Iterable[SeenBurst], at_s: float) -> tuple[float, float]:
    """Mean and standard deviation of the burst's altitude in metres, with what the others showed.

    Of whom nobody said what was expected, the same is taken as of this one.
    """
    mean_m, sigma_m = balloon.burst_altitude_m, balloon.burst_altitude_sigma_m
    bursts = list(others)
    if not bursts:
        return mean_m, sigma_m
    above = np.array([
        (b.altitude_m - mean_m) / sigma_m
        if b.expected_m is None
        else (b.altitude_m - b.expected_m) / b.sigma_m
        for b in bursts
    ])  # fmt: skip
    time_s = np.array([b.time_s for b in bursts])
    among = _ALIKE * np.exp(-np.abs(time_s[:, None] - time_s[None, :]) / _FADES_S)
    np.fill_diagonal(among, 1.0)
    across = _ALIKE * np.exp(-np.abs(time_s - at_s) / _FADES_S)
    weight = np.linalg.solve(among, across)
    left = math.sqrt(1.0 - float(weight @ across))
    return mean_m + sigma_m * float(weight @ above), sigma_m * left
