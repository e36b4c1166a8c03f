"""What lies between a point and a road: rivers and shores, and motorways, that nobody crosses on foot."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from server.flight.chase.roads import Beyond
from server.geodata.roads.graph import E7, Array, RoadGraph
from server.geodata.roads.snapping import Snapping
from server.geodata.roads.speeds import KINDS

_PAIRS = 2_000_000  # of a walk and a segment, looked at together


class Barriers:
    """The lines of one graph."""

    def __init__(self, graph: RoadGraph) -> None:
        motorways = np.flatnonzero(graph.kind == KINDS.index("motorway"))
        counts = np.diff(graph.first)[motorways]
        road_first = np.concatenate([[0], np.cumsum(counts)])
        at = np.repeat(graph.first[:-1][motorways] - road_first[:-1], counts)
        points = np.concatenate(
            [graph.water_e7, graph.points_e7[at + np.arange(road_first[-1])]]
        ).astype(np.int32)
        waters = len(graph.water_first) - 1
        first = np.concatenate([graph.water_first, road_first[1:] + len(graph.water_e7)])
        kind = np.full(len(first) - 1, Beyond.MOTORWAY, dtype=np.int8)
        kind[:waters] = Beyond.WATER
        self._near = Snapping(first, points, np.ones(len(kind), dtype=bool))
        last = np.zeros(len(points), dtype=bool)
        last[first[1:] - 1] = True
        begin = np.flatnonzero(~last)
        self._a, self._b = points[begin].astype(np.float64), points[begin + 1].astype(np.float64)
        self._kind = np.repeat(kind, np.diff(first))[begin]

    def crossed(self, point_e7: Array, road_e7: Array, walk_m: Array) -> npt.NDArray[np.int8]:
        """`Beyond` of straight walks: longitude and latitude in 1e-7 degrees, (n, 2); lengths (n,)."""
        found = np.zeros(len(point_e7), dtype=np.int8)
        if not len(self._a) or not len(point_e7):
            return found
        near = self._near.nearest(point_e7[:, 1] * E7, point_e7[:, 0] * E7)
        close = np.flatnonzero((near.walk_m < walk_m) & np.isfinite(walk_m))
        if not len(close):
            return found
        ends = np.concatenate([point_e7[close], road_e7[close]])
        low, high = ends.min(axis=0), ends.max(axis=0)
        about = (np.minimum(self._a, self._b) <= high) & (np.maximum(self._a, self._b) >= low)
        segment = np.flatnonzero(about.all(axis=1))
        if not len(segment):
            return found
        a, b, kind = self._a[segment], self._b[segment], self._kind[segment]
        step = max(1, _PAIRS // len(segment))
        for at in range(0, len(close), step):
            some = close[at : at + step]
            meets = _meet(point_e7[some, None], road_e7[some, None], a[None], b[None])
            for n, row in zip(some.tolist(), meets, strict=True):
                if row.any():
                    found[n] = kind[row].min()
        return found


def _meet(p: Array, q: Array, a: Array, b: Array) -> npt.NDArray[np.bool_]:
    """Whether segments pq and ab cross, by the sides on which their ends lie; (n, m, 2) each."""

    def side(u: Array, v: Array, w: Array) -> Array:
        return np.asarray(
            (v[..., 0] - u[..., 0]) * (w[..., 1] - u[..., 1])
            - (v[..., 1] - u[..., 1]) * (w[..., 0] - u[..., 0])
        )

    return np.asarray((side(p, q, a) * side(p, q, b) < 0.0) & (side(a, b, p) * side(a, b, q) < 0.0))
