"""Where it is wet: known places of the Earth, from memory, against the carried map."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.landing.area import inside
from server.geodata.water import LAKES, SEA, water

WET = [
    (43.5, -87.0, LAKES),  # Lake Michigan
    (46.44, 6.55, LAKES),  # Lake Geneva
    (54.0, 3.0, SEA),  # the North Sea
    (-40.5, 146.0, SEA),  # Bass Strait, north of Tasmania
    (-17.9, 178.9, SEA),  # among the islands of Fiji
]
DRY = [(38.35, -98.2), (47.0, 8.5), (-42.0, 146.6), (39.0, -105.0)]


def is_in(lat: float, lon: float, rings: tuple[tuple[tuple[float, float], ...], ...]) -> bool:
    found = np.zeros(1, dtype=bool)
    for ring in rings:
        found ^= inside(np.array(ring), np.array([lon]), np.array([lat]))
    return bool(found[0])


def names_at(lat: float, lon: float) -> set[str]:
    areas = water((lon - 4.0, lat - 3.0, lon + 4.0, lat + 3.0))
    return {area.name for area in areas if is_in(lat, lon, area.rings)}


@pytest.mark.parametrize(("lat", "lon", "name"), WET)
def test_water_is_wet(lat: float, lon: float, name: str) -> None:
    assert names_at(lat, lon) == {name}


@pytest.mark.parametrize(("lat", "lon"), DRY)
def test_land_is_dry(lat: float, lon: float) -> None:
    assert names_at(lat, lon) == set()


def test_across_the_date_line() -> None:
    areas = {area.name: area.rings for area in water((178.0, -19.0, 182.0, -15.0))}
    assert is_in(-18.0, 179.9, areas[SEA])
    assert is_in(-18.0, -179.9, areas[SEA])
