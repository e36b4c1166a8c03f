"""Shortest times over a graph, by scipy's Dijkstra; ways for destinations alone are left at the ends.

A junction that only such ways meet is there twice: once to arrive at, from which nothing leads out
again, and once to leave from. So no drive passes through. A forbidden turn is a copy of its junction
without that way out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from server.flight.chase.roads import Stop
from server.geodata.roads.graph import Array, RoadGraph
from server.geodata.roads.matrix import LEAST_S, Indices, Matrix, Numbers
from server.geodata.roads.ways import DESTINATION

LEAST_JUNCTIONS = 40  # fewer that are connected are a courtyard, not a network


class Network:
    """Forward and reverse searches over one graph. Not for several threads at once."""

    def __init__(self, graph: RoadGraph) -> None:
        self.graph = graph
        begin, end = graph.ends.T
        tail = np.column_stack([begin, end]).ravel()  # of each arc: 2 * edge, 2 * edge + 1
        head = np.column_stack([end, begin]).ravel()
        self.run_s = graph.time_s.astype(
            np.float64
        ).ravel()  # of each arc, without what holds up at its end
        self._delay_s = graph.delay_s.astype(np.float64).ravel()
        self.arc_s = self.run_s + self._delay_s
        self.component = self._components(begin, end)
        behind = self._only_behind(begin, end)
        limited = np.repeat(behind, 2)
        is_open = np.zeros(graph.junctions, dtype=bool)
        is_open[graph.ends[~behind].ravel()] = True
        inner = np.flatnonzero(~is_open).astype(np.int32)
        leave = np.arange(graph.junctions, dtype=np.int32)  # a junction to leave from
        leave[inner] = graph.junctions + np.arange(len(inner), dtype=np.int32)
        count = graph.junctions + len(inner)
        self._tail_arrive, self._tail_leave = tail, leave[tail]
        self._head_arrive, self._head_leave = head, leave[head]
        usable = np.isfinite(self.arc_s)
        arriving = usable & (~limited | ~is_open[head])
        leaving = usable & limited & ~is_open[tail]
        arcs = np.arange(len(tail), dtype=np.int32)
        rows = [tail[arriving], leave[tail[leaving]], leave[inner]]
        columns = [head[arriving], leave[head[leaving]], inner]
        times = [self.arc_s[arriving], self.arc_s[leaving], np.full(len(inner), LEAST_S)]
        number = [arcs[arriving], arcs[leaving], np.full(len(inner), -1, dtype=np.int32)]
        count = self._forbid_turns(rows, columns, times, number, count)
        self.nodes = count
        del leave, arcs, usable, arriving, leaving, limited
        self._forward = Matrix.of_arcs(rows, columns, times, number, count)
        self._reverse: Matrix | None = None

    def _forbid_turns(
        self,
        rows: list[Indices],
        columns: list[Indices],
        times: list[Array],
        number: list[Indices],
        count: int,
    ) -> int:
        """Lead each arc with forbidden turns to a copy of its junction that lacks them."""
        self._copies: dict[int, list[int]] = {}  # by arc out of the junction: nodes to leave from
        forbidden: dict[int, set[int]] = {}
        for arriving, leaving in self.graph.no_turn.tolist():
            forbidden.setdefault(arriving, set()).add(leaving)
        if not forbidden:
            return count
        row, column = np.concatenate(rows), np.concatenate(columns)
        time_s, arc = np.concatenate(times), np.concatenate(number)
        out: dict[int, list[int]] = {}
        heads = {int(column[i]) for i in np.flatnonzero(np.isin(arc, list(forbidden))).tolist()}
        for i in np.flatnonzero(np.isin(row, list(heads))).tolist():
            out.setdefault(int(row[i]), []).append(i)
        more: list[tuple[int, int, float, int]] = []
        for i in np.flatnonzero(np.isin(arc, list(forbidden))).tolist():
            kept = [
                k for k in out.get(int(column[i]), []) if int(arc[k]) not in forbidden[int(arc[i])]
            ]
            column[i] = count
            self._head_leave[arc[i]] = count
            for k in kept:
                more.append((count, int(column[k]), float(time_s[k]), int(arc[k])))
                self._copies.setdefault(int(arc[k]), []).append(count)
            count += 1
        new = [np.array(part) for part in zip(*more, strict=True)] if more else [np.empty(0)] * 4
        rows[:] = [row, new[0].astype(np.int64)]
        columns[:] = [column, new[1].astype(np.int64)]
        times[:] = [time_s, new[2]]
        number[:] = [arc, new[3].astype(np.int64)]
        return count

    def _components(self, begin: Indices, end: Indices) -> npt.NDArray[np.int32]:
        """Of each edge: the number of what is connected both ways, -1 for what is too small."""
        usable = np.isfinite(self.graph.time_s)
        rows = np.concatenate([begin[usable[:, 0]], end[usable[:, 1]]])
        columns = np.concatenate([end[usable[:, 0]], begin[usable[:, 1]]])
        ones = np.ones(len(rows), dtype=np.int8)
        whole = csr_array((ones, (rows, columns)), shape=(self.graph.junctions,) * 2)
        count, label = connected_components(whole, directed=True, connection="strong")
        size = np.bincount(label, minlength=count)
        least = min(LEAST_JUNCTIONS, int(size.max()))
        same = label[begin] == label[end]
        return np.where(same & (size[label[begin]] >= least), label[begin], -1).astype(np.int32)

    def _only_behind(self, begin: Indices, end: Indices) -> npt.NDArray[np.bool_]:
        """Edges for destinations alone, and open ones that are reached through such edges alone."""
        graph = self.graph
        limited = graph.flags & DESTINATION > 0
        opens = np.flatnonzero(~limited & np.isfinite(graph.time_s).any(axis=1))
        ones = np.ones(len(opens), dtype=np.int8)
        whole = csr_array((ones, (begin[opens], end[opens])), shape=(graph.junctions,) * 2)
        _, label = connected_components(whole, directed=False)
        # of what is connected at all, the open part with most edges is the one that is driven through
        pair, its, count = np.unique(
            np.column_stack([self.component[opens], label[begin[opens]]]),
            axis=0,
            return_inverse=True,
            return_counts=True,
        )
        order = np.lexsort((-count, pair[:, 0]))
        first = np.unique(pair[order, 0], return_index=True)[1]
        greatest = np.zeros(len(pair), dtype=bool)
        greatest[order[first]] = True
        greatest |= pair[:, 0] < 0
        behind = limited.copy()
        behind[opens[~greatest[its.reshape(-1)]]] = True
        return behind

    def main_component(self) -> int:
        """Number of the one with most edges."""
        found = self.component[self.component >= 0]
        return int(np.bincount(found).argmax()) if len(found) else -1

    def from_stops(self, stops: Stop, limit_s: float = np.inf) -> Times:
        """Times from each stop to everywhere, at most `limit_s`."""
        arc = stops.edge * 2
        heads = (self._head_leave[arc], self._head_leave[arc + 1])
        costs = (self.left_s(arc, 1.0 - stops.share), self.left_s(arc + 1, stops.share))
        found, before = self._forward.search(heads, costs, limit_s)
        return Times(self, stops, found, before, reverse=False)

    def left_s(self, arc: Numbers, share: Array) -> Array:
        """Over the last part of arcs, and on past their ends."""
        return np.asarray(_part(self.run_s[arc], share) + self._delay_s[arc])

    def to_stops(self, stops: Stop, limit_s: float = np.inf) -> Times:
        """Times from everywhere to each stop, at most `limit_s`."""
        found, before = self.reverse.search(*self._tails(stops), limit_s)
        return Times(self, stops, found, before, reverse=True)

    @property
    def reverse(self) -> Matrix:
        if self._reverse is None:
            self._reverse = self._forward.transposed()
        return self._reverse

    def _tails(self, stops: Stop) -> tuple[tuple[Numbers, Numbers], tuple[Array, Array]]:
        """Where a reverse search from each stop begins, and after how long."""
        arc = stops.edge * 2
        tails = (self._tail_arrive[arc], self._tail_arrive[arc + 1])
        costs = (_part(self.run_s[arc], stops.share), _part(self.run_s[arc + 1], 1.0 - stops.share))
        return tails, costs

    def times_to(self, stops: Stop, junctions: Numbers, limit_s: float) -> Array:
        """Seconds from junctions (n,) to each stop, shape (k, n)."""
        return self.reverse.times(*self._tails(stops), limit_s, junctions)

    def arrives_by(self, arc: Numbers, times_s: Array) -> Array:
        """Time at the beginning of arcs, of node times (..., nodes); shape (..., n)."""
        found = np.asarray(times_s[..., self._tail_arrive[arc]])
        for i in np.flatnonzero(np.isin(arc, list(self._copies))).tolist() if self._copies else ():
            for copy in self._copies[int(arc[i])]:
                found[..., i] = np.minimum(found[..., i], times_s[..., copy])
        return found

    def entered_from(self, arc: int, times_s: Array) -> int:
        """The node by which the beginning of an arc is reached first, of node times (nodes,)."""
        nodes = [int(self._tail_arrive[arc]), *self._copies.get(arc, [])]
        return min(nodes, key=lambda node: float(times_s[node]))

    def arc_between(self, begin: int, end: int) -> int:
        """The arc that leads from one node to another; -1: a step that is no road."""
        return self._forward.arc_between(begin, end)

    def start_end(self, edge: int, node: int, share: float) -> float:
        """At which end a drive leaves the edge that it starts on, if `node` comes first: 1 or 0."""
        along, against = (int(self._head_leave[2 * edge + way]) == node for way in (0, 1))
        if along and against:  # a loop: the end that is reached sooner
            along = self.arc_s[2 * edge] * (1.0 - share) <= self.arc_s[2 * edge + 1] * share
        return 1.0 if along else 0.0

    def leaves_by(self, arc: Numbers, times_s: Array) -> Array:
        """Time left at the end of arcs, of reverse node times (..., nodes); shape (..., n)."""
        return np.asarray(times_s[..., self._head_leave[arc]])


class Times(NamedTuple):
    """Of a search: seconds at the nodes, (k, nodes), and the node before each, to follow the way."""

    network: Network
    stops: Stop  # (k,)
    node_s: Array
    before: npt.NDArray[np.int32]
    reverse: bool

    def at(self, others: Stop) -> Array:
        """Seconds between each stop of the search and each of the others, (k, n); inf: no way."""
        by_arc = self.by_arc(others)
        return np.asarray(np.fmin(np.fmin(by_arc[0], by_arc[1]), self._within_edge(others)))

    def by_arc(self, others: Stop) -> Array:
        """Seconds by way of a junction, over the others' edges along and against; (2, k, n)."""
        network = self.network
        arc = others.edge * 2
        found = []
        for way, share in ((0, others.share), (1, 1.0 - others.share)):
            if self.reverse:
                part_s = network.left_s(arc + way, 1.0 - share)
                found.append(network.leaves_by(arc + way, self.node_s) + part_s)
            else:
                part_s = _part(network.run_s[arc + way], share)
                found.append(network.arrives_by(arc + way, self.node_s) + part_s)
        return np.array(found)

    def _within_edge(self, others: Stop) -> Array:
        """Seconds between two places on one edge, without leaving it; (k, n)."""
        mine, theirs = self.stops.share[:, None], others.share[None, :]
        ahead = (mine - theirs if self.reverse else theirs - mine).astype(float)
        arc_s = self.network.run_s.reshape(-1, 2)[others.edge]
        same = self.stops.edge[:, None] == others.edge[None, :]
        arc_s = np.where(ahead >= 0.0, arc_s[:, 0], arc_s[:, 1])
        found = np.full(same.shape, np.inf)
        np.multiply(np.abs(ahead), arc_s, out=found, where=same & np.isfinite(arc_s))
        return found


def _part(arc_s: Array, share: Array) -> Array:
    """Of the time of an arc; a closed one takes for ever, however short the part."""
    found = np.full(len(share), np.inf)
    np.multiply(arc_s, share, out=found, where=np.isfinite(arc_s))
    return found
