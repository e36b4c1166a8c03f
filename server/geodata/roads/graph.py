"""The graph: junctions, and the edges between them with lengths and times. Arrays alone, so that it is small.

An edge is a piece of road without a junction within. Its two arcs, along and against the way that was
drawn, are numbered 2 * edge and 2 * edge + 1.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int32]
Floats = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

E7 = np.float64(1e-7)


@dataclass(frozen=True, slots=True)
class RoadGraph:
    """J junctions, E edges, P points of their shapes. Closed directions have infinite times."""

    junction_e7: Ints  # (J, 2): longitude, latitude in 1e-7 degrees
    ends: Ints  # (E, 2): junctions at the beginning and the end
    length_m: Floats  # (E,)
    time_s: Floats  # (E, 2): along and against
    delay_s: npt.NDArray[np.float16]  # (E, 2): at the end of each: junction, signals, gate
    kind: Bytes  # (E,): index into `speeds.KINDS`, or `FERRY`
    flags: Bytes  # (E,): bits of ways.py
    name: Ints  # (E,): index into `names`
    first: npt.NDArray[np.int64]  # (E + 1,): of each edge's shape in `points_e7`
    points_e7: Ints  # (P, 2): longitude, latitude, the ends too
    no_turn: Ints  # (K, 2): arcs that may not follow each other
    water_first: npt.NDArray[np.int64]  # (W + 1,): rivers and shores, likewise in `water_e7`
    water_e7: Ints
    box_e7: Ints  # (4,): west, south, east, north of the extract, by its header or what is in it
    names: tuple[tuple[str, str], ...]  # name and number of the roads

    @property
    def junctions(self) -> int:
        return len(self.junction_e7)

    @property
    def edges(self) -> int:
        return len(self.ends)

    @property
    def bytes(self) -> int:
        return sum(
            part.nbytes
            for part in (getattr(self, f.name) for f in fields(self))
            if isinstance(part, np.ndarray)
        )

    def shape(self, edge: int) -> Array:
        """Latitude and longitude of its points, shape (n, 2)."""
        points = self.points_e7[self.first[edge] : self.first[edge + 1], ::-1]
        return points.astype(np.float64) * E7

    def bounds(self) -> tuple[float, float, float, float]:
        """South, west, north, east of the extract in degrees."""
        west, south, east, north = (self.box_e7 * E7).tolist()
        return south, west, north, east

    def cut(self, south: float, west: float, north: float, east: float) -> RoadGraph:
        """The edges with an end within, degrees; `west` greater than `east` crosses 180°."""
        longitude, latitude = (self.junction_e7 * E7).T
        within = (latitude >= south) & (latitude <= north)
        if west <= east:
            within &= (longitude >= west) & (longitude <= east)
        else:
            within &= (longitude >= west) | (longitude <= east)
        part = self.only(within[self.ends].any(axis=1))
        return part if part is self else part.with_water_about()

    def with_water_about(self) -> RoadGraph:
        """Of the water, the lines that come near the junctions."""
        if not self.junctions or len(self.water_first) < 2:
            return self
        low, high = self.junction_e7.min(axis=0), self.junction_e7.max(axis=0)
        starts = self.water_first[:-1]
        least = np.minimum.reduceat(self.water_e7, starts, axis=0)
        most = np.maximum.reduceat(self.water_e7, starts, axis=0)
        kept = np.flatnonzero(((least <= high) & (most >= low)).all(axis=1))
        first, points = _picked(self.water_first, kept)
        return replace(self, water_first=first, water_e7=self.water_e7[points])

    def only(self, kept: npt.NDArray[np.bool_]) -> RoadGraph:
        """The edges that are marked, shape (E,), with their junctions."""
        if kept.all():
            return self
        chosen = np.flatnonzero(kept)
        ends = self.ends[chosen]
        met = np.zeros(self.junctions, dtype=bool)
        met[ends] = True
        used = np.flatnonzero(met)
        renumbered = np.cumsum(met, dtype=np.int32) - 1
        first, points = _picked(self.first, chosen)
        number = np.full(self.edges, -1, dtype=np.int32)
        number[chosen] = np.arange(len(chosen), dtype=np.int32)
        turns = self.no_turn
        turned = number[turns // 2] * 2 + turns % 2
        return replace(
            self,
            junction_e7=self.junction_e7[used],
            ends=renumbered[ends].astype(np.int32, copy=False),
            length_m=self.length_m[chosen],
            time_s=self.time_s[chosen],
            delay_s=self.delay_s[chosen],
            kind=self.kind[chosen],
            flags=self.flags[chosen],
            name=self.name[chosen],
            first=first,
            points_e7=self.points_e7[points],
            no_turn=turned[(number[turns // 2] >= 0).all(axis=1)].astype(np.int32),
        )


def _same_places(graphs: list[RoadGraph]) -> tuple[Ints, npt.NDArray[np.int64]]:
    """Junctions of all, and the number of each: one where extracts meet at the same place.

    Where one graph has several at a place, the road is blocked there: these stay apart from all others.
    """
    at = np.concatenate([g.junction_e7 for g in graphs])
    alone = np.zeros(len(at), dtype=np.int64)
    blocked: list[Ints] = []
    for graph in graphs:
        place, count = np.unique(graph.junction_e7, axis=0, return_counts=True)
        blocked.append(place[count > 1])
    several = np.unique(np.concatenate(blocked), axis=0)
    key, held = (one.astype(np.int64) @ np.array([1 << 32, 1]) for one in (at, several))
    apart = np.isin(key, held)
    alone[apart] = 1 + np.arange(int(apart.sum()))
    whole, number = np.unique(np.column_stack([at, alone]), axis=0, return_inverse=True)
    return whole[:, :2].astype(np.int32), number.reshape(-1)


def _picked(
    first: npt.NDArray[np.int64], chosen: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Of lines in one list of points, the chosen ones: where each begins in what is left, and its points."""
    counts = np.diff(first)[chosen]
    new = np.concatenate([[0], np.cumsum(counts)])
    return new, np.repeat(first[:-1][chosen] - new[:-1], counts) + np.arange(new[-1])


def joined(graphs: list[RoadGraph]) -> RoadGraph:
    """Several extracts as one: what lies in more than one of them, at the same place, is joined."""
    if len(graphs) == 1:
        return graphs[0]
    names: dict[tuple[str, str], int] = {("", ""): 0}
    renamed = [
        np.array([names.setdefault(n, len(names)) for n in g.names], np.int32) for g in graphs
    ]
    places, number = _same_places(graphs)
    before = np.cumsum([0] + [g.junctions for g in graphs])
    edges_before = np.cumsum([0] + [g.edges for g in graphs])
    ends = np.concatenate([number[g.ends + n] for g, n in zip(graphs, before, strict=False)])
    water_before = np.cumsum([0] + [len(g.water_e7) for g in graphs])
    points_before = np.cumsum([0] + [len(g.points_e7) for g in graphs])
    whole = RoadGraph(
        junction_e7=places,
        ends=ends.astype(np.int32),
        length_m=np.concatenate([g.length_m for g in graphs]),
        time_s=np.concatenate([g.time_s for g in graphs]),
        delay_s=np.concatenate([g.delay_s for g in graphs]),
        kind=np.concatenate([g.kind for g in graphs]),
        flags=np.concatenate([g.flags for g in graphs]),
        name=np.concatenate([r[g.name] for g, r in zip(graphs, renamed, strict=True)]),
        first=np.concatenate(
            [g.first[:-1] + n for g, n in zip(graphs, points_before, strict=False)]
            + [points_before[-1:]]
        ),
        points_e7=np.concatenate([g.points_e7 for g in graphs]),
        no_turn=np.concatenate(
            [g.no_turn + 2 * n for g, n in zip(graphs, edges_before, strict=False)]
        ).astype(np.int32),
        water_first=np.concatenate(
            [g.water_first[:-1] + n for g, n in zip(graphs, water_before, strict=False)]
            + [water_before[-1:]]
        ),
        water_e7=np.concatenate([g.water_e7 for g in graphs]),
        box_e7=np.concatenate(
            [
                np.min([g.box_e7[:2] for g in graphs], axis=0),
                np.max([g.box_e7[2:] for g in graphs], axis=0),
            ]
        ),
        names=tuple(names),
    )
    # the same edge from two extracts that overlap: one of them is kept
    middle = whole.points_e7[(whole.first[:-1] + whole.first[1:]) // 2]
    same = np.column_stack(
        [np.sort(whole.ends, axis=1), middle, np.round(whole.length_m).astype(np.int64)]
    )
    _, once = np.unique(same, axis=0, return_index=True)
    kept = np.zeros(whole.edges, dtype=bool)
    kept[once] = True
    return whole.only(kept)
