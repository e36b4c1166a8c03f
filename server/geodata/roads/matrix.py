"""Arcs as a sparse matrix that scipy searches."""

from __future__ import annotations

from collections.abc import Iterator
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

    def __init__(self, time_s: Array, column: Indices, indptr: Indices, arc: Indices) -> None:
        """Compressed rows of the arcs without the spare ones; `arc`: the number of each, (n,)."""
        self.nodes = len(indptr) - 1
        self._arcs = len(column)
        spare = np.arange(self.nodes, self.nodes + SPARE, dtype=np.int32)
        more = (indptr[-1] + 2 * np.arange(1, SPARE + 1)).astype(np.int32)
        indices = np.concatenate([column, np.repeat(spare, 2)], dtype=np.int32, casting="same_kind")
        data = np.concatenate([np.maximum(time_s, LEAST_S), np.full(2 * SPARE, _NONE_S)])
        self._matrix = csr_array(
            (data, indices, np.concatenate([indptr, more], dtype=np.int32, casting="same_kind")),
            shape=(self.nodes + SPARE, self.nodes + SPARE),
        )
        self._arc = arc.astype(np.int32, copy=False)

    @classmethod
    def of_arcs(
        cls,
        rows: list[Indices],
        columns: list[Indices],
        times: list[Array],
        number: list[Indices],
        count: int,
    ) -> Matrix:
        """From node to node, seconds, number of the arc; `count` nodes. The lists are emptied."""
        row, column, time_s, arc = (_emptied(part) for part in (rows, columns, times, number))
        # of several arcs between two nodes the fastest; scipy would add them up
        key = row.astype(np.int64) * count + column
        order = np.lexsort((time_s, key)).astype(np.int32)
        key = key[order]
        order = order[np.concatenate([[True], key[1:] != key[:-1]])] if len(key) else order
        del key
        indptr = np.zeros(count + 1, dtype=np.int32)
        np.cumsum(np.bincount(row[order], minlength=count), out=indptr[1:])
        return cls(time_s[order], column[order], indptr, arc[order])

    def transposed(self) -> Matrix:
        shape = self.nodes, self.nodes
        indptr = self._matrix.indptr[: self.nodes + 1]
        column = self._matrix.indices[: self._arcs]
        # compressed columns are the compressed rows of the transposed
        arc = csr_array((self._arc, column, indptr), shape=shape).tocsc().data
        turned = csr_array((self._matrix.data[: self._arcs], column, indptr), shape=shape).tocsc()
        return Matrix(turned.data, turned.indices, turned.indptr, arc)

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
        """Seconds at all nodes, (k, nodes), and the node before each; begun at `nodes` after `costs`."""
        found, before = [], []
        for spare in self._begun(nodes, costs):
            sought: Any = dijkstra(
                self._matrix, indices=self.nodes + spare, limit=min(limit_s, _NONE_S / 2),
                return_predecessors=True,
            )  # fmt: skip
            found.append(sought[0])
            before.append(sought[1])
        if not found:
            empty = np.empty((0, self.nodes + SPARE))
            return empty, empty.astype(np.int32)
        return _emptied(found), _emptied(before)

    def times(
        self,
        nodes: tuple[Numbers, Numbers],
        costs: tuple[Array, Array],
        limit_s: float,
        wanted: Numbers,
    ) -> Array:
        """As `search`, at some nodes alone, (k, n): nobody follows the way."""
        found = np.empty((len(nodes[0]), len(wanted)))
        limit_s = min(limit_s, _NONE_S / 2)
        row = 0
        for spare in self._begun(nodes, costs):
            for one in (self.nodes + spare).tolist():  # one after the other, for memory
                found[row] = dijkstra(self._matrix, indices=one, limit=limit_s)[wanted]
                row += 1
        return found

    def _begun(
        self, nodes: tuple[Numbers, Numbers], costs: tuple[Array, Array]
    ) -> Iterator[Numbers]:
        """The spare places that stand for the beginnings of searches, as many at a time as there are."""
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
            yield spare
