"""The nearest place on lines: their segments in a grid of cells, and the distances to them.

Plane distances with WGS 84's metres per degree at the point itself: a few metres off at 20 km, nothing
at the distances that matter.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.chase.roads import Snapped, Stop
from server.geodata.roads.building import metres_per_degree
from server.geodata.roads.graph import E7, Array

CELL_M = 250.0
MOST_M = 30_000.0  # farther away nothing is looked for
_BLOCK = 1 << 16  # segments
_ROW = 1 << 22  # more than columns around the earth

Numbers = npt.NDArray[np.int64]


class Near(NamedTuple):
    """Places on lines near points, one for each point and line, arrays (n,), by point and distance."""

    point: Numbers
    line: Numbers
    segment: Numbers
    share: Array  # of the segment
    away_m: Array

    def only(self, rows: Numbers) -> Near:
        return Near(
            self.point[rows],
            self.line[rows],
            self.segment[rows],
            self.share[rows],
            self.away_m[rows],
        )


def unknown_places(n: int) -> Snapped:
    """To be filled in."""
    stop = Stop(np.full(n, -1), np.zeros(n))
    return Snapped(stop, np.full(n, np.inf), np.full(n, np.nan), np.full(n, np.nan))


class Snapping:
    """Over lines: the points of line i are `points_e7[first[i]:first[i + 1]]`, longitude and latitude."""

    def __init__(
        self,
        first: Numbers,
        points_e7: npt.NDArray[np.int32],
        usable: npt.NDArray[np.bool_],
    ) -> None:
        """`usable`: the lines that count, shape (lines,)."""
        self._first, self._points = first, points_e7
        line = np.repeat(np.arange(len(usable), dtype=np.int32), np.diff(first))
        begins_one = usable[line]
        begins_one[first[1:] - 1] = False
        self._begin = np.flatnonzero(begins_one).astype(np.int32)
        self._line = line[self._begin]
        del line, begins_one
        latitude = float(np.median(points_e7[::101, 1])) * E7 if len(points_e7) else 0.0
        north, east = metres_per_degree(np.array([latitude]))
        self._cells = np.array([CELL_M / float(east[0]), CELL_M / float(north[0])]) / E7  # in 1e-7
        self._key_of, self._segment = self._entries()

    def _entries(self) -> tuple[Numbers, npt.NDArray[np.int32]]:
        """Cells and the segments in them, by cell: a segment is in each cell that it comes through."""
        if not len(self._begin):
            return np.empty(0, np.int64), np.empty(0, np.int32)
        blocks = range(0, len(self._begin), _BLOCK)
        keys, segments = zip(*(self._entries_of(at) for at in blocks), strict=True)
        key = np.concatenate(keys)
        order = np.argsort(key, kind="stable")
        key = key[order]
        which = np.concatenate(segments)[order]
        new = np.ones(len(key), dtype=bool)
        new[1:] = (np.diff(key) != 0) | (np.diff(which) != 0)
        return (key, which) if new.all() else (key[new], which[new])

    def _entries_of(self, first: int) -> tuple[Numbers, npt.NDArray[np.int32]]:
        """Of some segments, for memory: a place in each half cell that a segment is long."""
        begin = self._begin[first : first + _BLOCK]
        a, b = (self._points[at].astype(np.float64) for at in (begin, begin + 1))
        parts = np.ceil(2.0 * (np.abs(b - a) / self._cells).max(axis=1)).astype(np.int32)
        parts = np.maximum(parts, 1)
        which = np.repeat(np.arange(len(parts), dtype=np.int32), parts + 1)
        step = np.arange(len(which)) - np.repeat(np.cumsum(parts + 1) - parts - 1, parts + 1)
        at = a[which] + (b - a)[which] * (step / parts[which])[:, None]
        key = self._key(np.floor(at / self._cells).astype(np.int64))
        new = np.ones(len(key), dtype=bool)
        new[1:] = (np.diff(key) != 0) | (np.diff(which) != 0)
        return key[new], which[new] + np.int32(first)

    def _key(self, cell: Numbers) -> Numbers:
        return np.asarray((cell[..., 1] + _ROW // 2) * _ROW + cell[..., 0] + _ROW // 2)

    def nearest(
        self,
        latitude_deg: Array,
        longitude_deg: Array,
        allowed: npt.NDArray[np.bool_] | None = None,
    ) -> Snapped:
        """Of each point. Shapes (n,). `allowed`: the lines that count now, shape (lines,)."""
        n = len(latitude_deg)
        found = unknown_places(n)
        left = np.arange(n)
        reach = 1
        while len(left) and len(self._segment):
            near = self._look(left, latitude_deg, longitude_deg, reach, allowed)
            self.put(near, np.unique(near.point, return_index=True)[1], found)
            # nothing nearer can lie beyond the cells that were looked at
            left = left[found.walk_m[left] > (reach - 0.3) * CELL_M]
            if reach * CELL_M > MOST_M:
                break
            reach *= 2
        return found

    def within(
        self,
        latitude_deg: Array,
        longitude_deg: Array,
        radius_m: float,
        allowed: npt.NDArray[np.bool_] | None = None,
    ) -> Near:
        """All lines so near to each point. Shapes (n,)."""
        reach = int(np.ceil(radius_m / CELL_M + 0.3))
        near = self._look(np.arange(len(latitude_deg)), latitude_deg, longitude_deg, reach, allowed)
        kept = near.away_m <= radius_m
        return near.only(np.flatnonzero(kept))

    def _look(
        self,
        left: Numbers,
        latitude_deg: Array,
        longitude_deg: Array,
        reach: int,
        allowed: npt.NDArray[np.bool_] | None = None,
    ) -> Near:
        """Of the points `left`, the lines with a segment in the cells so far around."""
        point = np.column_stack([longitude_deg[left], latitude_deg[left]]) / E7
        cell = np.floor(point / self._cells).astype(np.int64)
        rows = cell[:, None, :] + np.array([[0, r] for r in range(-reach, reach + 1)])[None]
        low = np.searchsorted(self._key_of, self._key(rows - np.array([reach, 0]))).ravel()
        high = self._key(rows + np.array([reach, 0]))
        counts = np.searchsorted(self._key_of, high, side="right").ravel() - low
        whose = np.repeat(np.repeat(np.arange(len(left)), 2 * reach + 1), counts)
        at = np.repeat(low - (np.cumsum(counts) - counts), counts) + np.arange(len(whose))
        segment = self._segment[at].astype(np.int64)
        if allowed is not None:
            counts_now = allowed[self._line[segment]]
            segment, whose = segment[counts_now], whose[counts_now]
        away_m, share = self._distance(segment, whose, point, latitude_deg[left])
        line = self._line[segment].astype(np.int64)
        # of each point and line the nearest segment
        order = np.lexsort((away_m, line, whose))
        whose, line = whose[order], line[order]
        new = np.ones(len(whose), dtype=bool)
        new[1:] = (np.diff(whose) != 0) | (np.diff(line) != 0)
        kept = order[new]
        order = np.lexsort((away_m[kept], whose[new]))
        kept, whose, line = kept[order], whose[new][order], line[new][order]
        return Near(left[whose], line, segment[kept], share[kept], away_m[kept])

    def _distance(
        self, segment: Numbers, whose: Numbers, point: Array, latitude_deg: Array
    ) -> tuple[Array, Array]:
        north, east = metres_per_degree(latitude_deg)
        scale = np.column_stack([east, north])[whose] * E7
        begin = self._begin[segment]
        a = (self._points[begin] - point[whose]) * scale
        b = (self._points[begin + 1] - point[whose]) * scale
        along = b - a
        square = np.maximum((along**2).sum(axis=1), 1e-12)
        share = np.clip(-(a * along).sum(axis=1) / square, 0.0, 1.0)
        return np.hypot(*(a + along * share[:, None]).T), share

    def put(self, near: Near, chosen: Numbers, found: Snapped) -> None:
        """Write the chosen rows of `near`, one for a point, where they are nearer than what is there."""
        who = near.point[chosen]
        chosen = chosen[near.away_m[chosen] < found.walk_m[who]]
        who, segment, part = near.point[chosen], near.segment[chosen], near.share[chosen]
        begin = self._begin[segment]
        a, b = self._points[begin], self._points[begin + 1]
        place = a + (b - a) * part[:, None]
        found.stop.edge[who] = near.line[chosen]
        found.walk_m[who] = near.away_m[chosen]
        found.longitude_deg[who], found.latitude_deg[who] = (place * E7).T
        found.stop.share[who] = self._share_of_line(near.line[chosen], begin, part)

    def _share_of_line(self, line: Numbers, begin: npt.NDArray[np.int32], part: Array) -> Array:
        """Of the lines' lengths, up to a share of the segment that begins at point `begin`."""
        first, counts = self._first[line], np.diff(self._first)[line]
        whose = np.repeat(np.arange(len(line)), counts)
        at = np.repeat(first - (np.cumsum(counts) - counts), counts) + np.arange(len(whose))
        points = self._points[at].astype(np.float64)
        east = np.cos(np.radians(points[:, 1] * E7))
        step = np.hypot(
            np.diff(points[:, 0], prepend=0.0) * east, np.diff(points[:, 1], prepend=0.0)
        )
        step[np.cumsum(counts) - counts] = 0.0
        whole = np.bincount(whose, step, minlength=len(line))
        before = np.bincount(whose, np.where(at <= begin[whose], step, 0.0), minlength=len(line))
        here = np.bincount(whose, np.where(at == begin[whose] + 1, step, 0.0), minlength=len(line))
        return np.clip((before + here * part) / np.maximum(whole, 1e-9), 0.0, 1.0)
