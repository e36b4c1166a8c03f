"""Arcs as a sparse matrix that scipy searches."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from server.geodata.roads.graph import Array

Numbers = npt.NDArray[np.int64]
Indices = npt.NDArray[Any]  # of 32 or 64 bits
SPARE = 64  # places that are no junctions: cars and points between two of them
_NONE_S = 1e9  # no way
LEAST_S = 1e-3  # a stored 0 would be none


def _emptied(parts: list[Any]) -> Any:
    """The parts in one piece; the list is emptied, so that they are not held twice."""
    whole = parts[0] if len(parts) == 1 else np.concatenate(parts)
    parts.clear()
    return whole


class Matrix:
    """Arcs as scipy wants them, with spare rows for places between junctions."""

    def __init__(
        self,
        rows: list[Indices],
        columns: list[Indices],
        times: list[Array],
        number: list[Indices],
        count: int,
    ) -> None:
        row, column, time_s, arc = (_emptied(part) for part in (rows, columns, times, number))
        # of several arcs between two nodes the fastest; scipy would add them up
        key = row.astype(np.int64) * count + column
        order = np.lexsort((time_s, key)).astype(np.int32)
        key = key[order]
        order = order[np.concatenate([[True], key[1:] != key[:-1]])] if len(key) else order
        del key
        row, column, time_s, arc = row[order], column[order], time_s[order], arc[order]
        self.nodes = count
        counts = np.concatenate([np.bincount(row, minlength=count), np.full(SPARE, 2)])
        del row, order
        indptr = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
        self._arcs = len(column)
        spare = np.repeat(np.arange(count, count + SPARE), 2)
        indices = np.concatenate([column, spare]).astype(np.int32)
        data = np.concatenate([np.maximum(time_s, LEAST_S), np.full(2 * SPARE, _NONE_S)])
        self._matrix = csr_array((data, indices, indptr), shape=(count + SPARE, count + SPARE))
        self._arc = arc.astype(np.int32, copy=False)

    def transposed(self) -> Matrix:
        counts = np.diff(self._matrix.indptr[: self.nodes + 1])
        row = np.repeat(np.arange(self.nodes, dtype=np.int32), counts)
        column = self._matrix.indices[: self._arcs]
        return Matrix([column], [row], [self._matrix.data[: self._arcs]], [self._arc], self.nodes)

    def arc_between(self, begin: int, end: int) -> int:
        """The arc that leads from one node to another; -1: a step that is no road."""
        low, high = self._matrix.indptr[begin], self._matrix.indptr[begin + 1]
        at = low + np.searchsorted(self._matrix.indices[low:high], end)
        return (
            int(self._arc[at])
            if at < min(high, self._arcs) and self._matrix.indices[at] == end
            else -1
        )

    def search(
        self, nodes: tuple[Numbers, Numbers], costs: tuple[Array, Array], limit_s: float
    ) -> tuple[Array, npt.NDArray[np.int32]]:
        found, before = [], []
        for at in range(0, len(nodes[0]), SPARE):
            one, other = (side[at : at + SPARE] for side in nodes)
            spare = np.arange(len(one))
            place = self._arcs + 2 * spare
            self._matrix.indices[place], self._matrix.indices[place + 1] = one, other
            for column, cost in enumerate(costs):
                cost_s = cost[at : at + SPARE]
                self._matrix.data[place + column] = np.where(
                    np.isfinite(cost_s), np.maximum(cost_s, LEAST_S), _NONE_S
                )
            sought: Any = dijkstra(
                self._matrix, indices=self.nodes + spare, limit=min(limit_s, _NONE_S / 2),
                return_predecessors=True,
            )  # fmt: skip
            found.append(sought[0])
            before.append(sought[1])
        empty = np.empty((0, self.nodes + SPARE))
        return (
            np.concatenate(found) if found else empty,
            np.concatenate(before) if before else empty.astype(np.int32),
        )
