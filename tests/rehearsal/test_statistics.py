"""Made flights are as hard as real ones: their statistics beside those of tests/data/flights."""

from __future__ import annotations

from typing import Any

import pytest

from tests.flight_statistics import collect, made_flights, real_flights

# figure, and how far made may be from real: as a share of the real one
LIKE = (
    ("interval s, median", 0.05),
    ("lag s, median", 0.25),
    ("lag s, 95 %", 0.40),
    ("missed share, median", 0.60),
    ("longest gap s, median", 0.40),
    ("two trackers apart m, median", 0.25),
    ("two trackers height m, robust sd", 0.35),
    ("two trackers wind m/s, rms", 0.40),
    ("ascent m/s at 3 to 8 km", 0.15),
    ("ascent m/s at 12 to 18 km", 0.15),
    ("ascent m/s at 20 to 26 km", 0.20),
    ("k, median", 0.10),
    ("k scatter about its constant, robust sd", 0.40),
    ("k over that from mass, robust sd", 0.50),
    ("k at 17.5 to 20 km, relative", 0.03),
    ("k at 20 to 26 km, relative", 0.03),
    ("wind change m/s rms, 15 to 30 min", 0.25),
    ("wind change m/s rms, 60 to 75 min", 0.30),
    ("wind change m/s rms, 90 to 105 min", 0.30),
    ("its correlation over 250 m", 0.15),
    ("its correlation over 500 m", 0.35),
)


@pytest.fixture(scope="module")
def made() -> dict[str, Any]:
    return collect(made_flights(40))


@pytest.fixture(scope="module")
def real() -> dict[str, Any]:
    return collect(real_flights())


@pytest.mark.parametrize(("name", "within"), LIKE)
def test_made_is_like_real(
    name: str, within: float, made: dict[str, Any], real: dict[str, Any]
) -> None:
    assert made[name] == pytest.approx(real[name], rel=within)


def test_the_wind_loses_its_correlation_with_height(made: dict[str, Any]) -> None:
    """../shared/checks.md: none beyond 2 km."""
    assert abs(made["its correlation over 2000 m"]) < 0.12
