"""Areas of a stated chance from weighted particles: the smallest ground that holds it.

Regions of highest density (Hyndman 1996, The American Statistician 50): a kernel density on a grid, cut
where the particles inside hold the share. Several pieces are several polygons.
"""

from __future__ import annotations

from typing import NamedTuple

import contourpy
import numpy as np
import numpy.typing as npt

from server.flight.search.particles import Kernel, Particles

Array = npt.NDArray[np.float64]

CELLS = 90
_MOST_PIECES = 12
_MARGIN = 0.15  # of the extent, on each side


class Density(NamedTuple):
    """On a grid: `x_m` (columns,), `y_m` (rows,), `at` (rows, columns), a square metre."""

    x_m: Array
    y_m: Array
    at: Array

    @property
    def cell_m2(self) -> float:
        return float((self.x_m[1] - self.x_m[0]) * (self.y_m[1] - self.y_m[0]))


class Region(NamedTuple):
    """`rings`: closed outlines in metres, shape (corners, 2) each, outer ones and holes alike."""

    rings: tuple[Array, ...]
    area_m2: float
    level: float  # the density at its edge


def density(particles: Particles) -> Density:
    """Over where nearly all of the weight lies."""
    x_m, y_m = _extent(particles.x_m, particles.weight), _extent(particles.y_m, particles.weight)
    grid_x, grid_y = np.meshgrid(x_m, y_m)
    at = Kernel(particles).at(grid_x.ravel(), grid_y.ravel()).reshape(grid_x.shape)
    return Density(x_m, y_m, at)


def region(particles: Particles, on: Density, share: float) -> Region:
    """Where the density is highest, so that particles of `share` of the weight lie in it."""
    here = _interpolated(on, particles.x_m, particles.y_m)
    order = np.argsort(-here)
    held = np.cumsum(particles.weight[order])
    level = float(here[order][min(int(np.searchsorted(held, share)), len(here) - 1)])
    level = max(level, float(on.at.max()) * 1e-9)
    lines = contourpy.contour_generator(on.x_m, on.y_m, on.at).lines(level)
    rings = sorted((_closed(np.asarray(line)) for line in lines if len(line) > 2), key=len)
    inside = float((on.at >= level).sum()) * on.cell_m2
    return Region(tuple(rings[::-1][:_MOST_PIECES]), inside, level)


def _extent(values: Array, weight: Array) -> Array:
    order = np.argsort(values)
    held = np.cumsum(weight[order])
    low, high = (float(values[order][np.searchsorted(held, q)]) for q in (0.002, 0.998))
    more = max(_MARGIN * (high - low), 60.0)
    return np.linspace(low - more, high + more, CELLS)


def _interpolated(on: Density, x_m: Array, y_m: Array) -> Array:
    """Bilinear; 0 outside the grid."""
    column = (x_m - on.x_m[0]) / (on.x_m[1] - on.x_m[0])
    row = (y_m - on.y_m[0]) / (on.y_m[1] - on.y_m[0])
    inside = (column >= 0) & (column < CELLS - 1) & (row >= 0) & (row < CELLS - 1)
    j = np.clip(column.astype(int), 0, CELLS - 2)
    i = np.clip(row.astype(int), 0, CELLS - 2)
    u, v = column - j, row - i
    low = on.at[i, j] * (1 - u) + on.at[i, j + 1] * u
    high = on.at[i + 1, j] * (1 - u) + on.at[i + 1, j + 1] * u
    return np.where(inside, low * (1 - v) + high * v, 0.0)


def _closed(line: Array) -> Array:
    """A contour that leaves the grid is closed along its edge, straight."""
    return line if np.array_equal(line[0], line[-1]) else np.vstack([line, line[:1]])
