"""The chase over roads in a process of its own."""

from __future__ import annotations

import os
import signal
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest

from server.flight.chase.drives import chase
from server.flight.chase.question import Car, Chase
from server.geodata.roads.apart import RoadsApart
from server.geodata.roads.roads import OpenRoads
from tests.flight.test_waiting import NOW_S, question
from tests.geodata.roads.extracts import VALLEY, place


def test_in_a_process_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "valley.osm.pbf"
    path.write_bytes(VALLEY.read_bytes())
    told: list[tuple[str, float]] = []
    roads = RoadsApart([path], lambda name, done: told.append((name, done)))
    try:
        roads.wait()
        assert roads.problem is None
        asked = question((47.2, 9.53), 800.0, cars=(Car("Car 1", True, True, NOW_S, 47.07, 9.50),))
        apart, here = roads.chase(asked), chase(asked, OpenRoads([path]))
        assert isinstance(apart, Chase)
        assert here is not None
        assert apart.reached == here.reached
        assert apart.cars[0].alone == here.cars[0].alone
        lines = roads.reach(47.14, 9.52, [10.0, 20.0])
        assert lines is not None
        assert [bool(some) for some in lines] == [True, True]
        extent = [max(lat for line in some for _, lat in line) for some in lines]
        assert 47.16 < extent[0] < extent[1] < 47.35
    finally:
        roads.close()
    assert told


def test_a_process_that_dies_is_begun_again(tmp_path: Path) -> None:
    path = tmp_path / "valley.osm.pbf"
    path.write_bytes(VALLEY.read_bytes())
    roads = RoadsApart([path])
    asked = question((47.2, 9.53), 800.0, cars=(Car("Car 1", True, True, NOW_S, 47.07, 9.50),))
    try:
        roads.wait()
        assert roads.chase(asked) is not None
        assert roads.process_id is not None
        os.kill(roads.process_id, signal.SIGKILL)
        with pytest.raises(BrokenProcessPool):
            roads.chase(asked)
        roads.wait()
        assert roads.problem is None
        assert roads.chase(asked) is not None
    finally:
        roads.close()


def test_a_bad_extract_in_flight_is_told(tmp_path: Path) -> None:
    path = tmp_path / "kansas.osm.pbf"
    path.write_bytes(b"<html>")
    roads = RoadsApart([path])
    try:
        roads.wait()
        assert roads.problem is not None
        assert "kansas.osm.pbf: a web page" in roads.problem
        assert roads.chase(question(place(0, 0), 100.0)) is None
    finally:
        roads.close()
