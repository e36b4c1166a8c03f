"""GRIB2 of an ensemble: its mean is the forecast, and what its members differ by is its doubt."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from server.geodata.forecast_winds import ForecastError
from server.geodata.grib import read_grib
from tests.flights import T0
from tests.geodata.grib_files import EAST_MS, HEIGHTS_M, Value, wind, write_grib

MEMBERS_MS = (-3.0, 0.0, 4.0, 7.0)  # by which a member's east wind differs, the same on all levels
AT = (38.3, -98.2, T0)


def _from_the_west(off_ms: float) -> dict[str, Value]:
    return wind(lambda at: EAST_MS[at.level] + off_ms, lambda _: 2.0)


def ensemble(
    folder: Path, off_ms: tuple[float, ...] = MEMBERS_MS, levels_of_last: int = 10
) -> Path:
    """One file of all members, written one after the other; the last may have fewer levels."""
    whole = folder / "ensemble.grib2"
    parts = []
    for number, off in enumerate(off_ms):
        last = number == len(off_ms) - 1
        part = write_grib(
            folder / f"{number}.grib2",
            _from_the_west(off),
            productDefinitionTemplateNumber=1,
            perturbationNumber=number,
            numberOfForecastsInEnsemble=len(off_ms),
            levels=levels_of_last if last else 10,
        )
        parts.append(part.read_bytes())
    whole.write_bytes(b"".join(parts))
    return whole


def test_the_mean_of_the_members_is_the_forecast(tmp_path: Path) -> None:
    forecast = read_grib(ensemble(tmp_path))
    altitude_m, east_ms, north_ms = forecast.profile(*AT)
    np.testing.assert_allclose(altitude_m, HEIGHTS_M, atol=1.0)
    np.testing.assert_allclose(east_ms, np.array(EAST_MS) + np.mean(MEMBERS_MS), atol=0.05)
    np.testing.assert_allclose(north_ms, 2.0, atol=0.05)


def test_their_spread_is_that_of_a_sample(tmp_path: Path) -> None:
    """numpy's standard deviation with n - 1, of the east component; the north one has none."""
    found = read_grib(ensemble(tmp_path)).spread(*AT)
    assert found is not None
    altitude_m, sigma_ms = found
    np.testing.assert_allclose(altitude_m, HEIGHTS_M, atol=1.0)
    expected_ms = np.std(MEMBERS_MS, ddof=1) / np.sqrt(2.0)
    np.testing.assert_allclose(sigma_ms, expected_ms, atol=0.05)


def test_one_run_tells_no_spread(tmp_path: Path) -> None:
    assert read_grib(write_grib(tmp_path / "one.grib2")).spread(*AT) is None


def test_a_member_that_is_not_in_all_fields_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ForecastError, match="the same members of the ensemble expected"):
        read_grib(ensemble(tmp_path, levels_of_last=7))
