"""Against filterpy, a reference library, and the textbook equations written longhand."""

from __future__ import annotations

import filterpy.common
import filterpy.kalman
import numpy as np
import pytest

from server.flight.track import kalman
from server.flight.track.kalman import Axis

MEASURED = [3.0, 41.0, 77.5, 121.0, 155.0, 201.0, 239.5]
STEPS_S = [0.0, 7.0, 8.0, 9.5, 6.0, 9.0, 8.0]
VARIANCE, PSD = 25.0, 0.3
START = Axis(0.0, 0.0, 100.0, 0.0, 64.0)
NINE_DIGITS = 1e-9


def oracle() -> filterpy.kalman.KalmanFilter:
    kf = filterpy.kalman.KalmanFilter(dim_x=2, dim_z=1)
    kf.x = np.array([START.position, START.velocity])
    kf.P = matrix(START)
    kf.H = np.array([[1.0, 0.0]])
    kf.R = np.array([[VARIANCE]])
    return kf


def matrix(axis: Axis) -> np.ndarray:
    return np.array([[axis.var_position, axis.covariance], [axis.covariance, axis.var_velocity]])


def transition(dt_s: float) -> np.ndarray:
    return np.array([[1.0, dt_s], [0.0, 1.0]])


def process_noise(dt_s: float) -> np.ndarray:
    # white acceleration of density q: Bar-Shalom, Li, Kirubarajan 2001, eq. 6.2.2-12
    return PSD * np.array([[dt_s**3 / 3, dt_s**2 / 2], [dt_s**2 / 2, dt_s]])


def run_both() -> tuple[list[Axis], list[Axis], np.ndarray, np.ndarray, list[np.ndarray]]:
    kf, axis = oracle(), START
    filtered, predicted, means, covariances, transitions = [], [], [], [], []
    for z, dt_s in zip(MEASURED, STEPS_S, strict=True):
        kf.predict(F=transition(dt_s), Q=process_noise(dt_s))
        kf.update(z)
        ahead = kalman.predict(axis, dt_s, PSD)
        axis = kalman.update(ahead, z, VARIANCE)
        predicted.append(ahead)
        filtered.append(axis)
        means.append(kf.x.copy())
        covariances.append(kf.P.copy())
        transitions.append(transition(dt_s))
    return filtered, predicted, np.array(means), np.array(covariances), transitions


def test_filter_agrees_with_filterpy() -> None:
    filtered, _, means, covariances, _ = run_both()
    for axis, mean, covariance in zip(filtered, means, covariances, strict=True):
        np.testing.assert_allclose([axis.position, axis.velocity], mean, rtol=NINE_DIGITS)
        np.testing.assert_allclose(matrix(axis), covariance, rtol=NINE_DIGITS)


def test_smoother_agrees_with_filterpy() -> None:
    filtered, predicted, means, covariances, transitions = run_both()
    noises = [process_noise(dt_s) for dt_s in STEPS_S]
    xs, ps, _, _ = oracle().rts_smoother(means, covariances, Fs=transitions, Qs=noises)
    later = filtered[-1]
    for k in range(len(filtered) - 2, -1, -1):
        later = kalman.smooth(filtered[k], predicted[k + 1], later, STEPS_S[k + 1])
        np.testing.assert_allclose([later.position, later.velocity], xs[k], rtol=NINE_DIGITS)
        np.testing.assert_allclose(matrix(later), ps[k], rtol=1e-8)


def test_innovation_density_is_gaussian() -> None:
    _, normalised_squared, log_density = kalman.meet(Axis(1.0, 0.0, 3.0, 0.0, 1.0), 4.0, 6.0)
    assert normalised_squared == pytest.approx(1.0)
    assert np.exp(log_density) == pytest.approx(np.exp(-0.5) / np.sqrt(2 * np.pi * 9.0))


def test_mixture_moments() -> None:
    rng = np.random.default_rng(3)
    a, b = Axis(0.0, 1.0, 4.0, 1.0, 2.0), Axis(10.0, -3.0, 1.0, 0.2, 0.5)
    mixed = kalman.mix([a, b], [0.3, 0.7])
    n = 400_000
    drawn = np.concatenate(
        [
            rng.multivariate_normal([x.position, x.velocity], matrix(x), int(n * w))
            for x, w in ((a, 0.3), (b, 0.7))
        ]
    )
    np.testing.assert_allclose([mixed.position, mixed.velocity], drawn.mean(axis=0), atol=0.02)
    np.testing.assert_allclose(matrix(mixed), np.cov(drawn.T), rtol=0.02)
