"""Small extracts made for tests, and the real part of one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
import osmium
from osmium.osm.mutable import Node, Relation, Way

from server.geodata.roads.building import build
from server.geodata.roads.graph import RoadGraph
from server.geodata.roads.network import Network
from server.geodata.roads.ways import read_ways
from server.journal.recording import DEMO_LOG

# © OpenStreetMap contributors, ODbL 1.0
VALLEY = DEMO_LOG.with_name("valley.osm.pbf")

ROAD = {"highway": "tertiary"}
ORIGIN = (38.0, -98.0)
STEP_DEG = 0.01  # 1,110 m northward, 877 m eastward at 38° N


class Made(NamedTuple):
    """Nodes by number: row, column on a lattice of `STEP_DEG`, and tags. Ways: nodes and tags."""

    nodes: dict[int, tuple[float, float]]
    ways: dict[int, tuple[list[int], dict[str, str]]]
    node_tags: Mapping[int, dict[str, str]] = MappingProxyType({})
    restrictions: tuple[tuple[str, int, int, int], ...] = ()


def place(row: float, column: float) -> tuple[float, float]:
    return ORIGIN[0] + row * STEP_DEG, ORIGIN[1] + column * STEP_DEG


def write(path: Path, made: Made) -> Path:
    """With a header that says how far the extract goes: a step beyond the nodes."""
    path.unlink(missing_ok=True)
    header = osmium.io.Header()
    corners = np.array([place(*one)[::-1] for one in made.nodes.values()])
    low, high = corners.min(axis=0) - STEP_DEG, corners.max(axis=0) + STEP_DEG
    west, south, east, north = np.clip(np.concatenate([low, high]), -180.0, 180.0).tolist()
    header.add_box(osmium.osm.Box(west, south, east, north))
    writer = osmium.SimpleWriter(str(path), header=header)
    for number, at in made.nodes.items():
        latitude_deg, longitude_deg = place(*at)
        writer.add_node(
            Node(
                id=number,
                location=(longitude_deg, latitude_deg),
                tags=made.node_tags.get(number, {}),
            )
        )
    for number, (nodes, tags) in made.ways.items():
        writer.add_way(Way(id=number, nodes=nodes, tags=tags))
    for i, (kind, start, via, end) in enumerate(made.restrictions):
        members = [("w", start, "from"), ("n", via, "via"), ("w", end, "to")]
        tags = {"type": "restriction", "restriction": kind}
        writer.add_relation(Relation(id=i + 1, members=members, tags=tags))
    writer.close()
    return path


def graph_of(tmp_path: Path, made: Made) -> RoadGraph:
    return build(read_ways(write(tmp_path / "made.osm.pbf", made)))


def lattice(rows: int, columns: int, tags: dict[str, str] | None = None) -> Made:
    """Roads along all rows and columns."""
    number = {(r, c): 1 + r * columns + c for r in range(rows) for c in range(columns)}
    lines = [[number[r, c] for c in range(columns)] for r in range(rows)]
    lines += [[number[r, c] for r in range(rows)] for c in range(columns)]
    kind = ROAD if tags is None else tags
    return Made(
        {n: (float(r), float(c)) for (r, c), n in number.items()},
        {i + 1: (line, dict(kind)) for i, line in enumerate(lines)},
    )


def two_towns(tags: dict[str, str]) -> Made:
    """Two lattices, and one road between them with something of these tags on it."""
    first, second = lattice(7, 7), lattice(7, 7)
    nodes = dict(first.nodes) | {n + 100: (r, c + 8) for n, (r, c) in second.nodes.items()}
    ways = dict(first.ways) | {
        n + 100: ([i + 100 for i in w], t) for n, (w, t) in second.ways.items()
    }
    nodes[999] = (0.0, 7.0)
    ways[999] = ([7, 999, 101], ROAD)
    return Made(nodes, ways, {999: tags})


def by_hand(network: Network, start: int, end: int) -> float:
    """Shortest time between two junctions, Bellman and Ford's way, over the graph's own arcs."""
    graph = network.graph
    best = np.full(graph.junctions, np.inf)
    best[start] = 0.0
    for _ in range(graph.junctions):
        before = best.copy()
        for edge in range(graph.edges):
            a, b = graph.ends[edge].tolist()
            best[b] = min(best[b], best[a] + float(network.arc_s[2 * edge]))
            best[a] = min(best[a], best[b] + float(network.arc_s[2 * edge + 1]))
        if np.array_equal(before, best):
            break
    return float(best[end])
