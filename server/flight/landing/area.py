"""From landings of an ensemble to a point and to areas of a stated chance."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_CORNERS = 48
_LEAST_SIGMA_M = 5.0


class Area(NamedTuple):
    """A closed ring in metres, shape (corners + 1, 2), anticlockwise, and its mean radius."""

    ring_m: Array
    radius_m: float


def centre(x_m: Array, y_m: Array) -> tuple[float, float]:
    """The mean of all members: the place with the least expected square of the way to the landing.

    The median leaves those few out whose parachute failed, and with them the tail of the errors.
    """
    return float(np.mean(x_m)), float(np.mean(y_m))


def area(x_m: Array, y_m: Array, middle: tuple[float, float], share: float) -> Area:
    """The ellipse about `middle`, shaped by the central members, that holds `share` of them all."""
    offsets = np.column_stack([x_m - middle[0], y_m - middle[1]])
    shape = _robust_covariance(offsets)
    inverse = np.linalg.inv(shape)
    squared = np.einsum("mi,ij,mj->m", offsets, inverse, offsets)
    size = float(np.sqrt(np.quantile(squared, share)))
    angle = np.linspace(0.0, 2 * np.pi, _CORNERS + 1)
    root = np.linalg.cholesky(shape)
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) @ root.T * size + np.array(middle)
    ring[-1] = ring[0]
    radius_m = size * float(np.linalg.det(shape)) ** 0.25
    return Area(ring, radius_m)


def _robust_covariance(offsets: Array) -> Array:
    squared = (offsets**2).sum(axis=1)
    near = offsets[squared <= np.quantile(squared, 0.9)]
    covariance = near.T @ near / len(near)
    return np.asarray(covariance + _LEAST_SIGMA_M**2 * np.eye(2))


def inside(ring_m: Array, x_m: Array, y_m: Array) -> npt.NDArray[np.bool_]:
    """Which points lie within a closed ring (even-odd rule)."""
    result = np.zeros(np.shape(x_m), dtype=bool)
    for (ax, ay), (bx, by) in zip(ring_m[:-1].tolist(), ring_m[1:].tolist(), strict=True):
        if ay == by:
            continue
        crosses = (ay > y_m) != (by > y_m)
        result ^= crosses & (x_m < (bx - ax) * (y_m - ay) / (by - ay) + ax)
    return result
