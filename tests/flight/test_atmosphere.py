"""Against the U.S. Standard Atmosphere 1976: its printed table, and the library ambiance."""

from __future__ import annotations

import ambiance
import numpy as np
import pytest

from server.flight.physics import atmosphere

# geometric altitude m, temperature K, pressure Pa, density kg/m³: U.S. Standard Atmosphere, 1976
TABLE = [
    (0, 288.15, 101_325.0, 1.2250),
    (5_000, 255.68, 54_048.0, 0.73643),
    (10_000, 223.25, 26_500.0, 0.41351),
    (15_000, 216.65, 12_112.0, 0.19475),
    (20_000, 216.65, 5_529.3, 0.08891),
    (25_000, 221.55, 2_549.2, 0.040084),
    (30_000, 226.51, 1_197.0, 0.018410),
    (35_000, 236.51, 574.59, 0.0084633),
    (40_000, 250.35, 287.14, 0.0039957),
]


@pytest.mark.parametrize(("altitude_m", "kelvin", "pascal", "density"), TABLE)
def test_printed_table(altitude_m: float, kelvin: float, pascal: float, density: float) -> None:
    a_tenth_of_a_percent = 1e-3
    assert atmosphere.temperature_k(altitude_m) == pytest.approx(kelvin, rel=a_tenth_of_a_percent)
    assert atmosphere.pressure_pa(altitude_m) == pytest.approx(pascal, rel=a_tenth_of_a_percent)
    assert atmosphere.density_kg_m3(altitude_m) == pytest.approx(density, rel=a_tenth_of_a_percent)


def test_reference_library() -> None:
    altitude_m = np.linspace(-1_000.0, 70_000.0, 1_421)
    oracle = ambiance.Atmosphere(altitude_m)
    np.testing.assert_allclose(atmosphere.temperature_k(altitude_m), oracle.temperature, rtol=1e-6)
    np.testing.assert_allclose(atmosphere.pressure_pa(altitude_m), oracle.pressure, rtol=2e-5)
    np.testing.assert_allclose(atmosphere.density_kg_m3(altitude_m), oracle.density, rtol=2e-5)


def test_density_table_for_single_altitudes() -> None:
    for altitude_m in np.linspace(0.0, 45_000.0, 301).tolist():
        exact = float(atmosphere.density_kg_m3(altitude_m))
        assert atmosphere.sqrt_density(altitude_m) ** 2 == pytest.approx(exact, rel=1e-4)
        above = float(atmosphere.density_kg_m3(altitude_m + 10.0))
        slope = (above - exact) / 10.0
        scale_height_m = atmosphere.density_scale_height_m(altitude_m)
        assert scale_height_m == pytest.approx(-exact / slope, rel=0.01)


def test_pressure_altitude_is_the_inverse() -> None:
    for altitude_m in (0.0, 1_600.0, 11_000.0, 31_000.0):
        pressure = float(atmosphere.pressure_pa(altitude_m))
        assert atmosphere.pressure_altitude_m(pressure) == pytest.approx(altitude_m, abs=0.5)
    with pytest.raises(ValueError, match="above 0 Pa"):
        atmosphere.pressure_altitude_m(0.0)


def test_nonsense_altitudes_are_clamped() -> None:
    assert np.isfinite(atmosphere.density_kg_m3(1e9))
    assert np.isfinite(atmosphere.density_kg_m3(-1e9))
    assert atmosphere.sqrt_density(1e9) > 0
