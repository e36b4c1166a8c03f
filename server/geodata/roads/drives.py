"""Drives between places, one or many: what `leeward drive` answers."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from server.flight.chase.roads import RoadWay, Snapped, Stop
from server.flight.physics.geodesy import distance_bearing
from server.geodata.roads.graph import Array, RoadGraph
from server.geodata.roads.network import Network
from server.geodata.roads.snapping import Snapping
from server.geodata.roads.way import length_between, way_between

_FIRST_MS, _FIRST_S = 8.0, 600.0  # of the straight line: how far is looked at first
_AT_ONCE = 16_000_000  # node times that are held at a time


class Drive(NamedTuple):
    time_s: float
    distance_m: float


class Drives:
    """Over one graph. Places are taken to the nearest road that leads somewhere."""

    def __init__(self, graph: RoadGraph) -> None:
        self.network = Network(graph)
        self._snapping = Snapping(graph.first, graph.points_e7, self.network.component >= 0)

    def snap(self, latitude_deg: Array, longitude_deg: Array) -> Snapped:
        return self._snapping.nearest(latitude_deg, longitude_deg)

    def way(
        self, start: tuple[float, float], end: tuple[float, float]
    ) -> tuple[RoadWay | None, Snapped]:
        """The drive, and where both places meet the road; None: no way, or no road near."""
        both = np.array([start, end], dtype=float)
        snapped = self.snap(both[:, 0], both[:, 1])
        if (snapped.stop.edge < 0).any():
            return None, snapped
        begin, stop = snapped.stop.only(0), snapped.stop.only(1)
        return way_between(self.network.from_stops(begin), 0, stop, 0), snapped

    def pairs(self, places: Array) -> list[Drive | None]:
        """Of rows of from_lat, from_lon, to_lat, to_lon; None where no way leads."""
        found: list[Drive | None] = [None] * len(places)
        begins = self.snap(places[:, 0], places[:, 1])
        ends = self.snap(places[:, 2], places[:, 3])
        sought = [
            i for i in range(len(places)) if begins.stop.edge[i] >= 0 and ends.stop.edge[i] >= 0
        ]
        limit_s = {
            i: _FIRST_S + distance_bearing(*places[i].tolist())[0] / _FIRST_MS for i in sought
        }
        by_source: dict[tuple[float, float], list[int]] = {}
        for i in sought:
            by_source.setdefault((places[i, 0], places[i, 1]), []).append(i)
        at_once = max(1, _AT_ONCE // self.network.nodes)
        groups = sorted(by_source.values(), key=lambda group: max(limit_s[i] for i in group))
        for at in range(0, len(groups), at_once):
            self._answer(groups[at : at + at_once], limit_s, begins.stop, ends.stop, found)
        return found

    def _answer(
        self,
        groups: list[list[int]],
        limits_s: dict[int, float],
        begins: Stop,
        ends: Stop,
        found: list[Drive | None],
    ) -> None:
        """Look near first, then farther, then everywhere."""
        first_s = max(limits_s[i] for group in groups for i in group)
        for limit_s in (first_s, 3.0 * first_s, np.inf):
            which = np.array([group[0] for group in groups])
            times = self.network.from_stops(Stop(begins.edge[which], begins.share[which]), limit_s)
            left = []
            for k, group in enumerate(groups):
                missing = []
                to = np.array(group)
                theirs = Stop(ends.edge[to], ends.share[to])
                time_s = times.at(theirs)[k]
                for n, i in enumerate(group):
                    if np.isfinite(time_s[n]):
                        found[i] = Drive(float(time_s[n]), length_between(times, k, theirs, n))
                    else:
                        missing.append(i)
                if missing:
                    left.append(missing)
            groups = left
            if not groups:
                return
