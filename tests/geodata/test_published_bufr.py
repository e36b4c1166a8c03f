"""Soundings as weather services sent them, against what an independent decoder prints of them.

Files and licences: tests/data/soundings/SOURCE.md.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from server.geodata.measured import read_measured
from server.geodata.wind_values import WindsError

SOUNDINGS = Path(__file__).parents[1] / "data" / "soundings"
# geopotential height (m), wind from (degrees), speed (m/s): printed in pybufrkit's uegabe.values.cmp
PRINTED = (
    (823, 265, 7.0),
    (1_534, 270, 15.0),
    (3_140, 270, 9.0),
    (5_800, 270, 20.0),
    (7_470, 280, 20.0),
    (9_500, 280, 25.0),
    (10_720, 280, 29.0),
    (12_150, 275, 29.0),
    (13_970, 275, 22.0),
    (16_560, 290, 5.0),
)

pytest.importorskip("eccodes")


def test_a_sounding_is_what_its_source_prints() -> None:
    (read,) = read_measured(SOUNDINGS / "uegabe.bufr", None)
    height_m, from_deg, speed_ms = np.array(PRINTED).T
    # by the definition of geopotential height with the mean radius of the earth, 6,371 km
    np.testing.assert_allclose(read.altitude_m, height_m / (1 - height_m / 6_371_000.0), atol=0.2)
    np.testing.assert_allclose(np.hypot(read.east_ms, read.north_ms), speed_ms, atol=1e-9)
    blows_from = np.degrees(np.arctan2(-read.east_ms, -read.north_ms)) % 360.0
    np.testing.assert_allclose(blows_from, from_deg, atol=1e-6)
    assert read.latitude_deg == pytest.approx(49.69273)
    assert read.longitude_deg == pytest.approx(7.32633)
    begun_s = datetime(2015, 7, 12, 5, 1, tzinfo=UTC).timestamp()
    assert set(read.time_s) == {begun_s}


def test_an_older_template_tells_height_as_geopotential() -> None:
    """Four stations: one level of each lies where 850 hPa does in the U.S. Standard Atmosphere 1976."""
    soundings = read_measured(SOUNDINGS / "temp_101.bufr", None)
    assert len(soundings) == 4
    for one in soundings:
        assert (np.diff(one.altitude_m) > 0.0).all()
        assert 20_000.0 < one.altitude_m[-1] < 35_000.0
        near = np.abs(one.altitude_m - 1_457.0).min()
        assert near < 150.0, "the wind at 850 hPa: 1,457 m in the standard atmosphere"


def test_surface_reports_are_no_sounding() -> None:
    """They tell a wind and a height as well."""
    with pytest.raises(WindsError, match=r"ISMD01_OKPR\.bufr: no sounding"):
        read_measured(SOUNDINGS / "ISMD01_OKPR.bufr", None)
