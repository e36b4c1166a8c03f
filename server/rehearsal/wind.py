"""A wind that varies in height, time and place.

A profile of the day, plus random changes whose structure function follows the 2/3 law: the mean
square of the vector change after a time is proportional to that time to the power 2/3, as Merceret
(1997, "Rapid temporal changes of midtropospheric winds", J. Appl. Meteor. 36, 1567) found for 15
minutes to 4 hours. A distance counts like the time that the air takes to cross it. The size of the
changes at each height, how far flights differ in it, and its correlation with height are tuned beside
the real flights (`python -m tests.bench rehearsal`): between ascent and descent the middle flight's
vector wind changes by 3.7 m/s rms at 2 km above the launch and at 13 km, by 3.1 at 4 km and 3.3 at
20, though the time between shrinks from 102 minutes to 21; flights differ by a factor of 1.7 below 3 km and
of 1.3 above 10 (one standard deviation). The change is correlated 0.74 over 250 m, 0.39 over 500 m and
0.13 over 1 km. Slow changes are tall: one profile of a real ascent differs by only 3.1, 5.1 and 7.2 m/s
over 250, 500 and 1,000 m.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

HOUR_S = 3_600.0
CORRELATION_HEIGHT_M = 280.0  # of the quickest changes
_TALLER_FROM_S = 1.5 * HOUR_S  # a mode of a longer period is taller, by the root of the periods
_LEVEL_M = 100.0
_TOP_M = 42_000.0
_LEVELS = int(_TOP_M / _LEVEL_M) + 1
_LEVELS_M = np.arange(_LEVELS, dtype=np.float64) * _LEVEL_M
_PERIODS_S = np.geomspace(90.0, 5 * 86_400.0, 44)
ADVECTION_MS = 20.0  # turns distance into time
# size of the changes at a height above sea level: the day mixes the air below, waves grow above
_SIZE_AT_M = (1_000.0, 2_000.0, 3_000.0, 5_000.0, 9_000.0, 13_500.0, 20_000.0)
_SIZES = (1.6, 1.4, 1.18, 0.96, 1.13, 1.38, 1.28)
# log-normal, as Merceret's changes: between flights, and within one over some kilometres of height
_FLIGHT_SPREAD, _SPREAD_HEIGHT_M = 0.12, 4_000.0
_SPREAD_AT_M = (3_000.0, 6_000.0, 9_000.0)  # above sea level
_LAYER_SPREADS = (0.45, 0.30, 0.25)


@dataclass(frozen=True, slots=True)
class Layer:
    """One point of the day's profile; between points it is interpolated on both axes."""

    altitude_m: float
    from_deg: float
    speed_ms: float


def structure_weights() -> tuple[Array, Array]:
    """Angular frequency (rad/s) of each mode, and its share of the vector variance.

    Scaled so that the mean square vector change after one hour is 1.
    """
    omega = 2 * np.pi / _PERIODS_S
    share = omega ** (-2.0 / 3.0)  # a spectrum of omega^-5/3 in logarithmic steps
    share /= (2 * share * (1 - np.cos(omega * HOUR_S))).sum()
    return omega, share


class WindField:
    """Wind at any height, time and place of one flight. The same seed gives the same wind."""

    def __init__(
        self, profile: Sequence[Layer], change_ms: float, seed: int, *, spread: bool = True
    ) -> None:
        """`change_ms`: rms vector change after one hour at size 1 (`size_at`). `spread`: flights differ."""
        if not profile:
            raise ValueError("a wind profile needs at least one layer")
        chance = np.random.default_rng([seed, 1])
        layers = sorted(profile, key=lambda layer: layer.altitude_m)
        self._altitudes = np.array([layer.altitude_m for layer in layers])
        towards = np.radians([layer.from_deg + 180.0 for layer in layers])
        speeds = np.array([layer.speed_ms for layer in layers])
        self._mean = (speeds * np.sin(towards), speeds * np.cos(towards))
        self._strength = _strength(chance) if spread else np.ones(_LEVELS)
        omega, share = structure_weights()
        self._omega = omega
        heading = chance.uniform(0, 2 * np.pi, omega.size)
        self._east_rate = omega / ADVECTION_MS * np.sin(heading)
        self._north_rate = omega / ADVECTION_MS * np.cos(heading)
        self._variance = change_ms**2 * share / 2  # of each of the two axes
        self._between = np.exp(-_LEVEL_M / self.heights_m())  # correlation of neighbouring levels
        parts = _up_the_levels(chance.standard_normal((_LEVELS, 4, omega.size)), self._between)
        levels = self.size_at(_LEVELS_M)
        self._parts = parts * np.sqrt(self._variance) * levels[:, None, None]

    def mean(self, altitude_m: Array) -> tuple[Array, Array]:
        """The day's profile, from which the wind differs: towards east and north, m/s."""
        east, north = self._mean
        return (
            np.interp(altitude_m, self._altitudes, east),
            np.interp(altitude_m, self._altitudes, north),
        )

    def spectrum(self) -> tuple[Array, Array]:
        """Angular frequency (rad/s) of each mode, and its variance on one axis, (m/s)²."""
        return self._omega, self._variance

    @staticmethod
    def heights_m() -> Array:
        """Correlation height of each mode."""
        return np.asarray(
            CORRELATION_HEIGHT_M * np.sqrt(np.maximum(_PERIODS_S / _TALLER_FROM_S, 1.0))
        )

    def size_at(self, altitude_m: Array) -> Array:
        """How large the changes are at a height, on this flight; 1 is `change_ms` after an hour."""
        usual = np.interp(altitude_m, _SIZE_AT_M, _SIZES)
        return np.asarray(usual * np.interp(altitude_m, _LEVELS_M, self._strength))

    def at(
        self, altitude_m: Array, time_s: Array, east_m: Array, north_m: Array
    ) -> tuple[Array, Array]:
        """Wind towards east and north, m/s, at points of the same shape (one axis)."""
        place = np.clip(altitude_m / _LEVEL_M, 0.0, _LEVELS - 1.001)
        below = place.astype(int)
        part = place - below
        phase = np.outer(time_s, self._omega)
        phase -= np.outer(east_m, self._east_rate) + np.outer(north_m, self._north_rate)
        cosine, sine = np.cos(phase), np.sin(phase)
        # interpolated between levels with the variance kept
        part = part[:, None]
        keep = np.sqrt((1 - part) ** 2 + part**2 + 2 * part * (1 - part) * self._between)
        lower, upper = (1 - part) / keep, part / keep

        def change(first: int) -> Array:
            waves = np.zeros(altitude_m.shape)
            for wave, index in ((cosine, first), (sine, first + 1)):
                amplitude = (
                    lower * self._parts[below, index] + upper * self._parts[below + 1, index]
                )
                waves += np.einsum("ij,ij->i", amplitude, wave)
            return waves

        east, north = self.mean(altitude_m)
        return east + change(0), north + change(2)


def _strength(chance: np.random.Generator) -> Array:
    """By how much the changes are stronger than usual on one flight, level by level."""
    keep = np.exp(-_LEVEL_M / _SPREAD_HEIGHT_M)
    drawn = _up_the_levels(chance.standard_normal(_LEVELS), keep)
    spread = np.interp(_LEVELS_M, _SPREAD_AT_M, _LAYER_SPREADS)
    return np.asarray(np.exp(_FLIGHT_SPREAD * chance.standard_normal() + spread * drawn))


def _up_the_levels(shocks: Array, keep: Array | float) -> Array:
    """Normal draws, shape (levels, ...), each correlated by `keep` with the level below it."""
    drawn = shocks.copy()
    for i in range(1, len(drawn)):
        drawn[i] = keep * drawn[i - 1] + np.sqrt(1 - keep**2) * shocks[i]
    return drawn
