"""The nearest place on a road: edges in a grid of cells, distances to their segments.

Plane distances with WGS 84's metres per degree at the point itself: a few metres off at 20 km, nothing
at the distances that matter.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.geodata.roads.building import metres_per_degree
from server.geodata.roads.graph import E7, Array, RoadGraph
from server.geodata.roads.network import Numbers, Stop

CELL_M = 250.0
_MOST_M = 30_000.0  # farther from a road nothing is looked for
_ROW = 1 << 22  # more than columns around the earth


class Snapped(NamedTuple):
    """Arrays (n,). `edge` -1: no road near. `walk_m`: straight from the road to the point."""

    stop: Stop
    walk_m: Array
    latitude_deg: Array  # of the place on the road
    longitude_deg: Array


class Snapping:
    """Finds the nearest place on the edges that are marked, shape (E,)."""

    def __init__(self, graph: RoadGraph, usable: npt.NDArray[np.bool_]) -> None:
        self._graph = graph
        counts = np.diff(graph.first)
        edge = np.repeat(np.arange(graph.edges), counts)
        last = np.zeros(len(edge), dtype=bool)
        last[graph.first[1:] - 1] = True
        begins = np.flatnonzero(~last & usable[edge])
        self._begin, self._edge = begins, edge[begins].astype(np.int32)
        latitude = float(np.median(graph.junction_e7[:, 1])) * E7 if graph.junctions else 0.0
        north, east = metres_per_degree(np.array([latitude]))
        self._cells = np.array([CELL_M / float(east[0]), CELL_M / float(north[0])]) / E7  # in 1e-7
        a, b = (
            graph.points_e7[begins].astype(np.int64),
            graph.points_e7[begins + 1].astype(np.int64),
        )
        # one entry for each half cell that a segment is long
        span = np.abs(b - a) / self._cells
        parts = (
            np.maximum(np.ceil(2 * span.max(axis=1)), 1).astype(np.int64) if len(a) else counts[:0]
        )
        which = np.repeat(np.arange(len(begins)), parts + 1)
        step = np.arange(len(which)) - np.repeat(np.cumsum(parts + 1) - parts - 1, parts + 1)
        at = a[which] + (b - a)[which] * (step / parts[which])[:, None] if len(a) else a
        key = self._key(np.floor(at / self._cells).astype(np.int64))
        keys = (
            np.unique(np.column_stack([key, which]), axis=0) if len(key) else np.empty((0, 2), int)
        )
        self._key_of, self._segment = keys[:, 0], keys[:, 1].astype(np.int32)

    def _key(self, cell: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        return (cell[..., 1] + _ROW // 2) * _ROW + cell[..., 0] + _ROW // 2

    def nearest(self, latitude_deg: Array, longitude_deg: Array) -> Snapped:
        """Of each point. Shapes (n,)."""
        n = len(latitude_deg)
        found = Snapped(
            Stop(np.full(n, -1), np.zeros(n)),
            np.full(n, np.inf),
            np.full(n, np.nan),
            np.full(n, np.nan),
        )
        left = np.arange(n)
        reach = 1
        while len(left) and len(self._segment):
            self._look(left, latitude_deg, longitude_deg, reach, found)
            # nothing nearer can lie beyond the cells that were looked at
            sure_m = (reach - 0.3) * CELL_M
            left = left[found.walk_m[left] > sure_m]
            if reach * CELL_M > _MOST_M:
                break
            reach *= 2
        return found

    def _look(
        self, left: Numbers, latitude_deg: Array, longitude_deg: Array, reach: int, found: Snapped
    ) -> None:
        point = np.column_stack([longitude_deg[left], latitude_deg[left]]) / E7
        cell = np.floor(point / self._cells).astype(np.int64)
        rows = cell[:, None, :] + np.array([[0, r] for r in range(-reach, reach + 1)])[None]
        low = np.searchsorted(self._key_of, self._key(rows - np.array([reach, 0]))).ravel()
        high = np.searchsorted(
            self._key_of, self._key(rows + np.array([reach, 0])), side="right"
        ).ravel()
        counts = high - low
        whose = np.repeat(np.repeat(np.arange(len(left)), 2 * reach + 1), counts)
        if not len(whose):
            return
        at = np.repeat(low - (np.cumsum(counts) - counts), counts) + np.arange(len(whose))
        segment = self._segment[at]
        walk_m, share = self._distance(segment, whose, point, latitude_deg[left])
        order = np.lexsort((walk_m, whose))
        best = order[np.unique(whose[order], return_index=True)[1]]
        self._keep(left[whose[best]], segment[best], walk_m[best], share[best], found)

    def _distance(
        self, segment: npt.NDArray[np.int32], whose: Numbers, point: Array, latitude_deg: Array
    ) -> tuple[Array, Array]:
        north, east = metres_per_degree(latitude_deg)
        scale = np.column_stack([east, north])[whose] * E7
        begin = self._begin[segment]
        a = (self._graph.points_e7[begin] - point[whose]) * scale
        b = (self._graph.points_e7[begin + 1] - point[whose]) * scale
        along = b - a
        square = np.maximum((along**2).sum(axis=1), 1e-12)
        share = np.clip(-(a * along).sum(axis=1) / square, 0.0, 1.0)
        return np.hypot(*(a + along * share[:, None]).T), share

    def _keep(
        self,
        who: Numbers,
        segment: npt.NDArray[np.int32],
        walk_m: Array,
        share: Array,
        found: Snapped,
    ) -> None:
        nearer = walk_m < found.walk_m[who]
        who, segment, walk_m, share = who[nearer], segment[nearer], walk_m[nearer], share[nearer]
        graph, begin, edge = self._graph, self._begin[segment], self._edge[segment]
        a, b = graph.points_e7[begin], graph.points_e7[begin + 1]
        place = a + (b - a) * share[:, None]
        found.stop.edge[who] = edge
        found.walk_m[who] = walk_m
        found.longitude_deg[who], found.latitude_deg[who] = (place * E7).T
        for i, e, first, part in zip(
            who.tolist(), edge.tolist(), begin.tolist(), share.tolist(), strict=True
        ):
            found.stop.share[i] = self._share_of_edge(e, first, part)

    def _share_of_edge(self, edge: int, begin: int, part: float) -> float:
        """Of the edge's length, up to a share of the segment that begins at point `begin`."""
        graph = self._graph
        points = graph.points_e7[graph.first[edge] : graph.first[edge + 1]] * E7
        north, east = metres_per_degree(points[:1, 1])
        step_m = np.hypot(
            np.diff(points[:, 0]) * float(east[0]), np.diff(points[:, 1]) * float(north[0])
        )
        whole_m = float(step_m.sum())
        if whole_m <= 0.0:
            return 0.0
        at = begin - int(graph.first[edge])
        return min(float(step_m[:at].sum() + step_m[at] * part) / whole_m, 1.0)
