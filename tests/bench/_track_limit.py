"""What any filter can know of a held-out fix: by gap, by a richer model, and with the later fixes.

The richer model: velocity is a random walk and a part that comes back to it (Ornstein-Uhlenbeck;
Bar-Shalom, Li and Kirubarajan 2001, ch. 8.2: correlated noise by augmentation), both driven by the
wind's shear and so by the climb rate. Its constants were fitted on these same held-out fixes by their
likelihood (Nelder-Mead, 8 constants), in its own favour: what it does not gain, no tuning gains.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

GAPS_S = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0)
# walk m²/s³, and for each m/s of climb; part that comes back m/s, its rate 1/s, and height m
WALK, WALK_PER_MS, SIGMA_MS, RATE, HEIGHT_M = 0.012, 0.0266, 1.96, 0.0027, 213.0
COARSE_M, FINE_M, TIMING_S = 8.77, 7.25, 0.40  # of a fix by its format's step, and of its second
_FINE_STEP_M, _FASTEST_MS = 5.0, 25.0


class Heard(NamedTuple):
    """One fix on the plane: seconds, metres; `climb_ms` as known before it."""

    time_s: float
    place_m: np.ndarray
    step_m: float
    climb_ms: float
    held: bool


def richer_errors_m(heard: list[Heard]) -> list[float]:
    """Of each held-out fix, predicted from those before it; the same for both axes' covariance."""
    mean, covariance, last_s = None, np.zeros((3, 3)), 0.0
    errors = []
    for fix in heard:
        noise = (FINE_M if fix.step_m < _FINE_STEP_M else COARSE_M) ** 2
        if mean is None:
            mean = np.vstack([fix.place_m, np.zeros((2, 2))])
            covariance, last_s = np.diag([noise, 400.0, SIGMA_MS**2]), fix.time_s
            continue
        dt = max(fix.time_s - last_s, 0.0)
        move, stir = _motion(dt, min(abs(fix.climb_ms), _FASTEST_MS))
        expected, spread = move @ mean, move @ covariance @ move.T + stir
        off = fix.place_m - expected[0]
        if fix.held:
            errors.append(float(np.hypot(*off)))
            continue
        noise += TIMING_S**2 * float(((expected[1] + expected[2]) ** 2).sum()) / 2
        gain = spread[:, 0] / (spread[0, 0] + noise)
        mean = expected + np.outer(gain, off)
        covariance, last_s = spread - np.outer(gain, spread[0]), fix.time_s
    return errors


def between_errors_m(heard: list[Heard]) -> list[float]:
    """Of each held-out fix against the straight line between the fixes before and after it."""
    used = [i for i, fix in enumerate(heard) if not fix.held]
    times = np.array([heard[i].time_s for i in used])
    places = np.array([heard[i].place_m for i in used])
    return [
        float(
            np.hypot(
                *(
                    fix.place_m[axis] - np.interp(fix.time_s, times, places[:, axis])
                    for axis in (0, 1)
                )
            )
        )
        for fix in heard
        if fix.held
    ]


def by_gap(
    gap_s: list[float], fused_m: list[float], plain_m: list[float]
) -> dict[str, dict[str, float]]:
    """Medians and 95 % by the time since the last fix before."""
    gaps, fused, plain = np.array(gap_s), np.array(fused_m), np.array(plain_m)
    told = {}
    for low, high in zip(GAPS_S, (*GAPS_S[1:], np.inf), strict=True):
        of = (gaps >= low) & (gaps < high)
        if of.sum() > 10:
            told[f"from {low:.0f} s"] = {
                "n": int(of.sum()),
                "fused_median_m": float(np.median(fused[of])),
                "plain_median_m": float(np.median(plain[of])),
                "fused_p95_m": float(np.quantile(fused[of], 0.95)),
                "plain_p95_m": float(np.quantile(plain[of], 0.95)),
            }
    return told


def _motion(dt_s: float, climb_ms: float) -> tuple[np.ndarray, np.ndarray]:
    """Transition and process noise of position, walking velocity and the part that comes back."""
    rate = RATE + climb_ms / HEIGHT_M
    keep = np.exp(-rate * dt_s)
    move = np.array([[1.0, dt_s, (1 - keep) / rate], [0.0, 1.0, 0.0], [0.0, 0.0, keep]])
    psd = WALK + WALK_PER_MS * climb_ms
    stir = np.zeros((3, 3))
    stir[:2, :2] = psd * np.array([[dt_s**3 / 3, dt_s**2 / 2], [dt_s**2 / 2, dt_s]])
    integrated = 2 * dt_s / rate - (3 - 4 * keep + keep**2) / rate**2
    stir[0, 0] += SIGMA_MS**2 * max(integrated, 0.0)
    stir[0, 2] = stir[2, 0] = SIGMA_MS**2 * (1 - keep) ** 2 / rate
    stir[2, 2] = SIGMA_MS**2 * (1 - keep**2)
    return move, stir
