"""How far a car gets in so many minutes: lines of equal time, drawn by contourpy through a grid of times.

Between the roads time goes on at a crawl, so that a line closes around what a car reaches, and does not
draw each road by itself; small holes and islands are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import contourpy
import numpy as np
from scipy.spatial import KDTree

from server.flight.physics.geodesy import LocalFrame
from server.geodata.roads.graph import E7
from server.geodata.roads.roads import OpenRoads

_OFF_ROAD_MS = 4.0
_CELLS, _NEAREST = 140, 3
_LEAST_SHARE = 0.1  # of the longest line
_FASTEST_MS = 35.0  # no farther than this a line is looked for

Line = list[tuple[float, float]]


def reach(
    roads: OpenRoads, latitude_deg: float, longitude_deg: float, minutes: Sequence[float]
) -> list[list[Line]] | None:
    """For each number of minutes, its lines: longitude, latitude. None: no road there."""
    most_s = 60.0 * max(minutes)
    far_m = _FASTEST_MS * most_s
    frame = LocalFrame(latitude_deg, longitude_deg)
    corners = frame.to_latlon(np.array([-far_m, far_m]), np.array([-far_m, far_m]))
    if not roads.cover(
        *(np.append(c, h) for c, h in zip(corners, (latitude_deg, longitude_deg), strict=True))
    ):
        return None
    found = roads.times_from(latitude_deg, longitude_deg, most_s)
    if found is None:
        return None
    place_e7, time_s = found
    x_m, y_m = frame.to_xy(place_e7[:, 1] * E7, place_e7[:, 0] * E7)
    low, high = np.array([x_m.min(), y_m.min()]), np.array([x_m.max(), y_m.max()])
    margin_m = 0.05 * float((high - low).max()) + 500.0
    xs = np.linspace(low[0] - margin_m, high[0] + margin_m, _CELLS)
    ys = np.linspace(low[1] - margin_m, high[1] + margin_m, _CELLS)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    away_m, nearest = KDTree(np.column_stack([x_m, y_m])).query(grid, k=min(_NEAREST, len(x_m)))
    away_m = np.asarray(away_m).reshape(len(grid), -1)
    nearest = np.asarray(nearest).reshape(len(grid), -1)
    there_s = (time_s[nearest] + away_m / _OFF_ROAD_MS).min(axis=1).reshape(_CELLS, _CELLS)
    generator = contourpy.contour_generator(xs, ys, there_s)
    return [
        [_line(frame, line) for line in _greatest(generator.lines(60.0 * one))] for one in minutes
    ]


def _greatest(lines: Any) -> list[Any]:
    """By their length, without those of a courtyard or a hill."""
    lengths = [float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines]
    least = _LEAST_SHARE * max(lengths, default=0.0)
    return [line for line, length in zip(lines, lengths, strict=True) if length >= least]


def _line(frame: LocalFrame, line: Any) -> Line:
    x_m, y_m = np.asarray(line).T
    latitude_deg, longitude_deg = frame.to_latlon(x_m, y_m)
    pairs = zip(longitude_deg.tolist(), latitude_deg.tolist(), strict=True)
    return [(round(lon, 5), round(lat, 5)) for lon, lat in pairs]
