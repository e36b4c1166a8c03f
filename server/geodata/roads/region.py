"""A cut of the extracts, ready to be searched."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from server.geodata.roads.between import Barriers
from server.geodata.roads.graph import RoadGraph
from server.geodata.roads.network import Network
from server.geodata.roads.snapping import Snapping
from server.geodata.roads.speeds import FERRY, KINDS
from server.geodata.roads.ways import DESTINATION

_WAITS = ("primary", "secondary", "tertiary", "unclassified", "residential", "living_street",
          "road", "service", "track")  # fmt: skip
_MOTORWAYS = [KINDS.index("motorway")]


class Region:
    """A cut of the extracts, ready to be searched."""

    def __init__(self, graph: RoadGraph) -> None:
        self.graph = graph
        self.network = Network(graph)
        self.roads = Snapping(
            graph.first, graph.points_e7, (self.network.component >= 0) & (graph.kind != FERRY)
        )
        self._stopping: dict[int, npt.NDArray[np.bool_]] = {}
        kinds = [KINDS.index(name) for name in _WAITS]
        waits = np.isin(graph.kind, kinds) & (graph.flags & DESTINATION == 0)
        waits &= self.network.component >= 0
        self.waiting = np.unique(graph.ends[waits].ravel()).astype(np.int64)
        self.barriers = Barriers(graph)

    def stopping(self, component: int) -> npt.NDArray[np.bool_]:
        """Edges of one connected network where a car may stop: no motorway, no ferry."""
        if component not in self._stopping:
            graph = self.graph
            usable = (self.network.component == component) & (graph.kind != FERRY)
            self._stopping[component] = usable & ~np.isin(graph.kind, _MOTORWAYS)
        return self._stopping[component]
