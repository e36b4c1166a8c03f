"""How wrong a forecast is, told by what was measured: against scipy's density, and where it is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import multivariate_normal

from server.flight.landing.forecast_doubt import as_forecast, shown_factors
from server.flight.landing.wind_covariance import (
    CENTRES_M,
    Places,
    WindConstants,
    covariance_between,
    unrest_by_height,
)
from server.flight.landing.winds import Forecasts, WindSamples, profile_about

Array = npt.NDArray[np.float64]
C = replace(WindConstants(), lasting_sigma_ms=WindConstants().forecast_sigma_ms)
GROUND_M = 500.0


def climb(layers: int, east_ms: Array, north_ms: Array) -> WindSamples:
    layer = np.arange(2, 2 + layers)
    still = np.zeros(layers)
    time_s = 50.0 * layer.astype(np.float64)
    return WindSamples(layer, time_s, east_ms, north_ms, np.full(layers, 0.5), still, still)


def places(layer: np.ndarray) -> Places:
    still = np.zeros(len(layer))
    return Places(layer, 50.0 * layer, unrest_by_height(layer, GROUND_M, C), still, still)


def covariance(layer: np.ndarray, error: float, fading: float) -> np.ndarray:
    of = places(layer)
    c = replace(
        C, lasting_sigma_ms=error * C.lasting_sigma_ms, fading_sigma_ms=fading * C.fading_sigma_ms
    )
    noise = 0.5**2 + C.sampling_sigma_ms**2
    return covariance_between(of, of, c) + noise * np.eye(len(layer))


def test_the_factors_are_the_posteriors_of_a_library() -> None:
    """Evidence on the same two grids by scipy.stats.multivariate_normal (its own factorisation)."""
    chance = np.random.default_rng(3)
    layer = np.arange(2, 32)
    difference_ms = np.linalg.cholesky(covariance(layer, 1.4, 0.8)) @ chance.standard_normal(
        (30, 2)
    )
    errors, fadings = np.geomspace(0.25, 2.5, 8), np.geomspace(0.4, 1.6, 5)
    log = np.array([
        [
            sum(
                multivariate_normal(cov=covariance(layer, a, b)).logpdf(side)
                for side in difference_ms.T
            )
            - (np.log(a) / 0.6 + 0.6) ** 2 / 2
            - (np.log(b) / 0.4 + 0.4) ** 2 / 2
            for b in fadings
        ]
        for a in errors
    ])  # fmt: skip
    weight = np.exp(log - log.max())
    expected = (
        np.sqrt((weight.sum(axis=1) * errors**2).sum() / weight.sum()),
        np.sqrt((weight.sum(axis=0) * fadings**2).sum() / weight.sum()),
    )
    assert shown_factors(climb(30, *difference_ms.T), GROUND_M, C) == pytest.approx(expected)


def test_nothing_measured_says_nothing() -> None:
    assert shown_factors(climb(0, np.empty(0), np.empty(0)), GROUND_M, C) == (1.0, 1.0)


@pytest.mark.parametrize("layers", [1, 40, 120])
def test_a_forecast_that_is_met_is_trusted_and_one_that_is_not_is_doubted(layers: int) -> None:
    """The more, the more was measured; of 120 samples some tell it."""
    right, _ = shown_factors(climb(layers, np.zeros(layers), np.zeros(layers)), GROUND_M, C)
    off_ms = np.full(layers, 12.0)
    wrong, _ = shown_factors(climb(layers, off_ms, -off_ms), GROUND_M, C)
    assert right < 1.0 < wrong
    if layers > 1:
        assert right < 0.5
        assert wrong > 1.25


def test_the_wind_above_is_known_as_well_as_the_forecast_was_below() -> None:
    """1 sigma at 20 km, seen from 10 km: as the climb shows the forecast to be."""
    above = np.array([int(np.searchsorted(CENTRES_M, 20_000.0))])
    still = np.zeros(1)
    sigma_ms = []
    for off_ms in (0.0, 3.5, 10.0):
        met = climb(38, np.full(38, off_ms), np.full(38, -off_ms))
        forecast = Forecasts((np.zeros(38), np.zeros(38)), (np.full(1, 20.0), np.zeros(1)))
        doubt = as_forecast(forecast, met, GROUND_M, WindConstants())
        wind = profile_about(
            forecast, met, above, np.full(1, 4_000.0), (still, still), GROUND_M, doubt
        )
        assert wind.east_ms[0] == pytest.approx(20.0, abs=1.0), "far above it is the forecast's"
        sigma_ms.append(float(np.sqrt(wind.covariance[0, 0])))
    assert sigma_ms[0] < sigma_ms[1] < sigma_ms[2]
    assert sigma_ms[0] < 0.75 * sigma_ms[2]
