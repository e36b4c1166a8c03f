"""The roads about a flight: the plan's extracts, cut to where it can end, and what the chase asks of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from server.flight.chase.roads import Beyond, Fields, RoadWay, Snapped, Stop
from server.geodata.roads.boxes import Box, box_around, holds, meet, size, wider
from server.geodata.roads.cache import open_graph
from server.geodata.roads.graph import E7, Array, RoadGraph, joined
from server.geodata.roads.network import Times
from server.geodata.roads.region import Region
from server.geodata.roads.snapping import unknown_places
from server.geodata.roads.way import simplified, way_between

FARTHEST_WALK_M = 1_500.0  # from the road; farther is not reached by car. Our choice
_MOST_KEPT_BYTES = (
    60_000_000  # of graphs in memory; a greater one is opened again when it is needed
)
_FIRST_MS, _FIRST_S, _LONGEST_S = 14.0, 300.0, 12 * 3_600.0
_OUTSIDE_M = 500.0  # beyond the box of an extract its nearest road may still be the right one
_LINE_M = 12.0  # a way is drawn so exactly
_MOST_REACHED = 0.8  # of the places, by a car: the others are behind those that it passes
_MOST_LOOKED_AT = 12  # roads about a point that lies beyond water
_FEWEST_PLACES = 20  # where to wait is looked for
# how far from the middle they are looked for, as a share of the groups, and how many; less in a region of
# more than `_WIDE` nodes, so that an answer takes no more than a second
_WIDE = 300_000
_LOOKED_AT, _LOOKED_AT_WIDE = (0.75, 6_000), (0.6, 4_000)


class OpenRoads:
    """Roads, for one thread."""

    def __init__(
        self, paths: Sequence[Path], told: Callable[[Path, float], None] | None = None
    ) -> None:
        """Reads every extract, or finds it kept. RoadsError: which cannot be used, and why."""
        self.paths = tuple(paths)
        self._graphs: dict[Path, RoadGraph] = {}
        self.bounds: list[Box] = []
        for path in self.paths:
            graph = self._graph(path, told)
            self.bounds.append(graph.bounds())
        self._box: Box | None = None  # that the region was cut to
        self._region: Region | None = None
        self._searches: dict[tuple[int, float], tuple[float, Times]] = {}

    def _graph(self, path: Path, told: Callable[[Path, float], None] | None = None) -> RoadGraph:
        graph = self._graphs.get(path)
        if graph is None:
            graph = open_graph(path, None if told is None else lambda done: told(path, done))
            if graph.bytes + sum(g.bytes for g in self._graphs.values()) <= _MOST_KEPT_BYTES:
                self._graphs[path] = graph
        return graph

    def cover(self, latitude_deg: Array, longitude_deg: Array) -> bool:
        """Cut the extracts anew when places lie outside, or the cut is far too large for them."""
        box = box_around(latitude_deg, longitude_deg)
        if (
            self._box is None
            or not holds(self._box, box)
            or size(self._box) > 16 * size(wider(box))
        ):
            wide = wider(box)
            graphs = [
                self._graph(path).cut(*wide)
                for path, bounds in zip(self.paths, self.bounds, strict=True)
                if meet(bounds, wide)
            ]
            graphs = [graph for graph in graphs if graph.edges]
            self._box, self._searches = wide, {}
            self._region = Region(joined(graphs)) if graphs else None
        return self._region is not None

    @property
    def region(self) -> Region:
        """The cut that is searched. ValueError: nothing is covered yet."""
        if self._region is None:
            raise ValueError("roads are asked before they cover anything")
        return self._region

    def cars(self, latitude_deg: Array, longitude_deg: Array) -> Snapped:
        self._searches = {}
        return self.region.roads.nearest(latitude_deg, longitude_deg)

    def stops(
        self, latitude_deg: Array, longitude_deg: Array, car: Stop
    ) -> tuple[Snapped, npt.NDArray[np.int8]]:
        region = self.region
        stopping = region.stopping(int(region.network.component[int(car.edge[0])]))
        found = region.roads.nearest(latitude_deg, longitude_deg, stopping)
        here = np.column_stack([longitude_deg, latitude_deg]) / E7
        road = np.column_stack([found.longitude_deg, found.latitude_deg]) / E7
        beyond = region.barriers.crossed(here, road, found.walk_m)
        behind = np.flatnonzero(beyond)
        if len(behind):
            self._same_side(behind, here, stopping, found, beyond)
        far = (found.walk_m > FARTHEST_WALK_M) & (beyond == Beyond.NOTHING)
        beyond[far] = Beyond.ROAD_END
        beyond[~self._known(latitude_deg, longitude_deg) & (found.walk_m > _OUTSIDE_M)] = (
            Beyond.UNKNOWN
        )
        return found, beyond

    def _known(self, latitude_deg: Array, longitude_deg: Array) -> npt.NDArray[np.bool_]:
        """Whether points lie within the box of one of the extracts."""
        found = np.zeros(len(latitude_deg), dtype=bool)
        for south, west, north, east in self.bounds:
            across = (longitude_deg - west) % 360.0 <= (east - west) % 360.0
            found |= (latitude_deg >= south) & (latitude_deg <= north) & across
        return found

    def _same_side(
        self,
        behind: npt.NDArray[np.int64],
        here: Array,
        stopping: npt.NDArray[np.bool_],
        found: Snapped,
        beyond: npt.NDArray[np.int8],
    ) -> None:
        """Instead of a road beyond water or a motorway, another one within a walk and on the same side."""
        snapping = self.region.roads
        at = here[behind] * E7
        near = snapping.within(at[:, 1], at[:, 0], FARTHEST_WALK_M, stopping)
        rank = np.arange(len(near.point)) - np.searchsorted(near.point, near.point)
        near = near.only(np.flatnonzero(rank < _MOST_LOOKED_AT))
        rows = np.arange(len(near.point))
        each = unknown_places(len(rows))
        snapping.put(near._replace(point=rows), rows, each)
        road = np.column_stack([each.longitude_deg, each.latitude_deg]) / E7
        crossed = self.region.barriers.crossed(here[behind[near.point]], road, each.walk_m)
        free = np.flatnonzero(crossed == Beyond.NOTHING)
        point, first = np.unique(near.point[free], return_index=True)
        row, who = free[first], behind[point]
        found.stop.edge[who], found.stop.share[who] = each.stop.edge[row], each.stop.share[row]
        found.walk_m[who] = each.walk_m[row]
        found.latitude_deg[who] = each.latitude_deg[row]
        found.longitude_deg[who] = each.longitude_deg[row]
        beyond[who] = Beyond.NOTHING

    def drive_s(self, cars: Stop, stops: Stop) -> Array:
        network = self.region.network
        found = np.full((len(cars.edge), len(stops.edge)), np.inf)
        usable = np.flatnonzero(stops.edge >= 0)
        theirs = Stop(stops.edge[usable], stops.share[usable])
        for k in np.flatnonzero(cars.edge >= 0).tolist():
            car = cars.only(k)
            same = network.component[theirs.edge] == network.component[int(car.edge[0])]
            limit_s = self._first_limit_s(car, theirs)
            while True:
                time_s = self._from(car, limit_s).at(theirs)[0]
                if limit_s >= _LONGEST_S or np.isfinite(time_s[same]).all():
                    break
                limit_s *= 2.0
            found[k, usable] = time_s
        return found

    def _from(self, car: Stop, limit_s: float) -> Times:
        """Of one car; the searches of one question are kept, for it is asked thrice."""
        key = int(car.edge[0]), float(car.share[0])
        known = self._searches.get(key)
        if known is None or known[0] < limit_s:
            known = limit_s, self.region.network.from_stops(car, limit_s)
            self._searches[key] = known
        return known[1]

    def _first_limit_s(self, car: Stop, stops: Stop) -> float:
        """By the straight line to the farthest."""
        graph = self.region.graph
        ends = graph.junction_e7[graph.ends[stops.edge, 0]].astype(np.float64) * E7
        here = graph.junction_e7[graph.ends[car.edge[0], 0]].astype(np.float64) * E7
        east = np.cos(np.radians(here[1]))
        away_m = 111_000.0 * np.hypot((ends[:, 0] - here[0]) * east, ends[:, 1] - here[1])
        return _FIRST_S + float(away_m.max(initial=0.0)) / _FIRST_MS

    def fields(self, cars: Stop, groups: Stop) -> Fields:
        region = self.region
        graph = region.graph
        # the group in the middle tells how far apart they are
        ends = graph.junction_e7[graph.ends[groups.edge, 0]].astype(np.float64)
        middle = int(((ends - ends.mean(axis=0)) ** 2).sum(axis=1).argmin())
        centre = groups.only(middle)
        apart_s = self.drive_s(centre, groups)[0]
        near = np.isfinite(apart_s)
        share, most = _LOOKED_AT if region.network.nodes <= _WIDE else _LOOKED_AT_WIDE
        limit_s = float(np.quantile(apart_s[near], share)) + 180.0 if near.any() else _LONGEST_S
        while True:
            centre_s = region.network.times_to(centre, region.waiting, limit_s)[0]
            chosen = np.flatnonzero(np.isfinite(centre_s))
            if len(chosen) >= _FEWEST_PLACES or limit_s >= _LONGEST_S:
                break
            limit_s *= 2.0  # sparse roads
        if not len(chosen):
            none = np.empty(0)
            return Fields(
                none, none, np.empty((len(cars.edge), 0)), np.empty((len(groups.edge), 0))
            )
        if len(chosen) > most:  # every second or third, evenly by time from the middle
            order = chosen[np.argsort(centre_s[chosen], kind="stable")]
            chosen = np.sort(order[:: len(order) // most + 1])
        places, centre_s = region.waiting[chosen], centre_s[chosen]
        to_group = region.network.times_to(groups, places, limit_s)
        # a group farther than was looked at: by way of the middle, which is no less
        to_group = np.minimum(to_group, apart_s[:, None] + centre_s[None, :])
        # one that is reached from none of them says nothing of where to wait
        nowhere = ~np.isfinite(to_group).any(axis=1)
        to_group[nowhere] = limit_s
        from_car = np.array(
            [self._car_s(cars.only(k), groups, places, limit_s) for k in range(len(cars.edge))]
        )
        reached = np.isfinite(to_group).all(axis=0) & np.isfinite(from_car).any(axis=0)
        at = graph.junction_e7[places[reached]].astype(np.float64) * E7
        return Fields(at[:, 1], at[:, 0], from_car[:, reached], to_group[:, reached])

    def _car_s(
        self, car: Stop, groups: Stop, places: npt.NDArray[np.int64], more_s: float
    ) -> Array:
        """From a car to the junctions; what was searched for it already serves, where it goes so far."""
        limit_s = self._first_limit_s(car, groups)
        while True:
            time_s = self._from(car, limit_s).node_s[0, places]
            if limit_s >= _LONGEST_S or np.isfinite(time_s).mean() > _MOST_REACHED:
                return np.asarray(time_s)
            limit_s = 2.0 * limit_s + more_s

    def way(self, start: Stop, end: Stop) -> RoadWay | None:
        limit_s = self._first_limit_s(start, end)
        while True:
            way = way_between(self._from(start, limit_s), 0, end, 0)
            if way is not None:
                return way._replace(line=simplified(way.line, _LINE_M))
            if limit_s >= _LONGEST_S:
                return None
            limit_s *= 2.0

    def times_from(
        self, latitude_deg: float, longitude_deg: float, limit_s: float
    ) -> tuple[npt.NDArray[np.int32], Array] | None:
        """Junctions reached from a place (longitude, latitude in 1e-7 degrees) and seconds; None: no road."""
        found = self.cars(np.array([latitude_deg]), np.array([longitude_deg]))
        if found.stop.edge[0] < 0:
            return None
        graph = self.region.graph
        time_s = self.region.network.from_stops(found.stop, limit_s).node_s[0, : graph.junctions]
        reached = np.flatnonzero(np.isfinite(time_s))
        return (graph.junction_e7[reached], time_s[reached]) if len(reached) > 2 else None

    def road_at(self, latitude_deg: float, longitude_deg: float) -> tuple[str, str]:
        found = self.region.roads.nearest(np.array([latitude_deg]), np.array([longitude_deg]))
        edge = int(found.stop.edge[0])
        graph = self.region.graph
        return ("", "") if edge < 0 else graph.names[int(graph.name[edge])]
