"""The rehearsal's own atmosphere against the printed table of the U.S. Standard Atmosphere, 1976."""

from __future__ import annotations

import ambiance
import numpy as np
import pytest

from server.rehearsal.air import density, temperature_pressure, viscosity

# geometric altitude m, temperature K, pressure Pa, density kg/m³ (table I, as in ../shared/checks.md)
TABLE = (
    (0.0, 288.15, 101_325.0, 1.2250),
    (5_000.0, 255.68, 54_048.0, 0.73643),
    (10_000.0, 223.25, 26_500.0, 0.41351),
    (15_000.0, 216.65, 12_112.0, 0.19475),
    (20_000.0, 216.65, 5_529.3, 0.08891),
    (25_000.0, 221.55, 2_549.2, 0.040084),
    (30_000.0, 226.51, 1_197.0, 0.018410),
    (35_000.0, 236.51, 574.59, 0.0084633),
    (40_000.0, 250.35, 287.14, 0.0039957),
)
ONE_IN_TWO_THOUSAND = 5e-4


@pytest.mark.parametrize(("altitude_m", "kelvin", "pascal", "kg_m3"), TABLE)
def test_printed_table(altitude_m: float, kelvin: float, pascal: float, kg_m3: float) -> None:
    temperature, pressure = temperature_pressure(altitude_m)
    assert float(temperature) == pytest.approx(kelvin, rel=ONE_IN_TWO_THOUSAND)
    assert float(pressure) == pytest.approx(pascal, rel=ONE_IN_TWO_THOUSAND)
    assert float(density(altitude_m)) == pytest.approx(kg_m3, rel=ONE_IN_TWO_THOUSAND)


def test_reference_library() -> None:
    heights = np.linspace(0.0, 45_000.0, 91)
    reference = ambiance.Atmosphere(heights)
    temperature, pressure = temperature_pressure(heights)
    np.testing.assert_allclose(temperature, reference.temperature, rtol=1e-4)
    np.testing.assert_allclose(pressure, reference.pressure, rtol=1e-3)
    np.testing.assert_allclose(viscosity(heights), reference.dynamic_viscosity, rtol=1e-3)
