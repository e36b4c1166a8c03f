"""Where to wait, against looking at every junction for every member; and what is said with it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.flight.chase.drives import chase
from server.flight.chase.question import Car, ChaseQuestion
from server.flight.chase.roads import Beyond, Fields
from server.flight.chase.waiting import (
    Groups,
    best,
    best_for_worst,
    best_together,
    delays,
    grouped,
    is_worth_it,
    together_mean_s,
    worst_of,
)
from server.flight.physics.geodesy import LocalFrame
from server.flight.road_state import WaitMove
from server.geodata.roads.roads import OpenRoads
from tests.geodata.roads.extracts import ROAD, Made, by_hand, lattice, place, write

NOW_S = 1_000_000.0


def question(centre: tuple[float, float], spread_m: float, **changes: Any) -> ChaseQuestion:
    """400 members about a place, half an hour before they land, and a car."""
    rng = np.random.default_rng(changes.pop("seed", 1))
    frame = LocalFrame(*centre)
    members = frame.to_latlon(rng.normal(0.0, spread_m, 400), rng.normal(0.0, spread_m / 2, 400))
    given: dict[str, Any] = {
        "flight": "Tern",
        "basis": "prediction",
        "as_of_s": NOW_S,
        "now_s": NOW_S,
        "latitude_deg": centre[0],
        "longitude_deg": centre[1],
        "member_latitude_deg": members[0],
        "member_longitude_deg": members[1],
        "member_landing_s": NOW_S + rng.normal(1_800.0, 120.0, 400),
        "cars": (Car("Car 1", True, True, NOW_S, *place(0, 0)),),
    }
    return ChaseQuestion(**given | changes)


@pytest.fixture
def roads(tmp_path: Path) -> OpenRoads:
    """Nine by nine roads, of which some are slow."""
    made = lattice(9, 9)
    kinds = {0: {"highway": "track", "tracktype": "grade2"}, 3: {"highway": "primary"}}
    ways = {n: (line, kinds.get(n % 5, ROAD)) for n, (line, _) in made.ways.items()}
    return OpenRoads([write(tmp_path / "lattice.osm.pbf", made._replace(ways=ways))])


def test_against_brute_force(roads: OpenRoads) -> None:
    """The best junction of all, by Bellman and Ford's way to every member's road."""
    asked = question(place(4.3, 4.6), 1_500.0)
    found = chase(asked, roads)
    assert found is not None
    advice = found.cars[0].alone
    assert advice is not None
    network = roads.region.network
    graph = network.graph
    points = asked.member_latitude_deg, asked.member_longitude_deg
    stops, _ = roads.stops(*points, roads.cars(*(np.array([v]) for v in place(0, 0))).stop)
    time_s = np.array(
        [[by_hand(network, a, b) for b in range(graph.junctions)] for a in range(graph.junctions)]
    )
    arc_s, run_s = network.arc_s.reshape(-1, 2), network.run_s.reshape(-1, 2)
    edge, share = stops.stop.edge, stops.stop.share
    begin, end = graph.ends[edge].T
    to_member = np.minimum(
        time_s[:, begin] + run_s[edge, 0] * share, time_s[:, end] + run_s[edge, 1] * (1.0 - share)
    )
    assert arc_s.shape == run_s.shape
    first = int(np.argmin(np.hypot(*(graph.junction_e7 * 1e-7 - place(0, 0)[::-1]).T)))
    late_s = np.maximum(NOW_S + time_s[first][:, None] - asked.member_landing_s[None], 0.0)
    mean_s = (late_s + to_member).mean(axis=1)
    waits = roads.region.waiting
    chosen = int(
        np.argmin(
            np.hypot(*(graph.junction_e7 * 1e-7 - [advice.longitude_deg, advice.latitude_deg]).T)
        )
    )
    # groups stand for members: the place is as good as the best of all within a few seconds
    assert mean_s[chosen] < mean_s[waits].min() + 5.0
    assert advice.mean_s == pytest.approx(mean_s[chosen], abs=15.0)
    assert advice.middle_s is not None
    assert advice.mean_s <= advice.middle_s


def test_the_places_of_several_cars_against_all_pairs() -> None:
    """Two cars, every pair of places; three cars, every triple: on times drawn by chance."""
    rng = np.random.default_rng(2)
    for cars, places in ((2, 40), (3, 14)):
        worse = []
        for _ in range(20):
            spots, goals = rng.uniform(0, 20, (places, 2)), rng.normal(10, 4, (12, 2))
            to_group = np.hypot(*(goals[:, None] - spots[None]).transpose(2, 0, 1)) * 60
            fields = Fields(spots[:, 0], spots[:, 1], rng.uniform(0, 900, (cars, places)), to_group)
            groups = Groups(
                np.arange(12), np.arange(12), np.full(12, 1 / 12), np.full(12, NOW_S + 600.0)
            )
            delay_s = delays(fields, groups, NOW_S)
            found = best_together(delay_s, groups.weight)
            assert found is not None
            every = np.indices((places,) * cars).reshape(cars, -1)
            chosen = np.stack([delay_s[c][every[c]] for c in range(cars)])
            least = float((chosen.min(axis=0) @ groups.weight).min())
            worse.append(together_mean_s(delay_s, groups.weight, found) / least)
        # each car in turn need not find the best of all, but never by much
        assert max(worse) < 1.05
        assert np.mean(worse) < 1.01


def test_the_worst_tenth() -> None:
    rng = np.random.default_rng(3)
    delay_s = rng.exponential(100.0, (5, 200))
    weight = np.full(200, 1 / 200)
    assert worst_of(delay_s, weight) == pytest.approx(
        np.sort(delay_s, axis=1)[:, -20:].mean(axis=1)
    )
    # one group of three tenths: a part of it is the worst tenth
    assert worst_of(np.array([[10.0, 50.0]]), np.array([0.7, 0.3])) == pytest.approx([50.0])
    assert worst_of(np.array([[10.0, 50.0]]), np.array([0.95, 0.05])) == pytest.approx([30.0])
    assert best_for_worst(
        np.array([[0.0, 900.0], [400.0, 420.0]]), np.array([0.9, 0.1])
    ) == pytest.approx((1, 402.0, 420.0))
    assert best(np.array([[0.0, 900.0], [400.0, 420.0]]), np.array([0.9, 0.1])) == pytest.approx(
        (0, 90.0, 900.0)
    )


def test_groups_stand_for_the_members() -> None:
    rng = np.random.default_rng(4)
    x_m, y_m, landing_s = rng.normal(0, 5_000, (3, 2_000))
    groups = grouped(x_m, y_m, landing_s)
    assert groups.weight.sum() == pytest.approx(1.0)
    assert float((groups.weight * groups.landing_s).sum()) == pytest.approx(float(landing_s.mean()))
    goal = np.array([3_000.0, -2_000.0])
    away_m = np.hypot(x_m - goal[0], y_m - goal[1])
    by_groups = float(away_m[groups.member] @ groups.weight)
    assert by_groups == pytest.approx(float(away_m.mean()), rel=0.03)
    few = grouped(x_m[:5], y_m[:5], landing_s[:5])
    assert few.member.tolist() == [0, 1, 2, 3, 4]


def test_a_place_is_kept_until_another_is_worth_it(roads: OpenRoads) -> None:
    asked = question(place(4.3, 4.6), 1_500.0)
    first = chase(asked, roads)
    assert first is not None
    advice = first.cars[0].alone
    assert advice is not None
    assert (advice.moved, advice.since_s) == (WaitMove.FIRST, NOW_S)
    # other members of the same area, a minute later: it stays
    again = chase(question(place(4.3, 4.6), 1_500.0, seed=9, before=first, now_s=NOW_S + 60), roads)
    assert again is not None
    kept = again.cars[0].alone
    assert kept is not None
    assert kept[:2] == advice[:2]
    assert (kept.moved, kept.since_s) == (WaitMove.FIRST, NOW_S)
    # the area has moved by kilometres: it moves, and says why and what that wins
    later = chase(question(place(7.3, 1.6), 1_000.0, before=again, now_s=NOW_S + 120), roads)
    assert later is not None
    moved = later.cars[0].alone
    assert moved is not None
    assert moved[:2] != advice[:2]
    assert (moved.moved, moved.since_s) == (WaitMove.AREA, NOW_S + 120)
    assert moved.gain_s is not None
    assert moved.gain_s > 60.0
    assert moved.area_moved_m == pytest.approx(4_200.0, abs=300.0)
    assert not is_worth_it(100.0, 75.0)  # half a minute at least
    assert not is_worth_it(500.0, 455.0)  # a tenth
    assert is_worth_it(500.0, 445.0)
    assert is_worth_it(6_000.0, 5_900.0)  # a minute at most


def test_several_cars_do_not_wait_at_one_corner(roads: OpenRoads) -> None:
    cars = tuple(Car(f"Car {n}", n == 1, n != 3, NOW_S, *place(0, 0.1 * n)) for n in (1, 2, 3))
    found = chase(question(place(4.3, 4.6), 2_500.0, cars=cars), roads)
    assert found is not None
    by_name = {one.car: one for one in found.cars}
    first, second, third = (by_name[f"Car {n}"] for n in (1, 2, 3))
    assert first.alone is not None
    assert second.alone is not None
    assert first.together is not None
    assert second.together is not None
    assert third.together is None  # it follows another flight
    assert first.alone[:2] == second.alone[:2]
    assert first.together[:2] != second.together[:2]
    assert found.together_s is not None
    assert found.apart_s is not None
    assert found.together_s < found.apart_s


def test_times_chances_and_when_to_leave(roads: OpenRoads) -> None:
    found = chase(question(place(4.3, 4.6), 1_500.0), roads)
    assert found is not None
    (car,) = found.cars
    assert car.early_s < car.median_s < car.late_s
    assert car.early_s < car.way.time_s < car.late_s
    assert car.chance_before > 0.98
    # at that moment nine chances in ten are left
    left = chase(question(place(4.3, 4.6), 1_500.0, now_s=car.leave_by_s), roads)
    assert left is not None
    assert left.cars[0].chance_before == pytest.approx(0.9, abs=0.01)
    assert found.reached.walk_m < 600.0
    assert found.no_way == ()


def test_what_lies_beyond_a_river_is_said(tmp_path: Path) -> None:
    """A river between the fourth and fifth row of roads, and no road on its far side."""
    made = lattice(9, 9)
    near = {n: w for n, w in made.ways.items() if n <= 4}  # rows 0 to 3
    near |= {n: (line[:4], tags) for n, (line, tags) in made.ways.items() if n > 9}  # columns
    nodes = dict(made.nodes) | {500 + c: (3.2, c - 1.0) for c in range(12)}
    near[500] = ([500 + c for c in range(12)], {"waterway": "river"})
    roads = OpenRoads([write(tmp_path / "river.osm.pbf", Made(nodes, near))])
    found = chase(question(place(3.2, 4.0), 300.0), roads)
    assert found is not None
    assert found.reached.beyond_water == pytest.approx(0.5, abs=0.1)
    assert found.reached.beyond_motorway == 0.0
    # far beyond the last road, and no water
    dry = dict(near)
    del dry[500]
    roads = OpenRoads([write(tmp_path / "dry.osm.pbf", Made(made.nodes, dry))])
    found = chase(question(place(5.5, 4.0), 100.0), roads)
    assert found is not None
    assert found.reached.beyond_roads > 0.95
    assert found.reached.beyond_water == 0.0


def test_a_motorway_is_no_place_to_stop_nor_to_cross(tmp_path: Path) -> None:
    made = lattice(5, 9)
    nodes = dict(made.nodes) | {500 + c: (1.5, c - 1.0) for c in range(12)}
    ways = {n: w for n, w in made.ways.items() if n in (1, 2, 6, 14)}  # rows 0, 1, two columns
    ways = {n: (line[:2] if n > 5 else line, tags) for n, (line, tags) in ways.items()}
    ways[500] = ([500 + c for c in range(12)], {"highway": "motorway", "oneway": "no"})
    roads = OpenRoads([write(tmp_path / "motorway.osm.pbf", Made(nodes, ways))])
    found = chase(question(place(1.6, 4.0), 20.0), roads)
    assert found is not None
    assert found.reached.beyond_motorway > 0.95
    assert found.reached.walk_m == pytest.approx(0.6 * 1_110, rel=0.05)
    assert int(Beyond.MOTORWAY) == 2


def test_no_roads_there_no_car_no_way(roads: OpenRoads, tmp_path: Path) -> None:
    assert (
        chase(
            question((10.0, 10.0), 500.0, cars=(Car("Car 1", True, True, NOW_S, 10.0, 10.1),)),
            roads,
        )
        is None
    )
    assert chase(question(place(4, 4), 500.0, cars=()), roads) is None
    # a second network far away: its car cannot come
    first = lattice(9, 9)
    nodes = dict(first.nodes) | {n + 100: (r, c + 12) for n, (r, c) in first.nodes.items()}
    ways = dict(first.ways) | {
        n + 100: ([i + 100 for i in w], t) for n, (w, t) in first.ways.items()
    }
    both = OpenRoads([write(tmp_path / "two.osm.pbf", Made(nodes, ways))])
    cars = (
        Car("Car 1", True, True, NOW_S, *place(0, 0)),
        Car("Car 2", False, True, NOW_S, *place(0, 14)),
    )
    found = chase(question(place(4.3, 4.6), 500.0, cars=cars), both)
    assert found is not None
    assert [one.car for one in found.cars] == ["Car 1"]
    assert found.no_way == ("Car 2",)


def test_across_180_degrees(tmp_path: Path) -> None:
    """Roads on both sides of the meridian, and a drive over it."""
    made = lattice(9, 9)
    shift = 180.0 - (-98.0) - 0.04  # the lattice's own origin to just before it
    moved = {n: (r, c + shift * 100.0) for n, (r, c) in made.nodes.items()}
    over = {n: (r, c if place(r, c)[1] <= 180.0 else c - 36_000.0) for n, (r, c) in moved.items()}
    roads = OpenRoads([write(tmp_path / "fiji.osm.pbf", made._replace(nodes=over))])
    car = Car("Car 1", True, True, NOW_S, place(0, 0)[0], 179.97)
    found = chase(question((place(4, 0)[0], -179.985), 800.0, cars=(car,)), roads)
    assert found is not None
    assert 5_000.0 < found.cars[0].way.length_m < 12_000.0
    assert np.abs(np.diff(found.cars[0].way.line[:, 1])).max() < 360.0


def test_at_rest_there_is_a_way_and_no_waiting(roads: OpenRoads) -> None:
    one = {
        "member_latitude_deg": np.array([place(4, 4)[0]]),
        "member_longitude_deg": np.array([place(4, 4)[1]]),
        "member_landing_s": np.array([NOW_S - 600.0]),
        "basis": "landed fix",
    }
    found = chase(question(place(4, 4), 100.0, **one), roads)
    assert found is not None
    assert found.cars[0].alone is None
    assert found.cars[0].chance_before == 0.0
