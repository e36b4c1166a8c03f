"""How wrong a forecast is on this day, told by the winds that were measured.

How wrong, by factors of its usual error and of the changes that it does not resolve: the likelihood of all
that was measured less what was forecast there and then (a Gaussian process' evidence, Rasmussen and Williams
2006, eq. 2.30), with log-normal priors about 1. A forecast that the climb agrees with is trusted further up;
one that it contradicts is not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from server.flight.landing.wind_covariance import (
    Places,
    WindConstants,
    covariance_between,
    unrest_by_height,
)
from server.flight.landing.winds import Forecasts, WindSamples, apart_from

Array = npt.NDArray[np.float64]

# factors of the forecast's error and of the changes that no forecast resolves, and 1 sigma of their
# logarithms beforehand; our choice
_ERROR: Array = np.geomspace(0.25, 2.5, 8)
_FADING: Array = np.geomspace(0.4, 1.6, 5)
_ERROR_SIGMA, _FADING_SIGMA = 0.6, 0.4
_PRIOR: Array = np.add.outer(
    -((np.log(_ERROR) / _ERROR_SIGMA + _ERROR_SIGMA) ** 2) / 2,  # about a root mean square of 1
    -((np.log(_FADING) / _FADING_SIGMA + _FADING_SIGMA) ** 2) / 2,
)
_SAMPLES = 45  # so many tell it, evenly taken; more cost more and say little more


def as_forecast(
    forecast: Forecasts, seen: WindSamples, ground_m: float, constants: WindConstants
) -> WindConstants:
    """For `winds.profile_about`: the forecast's own doubt in the place of the lasting part."""
    c = constants
    own = replace(c, lasting_sigma_ms=c.forecast_sigma_ms)
    if forecast.spread is not None:  # what the members agree in may still be wrong
        least_ms = c.forecast_least_ms
        doubt = tuple((z, float(np.hypot(sigma, least_ms))) for z, sigma in forecast.spread)
        own = replace(c, lasting_sigma_ms=1.0, lasting_shape=doubt)
    error, fading = shown_factors(apart_from(forecast, seen), ground_m, own)
    return replace(
        own,
        lasting_sigma_ms=error * own.lasting_sigma_ms,
        fading_sigma_ms=fading * own.fading_sigma_ms,
    )


def shown_factors(
    apart: WindSamples, ground_m: float, constants: WindConstants
) -> tuple[float, float]:
    """Root mean squares of what the forecast's error and the fading part are multiplied with.

    `apart`: winds met less those forecast. `constants`: the lasting part is the forecast's error. Both 1
    where nothing was measured.
    """
    c = constants
    count = len(apart.layer)
    if count == 0:
        return 1.0, 1.0
    some = slice(None, None, -(-count // _SAMPLES))
    layer = apart.layer[some]
    unrest = unrest_by_height(layer, ground_m, c)
    places = Places(layer, apart.time_s[some], unrest, apart.x_m[some], apart.y_m[some])
    fading = covariance_between(places, places, replace(c, lasting_sigma_ms=0.0))
    error = covariance_between(places, places, c) - fading
    noise = np.diag(apart.sigma_ms[some] ** 2 + c.sampling_sigma_ms**2)
    scaled = np.multiply.outer(_ERROR**2, error)[:, None] + np.multiply.outer(_FADING**2, fading)
    root = np.linalg.cholesky(scaled + noise)  # of every pair of factors
    apart_ms = np.column_stack([apart.east_ms[some], apart.north_ms[some]])
    whitened = np.linalg.solve(root, apart_ms)
    size = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
    log_posterior = _PRIOR - (whitened**2).sum(axis=(-2, -1)) / 2 - 2 * size
    weight = np.exp(log_posterior - log_posterior.max())
    return (
        float(np.sqrt(np.average(_ERROR**2, weights=weight.sum(axis=1)))),
        float(np.sqrt(np.average(_FADING**2, weights=weight.sum(axis=0)))),
    )
