"""One drive as it is told and drawn: its line, and the roads it takes one after the other."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from server.flight.chase.roads import RoadWay, Stop, Stretch
from server.geodata.roads.graph import Array
from server.geodata.roads.network import Network, Times
from server.geodata.roads.speeds import FERRY, KINDS
from server.geodata.roads.ways import ROUNDABOUT, UNPAVED

TRACK = KINDS.index("track")
_SAME_DEG = 25.0  # a road that bends less goes on
_LOOK_M = 25.0  # along which a direction is taken


def length_between(times: Times, k: int, others: Stop, n: int) -> float:
    """Metres of the way that `times` found between the two; there is one."""
    target = Stop(others.edge[n : n + 1], others.share[n : n + 1])
    length_m = times.network.graph.length_m
    return sum(float(length_m[p.edge]) * abs(p.end - p.begin) for p in _pieces(times, k, target))


def simplified(line: Array, tolerance_m: float) -> Array:
    """Without points that lie so near to the line between others (Douglas and Peucker 1973); (n, 2)."""
    kept = np.zeros(len(line), dtype=bool)
    kept[[0, -1]] = True
    flat = line * np.array([111_000.0, 111_000.0 * np.cos(np.radians(line[0, 0]))])
    waiting = [(0, len(line) - 1)]
    while waiting:
        low, high = waiting.pop()
        if high - low < 2:
            continue
        inner = flat[low + 1 : high] - flat[low]
        along = flat[high] - flat[low]
        share = np.clip(inner @ along / max(float(along @ along), 1e-9), 0.0, 1.0)
        away_m = np.hypot(*(inner - share[:, None] * along).T)
        worst = int(away_m.argmax())
        if away_m[worst] > tolerance_m:
            kept[low + 1 + worst] = True
            waiting += [(low, low + 1 + worst), (low + 1 + worst, high)]
    return line[kept]


class _Piece(NamedTuple):
    edge: int
    begin: float  # shares of the edge, the greater first where it is driven against
    end: float


def way_between(times: Times, k: int, others: Stop, n: int) -> RoadWay | None:
    """From stop `k` of a forward search to place `n` of others; None: no way leads there."""
    target = Stop(others.edge[n : n + 1], others.share[n : n + 1])
    time_s = float(times.at(target)[k, 0])
    if not np.isfinite(time_s):
        return None
    return _told(times.network, _pieces(times, k, target), time_s)


def _pieces(times: Times, k: int, target: Stop) -> list[_Piece]:
    network, edge, share = times.network, int(target.edge[0]), float(target.share[0])
    start_edge, start_share = int(times.stops.edge[k]), float(times.stops.share[k])
    by_arc = times.by_arc(target)[:, k, 0]
    if start_edge == edge and float(times.at(target)[k, 0]) < float(by_arc.min()):
        return [_Piece(edge, start_share, share)]
    against = int(by_arc.argmin())
    last = _Piece(edge, 1.0 if against else 0.0, share)
    node = network.entered_from(edge * 2 + against, times.node_s[k])
    pieces = [last]
    while True:
        before = int(times.before[k, node])
        if before >= network.nodes or before < 0:
            break
        arc = network.arc_between(before, node)
        if arc >= 0:
            pieces.append(_Piece(arc // 2, float(arc % 2), 1.0 - arc % 2))
        node = before
    first_end = network.start_end(start_edge, node, start_share)
    pieces.append(_Piece(start_edge, start_share, first_end))
    return pieces[::-1]


def _told(network: Network, pieces: list[_Piece], time_s: float) -> RoadWay:
    lines: list[Array] = []
    stretches: list[Stretch] = []
    length_m = 0.0
    for piece in pieces:
        line = _line(network, piece)
        share = abs(piece.end - piece.begin)
        graph, edge = network.graph, piece.edge
        arc_s = _piece_s(network, piece)
        its_m = float(graph.length_m[edge]) * share
        length_m += its_m
        name, ref = graph.names[int(graph.name[edge])]
        flags, kind = int(graph.flags[edge]), int(graph.kind[edge])
        stretch = Stretch(
            name, ref, its_m, arc_s, None, bool(flags & ROUNDABOUT),
            kind == FERRY, kind == TRACK, bool(flags & UNPAVED), float(line[0, 0]), float(line[0, 1]),
        )  # fmt: skip
        turn_deg = _turn_deg(lines[-1], line) if lines and share else None
        if share or not stretches:
            _add(stretches, stretch, turn_deg)
        if share or not lines:
            lines.append(line)
    line = np.concatenate([lines[0], *(one[1:] for one in lines[1:])])
    return RoadWay(time_s, length_m, line, tuple(stretches))


def _piece_s(network: Network, piece: _Piece) -> float:
    """Seconds, past the junction where it reaches one and goes on."""
    if piece.begin == piece.end:
        return 0.0
    arc = 2 * piece.edge + (0 if piece.end > piece.begin else 1)
    run_s = float(network.run_s[arc]) * abs(piece.end - piece.begin)
    through = piece.end == (0.0 if arc % 2 else 1.0)
    return run_s + (float(network.arc_s[arc] - network.run_s[arc]) if through else 0.0)


def _add(stretches: list[Stretch], new: Stretch, turn_deg: float | None) -> None:
    """To the last stretch where the road goes on as the same; else a stretch of its own."""
    if not stretches:
        stretches.append(new)
        return
    last = stretches[-1]
    same = (last.roundabout, last.ferry, last.track) == (new.roundabout, new.ferry, new.track)
    named = (last.name, last.ref) == (new.name, new.ref) and bool(new.name or new.ref)
    goes_on = turn_deg is None or abs(turn_deg) < _SAME_DEG
    if same and (named or (goes_on and not (new.name or new.ref)) or new.roundabout):
        stretches[-1] = last._replace(
            length_m=last.length_m + new.length_m,
            time_s=last.time_s + new.time_s,
            unpaved=last.unpaved or new.unpaved,
        )
    else:
        stretches.append(new._replace(turn_deg=turn_deg))


def _line(network: Network, piece: _Piece) -> Array:
    """Latitude and longitude along a part of an edge, in the direction of the drive."""
    shape = network.graph.shape(piece.edge)
    east = np.cos(np.radians(shape[0, 0]))
    step = np.hypot(np.diff(shape[:, 0]), np.diff(shape[:, 1]) * east)
    along = np.concatenate([[0.0], np.cumsum(step)]) / max(float(step.sum()), 1e-12)
    low, high = sorted((piece.begin, piece.end))
    inside = (along > low) & (along < high)
    at = np.concatenate([[low], along[inside], [high]])
    line = np.column_stack([np.interp(at, along, shape[:, 0]), np.interp(at, along, shape[:, 1])])
    return line if piece.end >= piece.begin else line[::-1]


def _turn_deg(before: Array, after: Array) -> float:
    turn = _bearing(after) - _bearing(before[::-1], back=True)
    return float((turn + 180.0) % 360.0 - 180.0)


def _bearing(line: Array, back: bool = False) -> float:
    """Of its first metres, in degrees; `back`: the line runs away from the drive."""
    east = np.cos(np.radians(line[0, 0]))
    north_m = (line[:, 0] - line[0, 0]) * 111_000.0
    east_m = (line[:, 1] - line[0, 1]) * 111_000.0 * east
    far = int(np.argmax(np.hypot(north_m, east_m) >= _LOOK_M)) or len(line) - 1
    sign = -1.0 if back else 1.0
    return float(np.degrees(np.arctan2(sign * east_m[far], sign * north_m[far])))
