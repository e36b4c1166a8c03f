"""What any filter can know of a held-out fix: mixtures of plain filters, and the later fix.

A bank of constant-velocity filters (four process noises, two scatters of a fix) is run over the same
fixes, and once more in air that moves as the winds met on the way up say. Its predictions are mixed with
weights that sum to one, apart for each gap and for the way up and down, and chosen so that the sum of
the errors is least (iteratively reweighted least squares). Chosen on the judged fixes themselves this is
better than the best that any mixture of such filters can promise; chosen on other days it is what one
could have. On the way down the bank is told the altitude of the fix that it predicts, in its favour.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from server.flight.track.recent import Point
from server.flight.track.winds_met import WindsMet, climbed, drift

GAPS_S = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0)
_PSD, _NOISE = (
    column.ravel() for column in np.meshgrid([0.01, 0.1, 1.0, 10.0], [7.0**2, 15.0**2])
)  # m²/s³, m²
_SPEED_SIGMA_MS = 20.0
_FALLS_MS = -1.0
_ROUNDS = 40
_LEAST_M = 3.0  # of an error, where its inverse is a weight
_FEWEST = 40  # fixes of other days, for weights of their own


class Heard(NamedTuple):
    """One fix on the plane: seconds, metres; `climb_ms` as known before it."""

    time_s: float
    place_m: np.ndarray
    z_m: float | None
    climb_ms: float
    held: bool


class Asked(NamedTuple):
    """A held-out fix: what each filter of the bank said, plain and in moving air, shape (k, 2)."""

    day: str
    gap_s: float
    falls: bool
    place_m: np.ndarray
    plain: np.ndarray
    in_winds: np.ndarray


def bank(heard: list[Heard], day: str) -> list[Asked]:
    """Of each held-out fix of one flight, in its order."""
    asked: list[Asked] = []
    plain, moved, winds = _Bank(), _Bank(), WindsMet()
    for fix in heard:
        if plain.time_s is None:
            plain.begin(fix)
            moved.begin(fix)
            continue
        blown = np.zeros((2, 2))
        falls = fix.climb_ms < _FALLS_MS
        if falls and fix.z_m is not None and moved.z_m is not None:
            told = drift(winds, moved.z_m, fix.z_m, max(fix.time_s - plain.time_s, 0.0))
            blown = blown if told is None else np.array(told)
        if fix.held:
            gap_s = fix.time_s - plain.time_s
            said = plain.at(fix.time_s), moved.at(fix.time_s) + blown[0]
            asked.append(Asked(day, gap_s, falls, fix.place_m, *said))
            continue
        plain.take(fix, np.zeros((2, 2)))
        moved.take(fix, blown)
        if not falls and fix.z_m is not None:
            x_m, y_m = fix.place_m
            winds = climbed(winds, Point(fix.time_s, float(x_m), float(y_m), fix.z_m))
    return asked


class _Bank:
    """Mean (k, position and velocity, axis) and covariance (k: pp, pv, vv) of k filters."""

    def __init__(self) -> None:
        self.time_s: float | None = None
        self.z_m: float | None = None

    def begin(self, fix: Heard) -> None:
        self.time_s, self.z_m = fix.time_s, fix.z_m
        self._mean = np.zeros((len(_PSD), 2, 2))
        self._mean[:, 0] = fix.place_m
        speed = np.full_like(_PSD, _SPEED_SIGMA_MS**2)
        self._cov = np.stack([_NOISE, np.zeros_like(_PSD), speed])

    def at(self, time_s: float) -> np.ndarray:
        dt_s = time_s - (self.time_s or 0.0)
        return np.asarray(self._mean[:, 0] + max(dt_s, 0.0) * self._mean[:, 1])

    def take(self, fix: Heard, blown: np.ndarray) -> None:
        dt_s = max(fix.time_s - (self.time_s or 0.0), 0.0)
        self._mean[:, 0] = self.at(fix.time_s)
        self._mean += blown
        pp, pv, vv = self._cov
        q = _PSD * dt_s
        pp, pv, vv = (
            pp + 2 * dt_s * pv + dt_s**2 * vv + q * dt_s**2 / 3,
            pv + dt_s * vv + q * dt_s / 2,
            vv + q,
        )
        gain = np.stack([pp, pv]) / (pp + _NOISE)
        off = fix.place_m - self._mean[:, 0]
        self._mean += gain.T[:, :, None] * off[:, None, :]
        self._cov = np.stack([pp * (1 - gain[0]), pv * (1 - gain[0]), vv - gain[1] * pv])
        self.time_s = fix.time_s
        self.z_m = fix.z_m if fix.z_m is not None else self.z_m


def mixed_errors_m(asked: list[Asked], *, winds: bool, by_days: bool) -> np.ndarray:
    """Errors of the mixture; `by_days`: with weights from the other days."""
    said = np.array([np.concatenate([a.plain, a.in_winds]) if winds else a.plain for a in asked])
    places = np.array([a.place_m for a in asked])
    days = np.array([a.day for a in asked])
    kinds = [2 * np.searchsorted(GAPS_S, a.gap_s, side="right") + a.falls for a in asked]
    errors = np.empty(len(asked))
    for kind in np.unique(kinds):
        of = np.flatnonzero(kinds == kind)
        groups = [of[days[of] == day] for day in np.unique(days[of])] if by_days else [of]
        for judged in groups:
            learned = np.setdiff1d(of, judged) if by_days else of
            weights = _weights(said, places, learned if len(learned) >= _FEWEST else of)
            errors[judged] = _errors(said[judged], places[judged], weights)
    return errors


def _weights(said: np.ndarray, places: np.ndarray, of: np.ndarray) -> np.ndarray:
    """Of all predictions but the first, whose weight is what is left to one."""
    first = said[of, 0]
    apart = said[of, 1:] - first[:, None]
    columns = apart.transpose(0, 2, 1).reshape(-1, apart.shape[1])
    wanted = (places[of] - first).ravel()
    weights = np.zeros(apart.shape[1])
    for _ in range(_ROUNDS):
        errors = _errors(said[of], places[of], weights)
        root = np.repeat(np.maximum(errors, _LEAST_M) ** -0.5, 2)
        weights = np.linalg.lstsq(root[:, None] * columns, root * wanted, rcond=1e-6)[0]
    return weights


def _errors(said: np.ndarray, places: np.ndarray, weights: np.ndarray) -> np.ndarray:
    mixed = said[:, 0] + np.einsum("nka,k->na", said[:, 1:] - said[:, :1], weights)
    return np.asarray(np.hypot(*(mixed - places).T))


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
