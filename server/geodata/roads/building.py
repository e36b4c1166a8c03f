"""From ways as read to the graph: junctions, edges, lengths, times, and what lies in towns."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from server.flight.physics.geodesy import ECCENTRICITY, SEMI_MAJOR_AXIS_M
from server.geodata.roads.graph import E7, Array, RoadGraph
from server.geodata.roads.speeds import FERRY, KINDS, KMH, crossing_s
from server.geodata.roads.ways import IN_TOWN, ROUNDABOUT, Ways

SIGNAL_S = 4.0
GIVE_WAY_S = 2.5
CROSSING_S = 0.5
TOWN_KM_PER_KM2 = 12.0
TOWN_RADIUS_M = 2_000.0
_CELL_ROW = 1_000_000  # more than cells around the earth
_NEIGHBOURS = (-3, -2, -1, 1, 2, 3)  # a square of 3.5 km has the area of a circle of 2 km

_RANK = np.array([KINDS.index(name) for name in KINDS] + [len(KINDS)])


def metres_per_degree(latitude_deg: Array) -> tuple[Array, Array]:
    """Northward and eastward on WGS 84 at a latitude."""
    sine = np.sin(np.radians(latitude_deg))
    root = 1.0 - (ECCENTRICITY * sine) ** 2
    north = SEMI_MAJOR_AXIS_M * (1.0 - ECCENTRICITY**2) / root**1.5
    east = SEMI_MAJOR_AXIS_M / np.sqrt(root) * np.cos(np.radians(latitude_deg))
    return np.radians(north), np.radians(east)


def build(ways: Ways) -> RoadGraph:
    """The whole graph of what was read."""
    node_id = np.frombuffer(ways.node_id, np.int64)
    points = np.column_stack(
        [np.frombuffer(ways.x_e7, np.int32), np.frombuffer(ways.y_e7, np.int32)]
    )
    first = np.frombuffer(ways.first, np.int64)
    way = np.repeat(np.arange(len(first) - 1, dtype=np.int32), np.diff(first))
    along_m = _along_m(points)
    _, number, count = np.unique(node_id, return_inverse=True, return_counts=True)
    starts = np.zeros(len(node_id), dtype=bool)
    starts[first[:-1]] = True
    stops = np.roll(starts, -1)
    held = [i for i, n in ways.nodes.items() if n.blocked]
    blocked = np.isin(node_id, np.array(held, dtype=np.int64))
    slow = np.isin(
        node_id, np.array([i for i, n in ways.nodes.items() if n.delay_s], dtype=np.int64)
    )
    cuts = np.flatnonzero(starts | stops | (count[number] > 1) | blocked | slow)
    same_way = way[cuts[:-1]] == way[cuts[1:]]
    begin, end = cuts[:-1][same_way], cuts[1:][same_way]
    ends = _ends(number, blocked, begin, end)
    its_way = way[begin]
    flags = np.frombuffer(ways.flags, np.uint8)[its_way].copy()
    kind = np.frombuffer(ways.kind, np.uint8)[its_way]
    length_m = along_m[end] - along_m[begin]
    kmh = np.frombuffer(ways.kmh, np.float32).reshape(-1, 2, 2)[its_way].astype(np.float64)
    in_town = (flags & IN_TOWN > 0) | _in_town(points[(begin + end) // 2], points, along_m, starts)
    flags[in_town] |= IN_TOWN
    at_kmh = np.where(in_town[:, None], kmh[:, :, 1], kmh[:, :, 0])
    with np.errstate(divide="ignore"):
        time_s = length_m[:, None] / (at_kmh * KMH)
    _ferries(ways, its_way, kind, length_m, first, along_m, time_s)
    delay_s = _delays(ways, node_id, begin, end) + _junctions(ends, kind, flags)
    counts = end - begin + 1
    shape_first = np.concatenate([[0], np.cumsum(counts)])
    rows = np.repeat(begin - shape_first[:-1], counts) + np.arange(shape_first[-1])
    used, numbers = np.unique(ends, return_inverse=True)
    number_of = numbers.reshape(-1, 2).astype(np.int32)
    place = np.empty((len(used), 2), dtype=np.int32)
    place[number_of[:, 0]], place[number_of[:, 1]] = points[begin], points[end]
    way_id = np.frombuffer(ways.way_id, np.int64)[its_way]
    return RoadGraph(
        junction_e7=place,
        ends=number_of,
        length_m=length_m.astype(np.float32),
        time_s=time_s.astype(np.float32),
        delay_s=delay_s.astype(np.float16),
        kind=kind,
        flags=flags,
        name=np.frombuffer(ways.name, np.int32)[its_way],
        first=shape_first,
        points_e7=points[rows],
        no_turn=_no_turn(ways, way_id, node_id[begin], node_id[end]),
        water_first=np.frombuffer(ways.water_first, np.int64).copy(),
        water_e7=np.frombuffer(ways.water_e7, np.int32).reshape(-1, 2).copy(),
        box_e7=np.array(
            ways.box_e7 or (*points.min(axis=0).tolist(), *points.max(axis=0).tolist()), np.int32
        ),
        names=tuple(ways.names),
    )


def _along_m(points: npt.NDArray[np.int32]) -> Array:
    """Metres along all nodes one after the other; what lies between two ways is never asked."""
    longitude, latitude = (points * E7).T
    north, east = metres_per_degree((latitude[1:] + latitude[:-1]) / 2)
    turn = (np.diff(longitude) + 180.0) % 360.0 - 180.0
    step_m = np.hypot(np.diff(latitude) * north, turn * east)
    return np.concatenate([[0.0], np.cumsum(step_m)])


def _ends(
    number: npt.NDArray[np.int64],
    blocked: npt.NDArray[np.bool_],
    begin: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
) -> npt.NDArray[np.int64]:
    """Junctions of each edge (E, 2). At a blocked node every edge has an end of its own."""
    most = len(number)
    start = np.where(blocked[begin], most + 2 * begin, number[begin])
    stop = np.where(blocked[end], most + 2 * end + 1, number[end])
    return np.column_stack([start, stop])


def _ferries(
    ways: Ways,
    its_way: npt.NDArray[np.int32],
    kind: npt.NDArray[np.uint8],
    length_m: Array,
    first: npt.NDArray[np.int64],
    along_m: Array,
    time_s: Array,
) -> None:
    """Times of ferries by their timetable; the wait is paid once, on the first and last edge alike."""
    for edge in np.flatnonzero(kind == FERRY).tolist():
        row = int(its_way[edge])
        duration, interval, route = ways.ferry[row]
        whole_m = float(along_m[first[row + 1] - 1] - along_m[first[row]])
        tags = {"route": route}
        if duration is not None:
            tags["duration"] = duration
        if interval is not None:
            tags["interval"] = interval
        took_s, wait_s = crossing_s(tags, whole_m)
        share = float(length_m[edge]) / max(whole_m, 1.0)
        closed = np.isinf(time_s[edge])
        time_s[edge] = (took_s + wait_s) * share
        time_s[edge][closed] = np.inf


def _delays(
    ways: Ways,
    node_id: npt.NDArray[np.int64],
    begin: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
) -> Array:
    """Seconds by gates, tolls and signals, along and against: the last node counts, the first does not."""
    delays = {i: n.delay_s + SIGNAL_S * n.signals for i, n in ways.nodes.items() if not n.blocked}
    found = np.zeros((len(begin), 2))
    ids = np.array(sorted(delays), dtype=np.int64)
    if not len(ids):
        return found
    at = np.searchsorted(ids, node_id).clip(max=len(ids) - 1)
    delay_s = np.where(ids[at] == node_id, np.array([delays[i] for i in ids.tolist()])[at], 0.0)
    total = np.concatenate([[0.0], np.cumsum(delay_s)])
    found[:, 0] = total[end + 1] - total[begin + 1]
    found[:, 1] = total[end] - total[begin]
    return found


def _junctions(
    ends: npt.NDArray[np.int64], kind: npt.NDArray[np.uint8], flags: npt.NDArray[np.uint8]
) -> Array:
    """Seconds at the junction behind each arc (E, 2): who comes by the lesser road gives way."""
    _, number = np.unique(ends, return_inverse=True)
    number = number.reshape(-1, 2)
    degree = np.bincount(number.ravel())
    best = np.full(len(degree), 255, dtype=np.int64)
    np.minimum.at(best, number.ravel(), np.repeat(kind.astype(np.int64), 2))
    found = np.zeros((len(ends), 2))
    for column, side in ((0, 1), (1, 0)):
        there = number[:, side]
        junction = degree[there] > 2
        gives_way = junction & (kind > best[there])
        found[:, column] = np.where(gives_way, GIVE_WAY_S, np.where(junction, CROSSING_S, 0.0))
    found[flags & ROUNDABOUT > 0] = 0.0
    return found


def _in_town(
    middle: npt.NDArray[np.int32],
    points: npt.NDArray[np.int32],
    along_m: Array,
    starts: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_]:
    """Where there are more than so many kilometres of road in a square kilometre around."""
    cell_m = TOWN_RADIUS_M / 4
    middle_deg = np.array([float(np.median(points[:, 1])) * float(E7)])
    rows_per_degree = float(metres_per_degree(middle_deg)[0][0]) / cell_m
    step_m = np.diff(along_m, prepend=0.0)
    step_m[starts] = 0.0
    cells, at = np.unique(_cell(points, rows_per_degree, cell_m), return_inverse=True)
    length_m = np.bincount(at, step_m, minlength=len(cells)).astype(np.float64)
    area_km2 = (len(_NEIGHBOURS) + 1) ** 2 * (cell_m / 1000.0) ** 2
    dense = _around(cells, length_m) / 1000.0 / area_km2 > TOWN_KM_PER_KM2
    return np.asarray(dense[np.searchsorted(cells, _cell(middle, rows_per_degree, cell_m))])


def _cell(
    points: npt.NDArray[np.int32], rows_per_degree: float, cell_m: float
) -> npt.NDArray[np.int64]:
    """Number of the cell of each point (n, 2): columns are of equal metres at each row's latitude."""
    longitude, latitude = (points.astype(np.float64) * E7).T
    row = np.floor((latitude + 90.0) * rows_per_degree)
    _, east = metres_per_degree((row + 0.5) / rows_per_degree - 90.0)
    column = np.floor((longitude + 180.0) * east / cell_m)
    return np.asarray(row * _CELL_ROW + column, dtype=np.int64)


def _around(cells: npt.NDArray[np.int64], length_m: Array) -> Array:
    """Sum over the square of cells around each: along the rows, then across them."""
    for step in (1, _CELL_ROW):
        total = length_m.copy()
        for away in _NEIGHBOURS:
            at = np.searchsorted(cells, cells + away * step).clip(max=len(cells) - 1)
            total += np.where(cells[at] == cells + away * step, length_m[at], 0.0)
        length_m = total
    return length_m


def _no_turn(
    ways: Ways,
    way_id: npt.NDArray[np.int64],
    begin_id: npt.NDArray[np.int64],
    end_id: npt.NDArray[np.int64],
) -> npt.NDArray[np.int32]:
    """Pairs of arcs that may not follow each other, of restrictions with one node between two ways."""
    found: list[tuple[int, int]] = []
    order = np.argsort(way_id, kind="stable")
    by_way = way_id[order]
    for kind, from_way, via, to_way in ways.restrictions:
        edges = []
        for wanted in (from_way, to_way):
            low, high = np.searchsorted(by_way, [wanted, wanted + 1])
            edges.append(order[low:high])
        arriving = _arcs(edges[0], end_id, begin_id, via)
        leaving = _arcs(edges[1], begin_id, end_id, via)
        if kind.startswith("only_") and leaving:
            everything = np.flatnonzero((begin_id == via) | (end_id == via))
            allowed = set(leaving)
            leaving = [
                arc for arc in _arcs(everything, begin_id, end_id, via) if arc not in allowed
            ]
        found += [
            (a, b) for a in arriving for b in leaving if kind == "no_u_turn" or a // 2 != b // 2
        ]
    return np.array(found, dtype=np.int32).reshape(-1, 2)


def _arcs(
    edges: npt.NDArray[np.int64],
    along: npt.NDArray[np.int64],
    against: npt.NDArray[np.int64],
    via: int,
) -> list[int]:
    """Of these edges, the arcs that have `via` at the side that `along` tells for the way's direction."""
    return [2 * int(e) for e in edges if along[e] == via] + [
        2 * int(e) + 1 for e in edges if against[e] == via
    ]
