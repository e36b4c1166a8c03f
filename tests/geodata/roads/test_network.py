"""Shortest times: against Bellman and Ford's way over all arcs, and by hand on small networks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from server.flight.chase.roads import Stop
from server.geodata.roads.building import build
from server.geodata.roads.drives import Drives
from server.geodata.roads.network import Network
from server.geodata.roads.speeds import KMH
from server.geodata.roads.ways import read_ways
from tests.geodata.roads.extracts import (
    ROAD,
    VALLEY,
    Made,
    by_hand,
    graph_of,
    lattice,
    place,
    two_towns,
)

EAST_M, NORTH_M = 877.67, 1109.9  # of one step of the lattice at 38° N (geographiclib)
TERTIARY_MS = 50.0 * KMH


def drive_s(
    tmp_path: Path, made: Made, start: tuple[float, float], end: tuple[float, float]
) -> float:
    """Between two places of the lattice; inf: no way."""
    found = Drives(graph_of(tmp_path, made)).pairs(np.array([[*place(*start), *place(*end)]]))[0]
    return np.inf if found is None else found.time_s


def test_against_bellman_and_ford(tmp_path: Path) -> None:
    """A lattice with one-ways, slow roads and closed ones, drawn by chance."""
    rng = np.random.default_rng(5)
    made = lattice(6, 6)
    kinds = [
        ROAD,
        {"highway": "track"},
        ROAD | {"oneway": "yes"},
        ROAD | {"oneway": "-1"},
        {"highway": "primary"},
    ]
    ways = {
        n: (nodes, dict(kinds[rng.integers(len(kinds))])) for n, (nodes, _) in made.ways.items()
    }
    network = Network(graph_of(tmp_path, made._replace(ways=ways)))
    graph = network.graph
    assert float(graph.delay_s.max()) < 4.0
    edges = np.arange(graph.edges)
    ahead = network.from_stops(Stop(edges, np.zeros(len(edges))))
    reverse = network.to_stops(Stop(edges, np.ones(len(edges))))
    for k in range(0, graph.edges, 7):
        for n in range(0, graph.edges, 5):
            start, end = int(graph.ends[k, 0]), int(graph.ends[n, 1])
            if not np.isfinite(graph.time_s[k]).all() or not np.isfinite(graph.time_s[n]).all():
                continue  # its beginning is not where a car may turn round
            expected = by_hand(network, start, end)
            found = float(ahead.at(Stop(edges[n : n + 1], np.ones(1)))[k, 0])
            # to be at the end of an edge is to have passed, or not to have to pass, its junction
            assert found == pytest.approx(expected, abs=6.0)
            back = float(reverse.at(Stop(edges[k : k + 1], np.zeros(1)))[n, 0])
            assert back == pytest.approx(found, abs=0.05)


def test_forward_and_reverse_agree_on_real_roads() -> None:
    network = Network(build(read_ways(VALLEY)))
    rng = np.random.default_rng(6)
    edges = rng.choice(np.flatnonzero(network.component == network.main_component()), 60)
    starts, ends = Stop(edges[:30], rng.uniform(size=30)), Stop(edges[30:], rng.uniform(size=30))
    ahead = network.from_stops(starts).at(ends)
    back = network.to_stops(ends).at(starts)
    assert np.isfinite(ahead).mean() > 0.99
    assert np.allclose(ahead, back.T, atol=0.05, equal_nan=True)


def test_a_plain_road_takes_its_length_over_its_speed(tmp_path: Path) -> None:
    made = Made({n: (0, n) for n in range(1, 9)}, {1: (list(range(1, 9)), ROAD)})
    assert drive_s(tmp_path, made, (0, 2), (0, 6)) == pytest.approx(
        4 * EAST_M / TERTIARY_MS, rel=1e-3
    )
    # from and to the middle of an edge, both ways
    made = lattice(2, 8)
    along = drive_s(tmp_path, made, (0, 2.25), (0, 2.75))
    assert along == pytest.approx(0.5 * EAST_M / TERTIARY_MS, rel=0.02)


def test_a_one_way_is_driven_around(tmp_path: Path) -> None:
    made = lattice(2, 2)
    one_way = ROAD | {"oneway": "yes"}
    ways = {1: ([1, 2], one_way), **{n: w for n, w in made.ways.items() if n != 1}}
    along = drive_s(tmp_path, made._replace(ways=ways), (0, 0.25), (0, 0.75))
    against = drive_s(tmp_path, made._replace(ways=ways), (0, 0.75), (0, 0.25))
    assert along == pytest.approx(0.5 * EAST_M / TERTIARY_MS, rel=0.02)
    assert against == pytest.approx((1.5 * EAST_M + 2 * NORTH_M) / TERTIARY_MS, rel=0.03)


def test_destination_roads_are_for_the_ends_alone(tmp_path: Path) -> None:
    """Two through roads, joined by a short private-to-residents road and by a long way round."""
    made = lattice(2, 9)
    short = ROAD | {"access": "destination"}
    columns = {
        n: w for n, w in made.ways.items() if n in (1, 2, 3, 11)
    }  # both rows, first and last column
    columns[20] = ([5, 14], short)
    whole = made._replace(ways=columns)
    through = drive_s(tmp_path, whole, (0, 3.9), (1, 3.9))
    assert through > (2 * 3.9 * EAST_M + NORTH_M) / TERTIARY_MS * 0.99
    into = drive_s(tmp_path, whole, (0, 3.0), (0.5, 4))
    assert into == pytest.approx((EAST_M + 0.5 * NORTH_M) / TERTIARY_MS, rel=0.05)
    out = drive_s(tmp_path, whole, (0.5, 4), (1, 3.0))
    assert out == pytest.approx((EAST_M + 0.5 * NORTH_M) / TERTIARY_MS, rel=0.05)


def test_inside_a_quarter_for_residents(tmp_path: Path) -> None:
    """Its own roads lead from house to house, and out and in; not through."""
    made = lattice(3, 9)
    within = ROAD | {"access": "destination"}
    ways = dict(made.ways)
    for n in (5, 6, 7, 8, 9, 10, 11):  # the columns between
        ways[n] = (ways[n][0], within)
    ways[2] = (ways[2][0], within)  # and the row in the middle
    whole = made._replace(ways=ways)
    assert drive_s(tmp_path, whole, (1, 3), (1, 5)) == pytest.approx(
        2 * EAST_M / TERTIARY_MS, rel=0.05
    )
    around = (2 * 3 * EAST_M + 2 * NORTH_M) / TERTIARY_MS
    assert drive_s(tmp_path, whole, (0, 3), (2, 3)) > 0.99 * around


def test_an_open_road_behind_a_quarter_for_residents(tmp_path: Path) -> None:
    """A forest road that is reached through it alone is a destination too, and reached."""
    made = lattice(3, 3)
    nodes = dict(made.nodes) | {50: (1.0, 3.0), 51: (1.0, 4.0), 52: (1.0, 5.0)}
    ways = dict(made.ways) | {
        50: ([6, 50], ROAD | {"access": "destination"}),
        51: ([50, 51, 52], ROAD),
    }
    found = drive_s(tmp_path, Made(nodes, ways), (1, 1), (1, 4.5))
    assert found == pytest.approx(3.5 * EAST_M / TERTIARY_MS, rel=0.05)
    back = drive_s(tmp_path, Made(nodes, ways), (1, 4.5), (1, 1))
    assert back == pytest.approx(found, rel=0.05)


@pytest.mark.parametrize(
    ("tags", "least_s", "most_s"),
    [
        ({}, 60.0, 70.0),
        ({"barrier": "gate"}, 90.0, 100.0),
        ({"barrier": "gate", "access": "private"}, np.inf, np.inf),
        ({"barrier": "bollard"}, np.inf, np.inf),
        ({"barrier": "bollard", "motor_vehicle": "yes"}, 60.0, 70.0),
        ({"highway": "traffic_signals"}, 63.0, 74.0),
    ],
)
def test_what_stands_on_the_road(
    tmp_path: Path, tags: dict[str, str], least_s: float, most_s: float
) -> None:
    """Two towns, and one road between them with something on it."""
    found = drive_s(tmp_path, two_towns(tags), (0, 6.5), (0, 7.5))
    assert least_s <= found <= most_s


def test_a_forbidden_turn_is_not_taken(tmp_path: Path) -> None:
    made = lattice(2, 3)
    # from the first row up the middle column is forbidden, or the only way is straight on
    assert drive_s(tmp_path, made, (0, 0.5), (0.5, 1)) == pytest.approx(
        (0.5 * EAST_M + 0.5 * NORTH_M) / TERTIARY_MS, rel=0.05
    )
    around = (1.5 * EAST_M + 1.5 * NORTH_M) / TERTIARY_MS
    for kind, end in (("no_left_turn", 4), ("only_straight_on", 1)):
        limited = made._replace(restrictions=((kind, 1, 2, end),))
        found = drive_s(tmp_path, limited, (0, 0.5), (0.5, 1))
        assert found > around * 0.95
        assert found < around * 1.4


def test_a_ferry_by_its_timetable(tmp_path: Path) -> None:
    towns = lattice(7, 7)
    nodes = dict(towns.nodes) | {n + 100: (r, c + 12) for n, (r, c) in towns.nodes.items()}
    ways = dict(towns.ways) | {
        n + 100: ([i + 100 for i in w], t) for n, (w, t) in towns.ways.items()
    }
    for tags, expected_s in (
        ({"route": "ferry", "duration": "00:20", "interval": "00:30"}, 20 * 60 + 15 * 60),
        ({"route": "ferry", "duration": "00:20"}, 20 * 60 + 300),
        ({"route": "ferry"}, 6 * EAST_M / (20 * KMH) + 300),
        ({"route": "ferry", "foot": "yes"}, np.inf),
        ({"route": "ferry", "motor_vehicle": "no"}, np.inf),
    ):
        made = Made(nodes, ways | {999: ([7, 101], tags)})
        found = drive_s(tmp_path, made, (0, 6), (0, 12))
        assert found == pytest.approx(expected_s, abs=30.0) or found == expected_s


def test_an_island_is_not_reached_and_a_courtyard_is_passed_over(tmp_path: Path) -> None:
    towns = lattice(7, 7)
    nodes = dict(towns.nodes) | {n + 100: (r, c + 12) for n, (r, c) in towns.nodes.items()}
    ways = dict(towns.ways) | {
        n + 100: ([i + 100 for i in w], t) for n, (w, t) in towns.ways.items()
    }
    nodes |= {900: (0.5, 0.5), 901: (0.5, 0.6)}
    ways[900] = ([900, 901], ROAD)
    made = Made(nodes, ways)
    assert drive_s(tmp_path, made, (0, 0), (0, 14)) == np.inf
    assert drive_s(tmp_path, made, (0, 0), (0.5, 0.55)) < 200.0


def test_the_way_is_what_its_time_says() -> None:
    drives = Drives(build(read_ways(VALLEY)))
    rng = np.random.default_rng(7)
    south, west, north, east = drives.network.graph.bounds()
    told = 0
    for _ in range(60):
        start, end = ((rng.uniform(south, north), rng.uniform(west, east)) for _ in range(2))
        way, snapped = drives.way(start, end)
        if way is None:
            continue
        told += 1
        pair = drives.pairs(np.array([[*start, *end]]))[0]
        assert pair is not None
        assert pair.time_s == pytest.approx(way.time_s)
        assert pair.distance_m == pytest.approx(way.length_m)
        assert sum(s.length_m for s in way.stretches) == pytest.approx(way.length_m, abs=1.0)
        assert sum(s.time_s for s in way.stretches) == pytest.approx(way.time_s, abs=1.0)
        assert way.line[0] == pytest.approx(
            [snapped.latitude_deg[0], snapped.longitude_deg[0]], abs=2e-5
        )
        assert way.line[-1] == pytest.approx(
            [snapped.latitude_deg[1], snapped.longitude_deg[1]], abs=2e-5
        )
        step_m = np.hypot(*(np.diff(way.line, axis=0) * [111_170.0, 75_800.0]).T)
        assert float(step_m.sum()) == pytest.approx(way.length_m, rel=0.01, abs=5.0)
    assert told > 50


def test_snapping_finds_the_nearest_road_of_all() -> None:
    """Against a look at every segment."""
    drives = Drives(build(read_ways(VALLEY)))
    graph = drives.network.graph
    rng = np.random.default_rng(8)
    south, west, north, east = graph.bounds()
    points = np.column_stack([rng.uniform(south, north, 80), rng.uniform(west, east, 80)])
    snapped = drives.snap(points[:, 0], points[:, 1])
    usable = np.flatnonzero(drives.network.component >= 0)
    shapes = [graph.shape(int(e)) for e in usable]
    for n, (latitude_deg, longitude_deg) in enumerate(points.tolist()):
        scale = np.array([111_170.0, 111_320.0 * np.cos(np.radians(latitude_deg))])
        best = np.inf
        for shape in shapes:
            xy = (shape - [latitude_deg, longitude_deg]) * scale
            a, along = xy[:-1], np.diff(xy, axis=0)
            share = np.clip(
                -(a * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), 1e-9), 0, 1
            )
            best = min(best, float(np.hypot(*(a + along * share[:, None]).T).min()))
        assert snapped.walk_m[n] == pytest.approx(best, rel=0.003, abs=0.5)
