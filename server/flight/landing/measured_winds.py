"""Winds that something else has measured: another box of the day, a radiosonde. One form for all.

Each value has its place, its moment and its error; that an old or a distant one counts for less is the
business of the wind field (`winds`), not of whoever measured it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from server.flight.landing.day_bursts import SeenBurst
from server.flight.landing.wind_covariance import CENTRES_M, LAYER_M, LAYERS
from server.flight.landing.winds import WindSamples
from server.flight.physics.geodesy import LocalFrame

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredWinds:
    """Arrays have one shape (n,): UTC seconds, degrees, metres above sea level, m/s by true north, and
    1 sigma of the measurement alone. Equal to itself alone."""

    name: str  # of the flight, station or file, for people
    time_s: Array
    latitude_deg: Array
    longitude_deg: Array
    altitude_m: Array
    east_ms: Array
    north_ms: Array
    sigma_ms: Array
    # of the balloon that flew through them
    burst: SeenBurst | None = field(default=None, kw_only=True)

    def until(self, time_s: float) -> MeasuredWinds:
        """What had been measured by then."""
        known = self.time_s <= time_s
        columns = (
            self.time_s,
            self.latitude_deg,
            self.longitude_deg,
            self.altitude_m,
            self.east_ms,
            self.north_ms,
            self.sigma_ms,
        )
        burst = self.burst if self.burst is not None and self.burst.time_s <= time_s else None
        return MeasuredWinds(self.name, *(column[known] for column in columns), burst=burst)


def measured(
    name: str, seen: WindSamples, frame: LocalFrame, burst: SeenBurst | None = None
) -> MeasuredWinds:
    """What a flight met, from the layers' means in its own frame."""
    latitude_deg, longitude_deg = frame.to_latlon(seen.x_m, seen.y_m)
    return MeasuredWinds(
        name,
        seen.time_s,
        np.asarray(latitude_deg),
        np.asarray(longitude_deg),
        CENTRES_M[seen.layer],
        seen.east_ms,
        seen.north_ms,
        seen.sigma_ms,
        burst=burst,
    )


def in_frame(others: tuple[MeasuredWinds, ...], frame: LocalFrame) -> WindSamples:
    """All of them as samples of layers in a flight's frame; several of one layer and hour are their mean."""
    parts = [_in_frame(one, frame) for one in others]
    return WindSamples(
        np.concatenate([part.layer for part in parts] or [np.empty(0, dtype=np.int64)]),
        *(
            np.concatenate([column[i] for column in parts] or [np.empty(0)])
            for i in range(1, len(WindSamples._fields))
        ),
    )


_TOGETHER_S = 3_600.0  # values of one layer within so long are one sample


def _in_frame(one: MeasuredWinds, frame: LocalFrame) -> WindSamples:
    layer = (one.altitude_m // LAYER_M).astype(np.int64)
    inside = (layer >= 0) & (layer < LAYERS)
    x_m, y_m = frame.to_xy(one.latitude_deg, one.longitude_deg)
    hour = (one.time_s // _TOGETHER_S).astype(np.int64)
    _, of_group = np.unique(np.column_stack([layer, hour])[inside], axis=0, return_inverse=True)
    of_group = of_group.reshape(-1)
    groups = int(of_group.max()) + 1 if of_group.size else 0
    weight = 1.0 / np.maximum(one.sigma_ms[inside], 1e-3) ** 2
    total = np.bincount(of_group, weight, groups)

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(of_group, weight * values[inside], groups) / total)

    of_layer = np.zeros(groups, dtype=np.int64)
    of_layer[of_group] = layer[inside]
    # errors of one source stay together: a mean of many is no surer than the best of them
    least = np.full(groups, np.inf)
    np.minimum.at(least, of_group, one.sigma_ms[inside])
    return WindSamples(
        of_layer,
        mean(one.time_s),
        mean(one.east_ms),
        mean(one.north_ms),
        least,
        mean(np.asarray(x_m)),
        mean(np.asarray(y_m)),
    )


def joined(own: WindSamples, other: WindSamples) -> WindSamples:
    """Both, the own first."""
    return WindSamples(*(np.concatenate(pair) for pair in zip(own, other, strict=True)))
