"""Terrain tiles and areas to be avoided, written by the tests, read back, and used by the landing."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.flight.inputs import AvoidArea, Plan
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.geodata.avoid import AvoidError, read_areas
from server.geodata.surroundings import SurroundingsError, open_surroundings
from server.geodata.terrain import TerrainError, TerrainFolder
from tests.flight.test_landing import PLAN
from tests.flights import LAUNCH, made_flight, position_at
from tests.seen import shown


def write_hgt(folder: Path, south: int, west: int, heights: np.ndarray) -> Path:
    """An SRTM tile: rows from the north, big-endian 16-bit metres."""
    name = f"N{south:02d}W{-west:03d}.hgt"
    (folder / name).write_bytes(heights.astype(">i2").tobytes())
    return folder / name


def slope(side: int = 1201) -> np.ndarray:
    """Rises by 1,200 m from west to east and by 120 m from north to south."""
    row, column = np.mgrid[0:side, 0:side]
    return np.asarray(column * 1_200.0 / (side - 1) + row * 120.0 / (side - 1) + 300.0)


def test_heights_between_the_posts(tmp_path: Path) -> None:
    write_hgt(tmp_path, 38, -99, np.round(slope()))
    ground = TerrainFolder(tmp_path)
    # at 38.25 N, 98.4 W: 0.6 of the way east, 0.75 of the way south
    assert ground(38.25, -98.4) == pytest.approx(300 + 0.6 * 1_200 + 0.75 * 120, abs=1.0)
    assert ground(38.999, -98.999) == pytest.approx(300 + 1.2 + 0.1, abs=1.0)
    assert ground(37.9, -98.4) is None
    many = ground.heights(np.array([38.25, 50.0]), np.array([-98.4, -98.4]))
    assert np.isnan(many[1])
    assert many[0] == pytest.approx(ground(38.25, -98.4))


def test_no_data_is_not_a_height(tmp_path: Path) -> None:
    heights = slope()
    heights[600, 600] = -32_768
    write_hgt(tmp_path, 38, -99, heights)
    ground = TerrainFolder(tmp_path)
    assert ground(38.5, -98.5) is None
    assert ground(38.51, -98.51) is not None


def test_broken_tiles_are_named(tmp_path: Path) -> None:
    (tmp_path / "N38W099.hgt").write_bytes(b"\0" * 100)
    with pytest.raises(TerrainError, match=r"N38W099\.hgt: 2,884,802 or 25,934,402 bytes"):
        TerrainFolder(tmp_path)
    with pytest.raises(TerrainError, match="no such folder"):
        TerrainFolder(tmp_path / "none")
    with pytest.raises(SurroundingsError, match="no such folder"):
        open_surroundings(tmp_path, "none", ())


def landing(plan: Plan, terrain: TerrainFolder | None, until_s: float = 6_300.0) -> dict[str, Any]:
    flight = Mission(plan, terrain)
    flight.receive(list(made_flight(until_s)))
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    return shown(flight, (question, answer))


def test_the_fall_ends_on_the_ground_that_is_there(tmp_path: Path) -> None:
    flat = np.full((1201, 1201), 560.0)
    for west in (-99, -98):
        write_hgt(tmp_path, 38, west, flat)
    level = landing(PLAN, TerrainFolder(tmp_path))["landing"]
    for west in (-99, -98):
        write_hgt(tmp_path, 38, west, flat + 1_000.0)
    raised = landing(PLAN, TerrainFolder(tmp_path))
    assert level["altitude_m"] == pytest.approx(560.0, abs=5.0)
    assert raised["landing"]["altitude_m"] == pytest.approx(1_560.0, abs=5.0)
    # 1,000 m less to fall at about 5.2 m/s, while it drifts east at 8 m/s
    sooner_m = (level["longitude_deg"] - raised["landing"]["longitude_deg"]) * 87_300.0
    assert sooner_m == pytest.approx(8.0 * 1_000.0 / 5.2, rel=0.15)
    assert raised["track"]["height_above_ground_m"] == pytest.approx(
        raised["track"]["altitude_m"] - 1_560.0, abs=5.0
    )


def square(name: str, west: float, south: float, east: float, north: float) -> dict[str, Any]:
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {
        "type": "Feature",
        "properties": {"name": name},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def test_chance_of_an_area_to_be_avoided(tmp_path: Path) -> None:
    latitude_deg, longitude_deg, _ = position_at(20_000.0)  # where it comes to rest
    file = tmp_path / "avoid.geojson"
    here = square(
        "Range", longitude_deg - 0.3, latitude_deg - 0.3, longitude_deg + 0.3, latitude_deg + 0.3
    )
    half = square(
        "Lake", longitude_deg, latitude_deg - 0.3, longitude_deg + 0.3, latitude_deg + 0.3
    )
    far = square("Airfield", LAUNCH[1] - 1.2, 38.0, LAUNCH[1] - 1.0, 38.2)
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [here, half, far]}))
    areas = tuple(read_areas(file))
    state = landing(replace(PLAN, avoid=areas), None)
    chances = {a["name"]: a["chance"] for a in state["landing"]["avoid"]}
    assert chances["Range"] > 0.99
    assert 0.1 < chances["Lake"] < 0.9
    assert chances["Airfield"] == 0.0
    assert [f["properties"]["name"] for f in state["avoid"]] == ["Range", "Lake", "Airfield"]


WRONG_AREAS = [
    ("not json", "not JSON"),
    ('{"type": "FeatureCollection", "features": []}', "no Feature"),
    ('{"type": "Point", "coordinates": [1, 2]}', "FeatureCollection of polygons"),
    ('{"type": "Polygon", "coordinates": [[[1, 2], [3, 4]]]}', "4 to"),
    ('{"type": "Polygon", "coordinates": [[[1, 2], [3, 400], [5, 6], [1, 2]]]}', "no longitude"),
    ('{"type": "Polygon", "coordinates": [[["a"], 3, null, 4]]}', "rings of"),
    ('{"type": "Polygon"}', "rings of"),
    ('{"type": "MultiPolygon"}', "rings of"),
    ('{"type": "MultiPolygon", "coordinates": null}', "rings of"),
    ('{"type": "MultiPolygon", "coordinates": []}', "a MultiPolygon without a ring"),
    ('{"type": "Polygon", "coordinates": []}', "a Polygon without a ring"),
    (
        (
            '{"type": "Feature", "properties": [1], "geometry": {"type": "Polygon", "coordinates": '
            "[[[0, 0], [1, 0], [1, 1], [0, 0]]]}}"
        ),
        "Feature 1: an object of properties expected, not a list",
    ),
]


@pytest.mark.parametrize(("text", "words"), WRONG_AREAS)
def test_a_wrong_file_of_areas_is_explained(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "areas.geojson"
    file.write_text(text)
    with pytest.raises(AvoidError, match=words):
        read_areas(file)


def test_holes_are_not_in_the_area() -> None:
    ring = ((-98.0, 38.0), (-97.0, 38.0), (-97.0, 39.0), (-98.0, 39.0), (-98.0, 38.0))
    hole = ((-97.99, 38.01), (-97.01, 38.01), (-97.01, 38.99), (-97.99, 38.99), (-97.99, 38.01))
    state = landing(replace(PLAN, avoid=(AvoidArea("Ring", (ring, hole)),)), None)
    assert state["landing"]["avoid"][0]["chance"] < 0.1
