"""The burst altitude as expected at the launch, of the real flights whose log tells the balloon's mass."""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize

from server.flight.landing.climb import Climb
from server.flight.physics.lift import usual_burst
from server.journal.recording import read_recording
from tests.flights import flown, real_logs

_PER_LOG_M = 4_440.0
_LEAST_BURST_M = 15_000.0  # one was let go by a fault at 3,400 m


def burst_figures() -> dict[str, float]:
    """`rms_m` about what is expected, `cover90` of its 90 % interval; with the distribution in the code, and
    as `without_day_...` with mean and width fitted on the flights of other days."""
    days, balloon_kg, burst_m = _bursts()
    off_m, held = _judged(burst_m, np.array([usual_burst(kg) for kg in balloon_kg]))
    expected = []
    for day, kg in zip(days, balloon_kg, strict=True):
        other = np.array([of != day for of in days])
        start_m = np.array([usual_burst(1.0).mean_m, _PER_LOG_M, usual_burst(1.0).sigma_m])
        fitted = minimize(
            _unlikely,
            np.ones(3),
            (start_m, np.log(balloon_kg[other]), burst_m[other]),
            "Nelder-Mead",
        )
        at_1_kg_m, per_log_m, sigma_m = fitted.x * start_m
        expected.append((at_1_kg_m + per_log_m * np.log(kg), sigma_m))
    without_m, without_held = _judged(burst_m, np.array(expected))
    return {
        "n": len(burst_m),
        "rms_m": float(np.sqrt(np.mean(off_m**2))),
        "cover90": float(np.mean(held)),
        "without_day_rms_m": float(np.sqrt(np.mean(without_m**2))),
        "without_day_cover90": float(np.mean(without_held)),
    }


def _judged(burst_m: np.ndarray, expected: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Errors in metres, and which bursts the 90 % interval holds; `expected`: mean and sigma, (n, 2)."""
    ends = np.array([0.05, 0.95])
    intervals = np.array([Climb(5.0, 1.0, *usual).drawn_burst_m(0.0, ends) for usual in expected])
    return burst_m - expected[:, 0], (intervals[:, 0] <= burst_m) & (burst_m <= intervals[:, 1])


def _unlikely(
    share: np.ndarray, of_m: np.ndarray, log_kg: np.ndarray, burst_m: np.ndarray
) -> float:
    """Minus the log likelihood of a Gumbel distribution of minima; `share` of `of_m`: mean at 1 kg, its
    growth with the mass' logarithm, standard deviation."""
    at_1_kg_m, per_log_m, sigma_m = share * of_m
    scale_m = sigma_m * np.sqrt(6.0) / np.pi
    z = (burst_m - at_1_kg_m - per_log_m * log_kg) / scale_m - np.euler_gamma
    return float((np.log(scale_m) - z + np.exp(z)).sum())


def _bursts() -> tuple[list[str], np.ndarray, np.ndarray]:
    days, balloon_kg, burst_m = [], [], []
    for log in real_logs():
        recording = read_recording(log)
        bursts = [e for e in flown(log).events() if e.kind == "burst"]
        if "balloon_g" in recording.header and bursts and bursts[-1].altitude_m > _LEAST_BURST_M:
            days.append(recording.header["day"])
            balloon_kg.append(float(recording.header["balloon_g"]) / 1_000.0)
            burst_m.append(bursts[-1].altitude_m)
    return days, np.array(balloon_kg), np.array(burst_m)
