"""The season's westerlies: against published cross-sections, and fitted anew with days left out."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from server.flight.landing.season import westerly_ms
from tests.flights import flown, real_logs

BANDS_M = np.array([9_000.0, 11_000.0, 13_000.0, 15_000.0])


def moment(month: int) -> float:
    return datetime(2024, month, 15, tzinfo=UTC).timestamp()


def at(altitude_m: float, latitude_deg: float, month: int) -> float:
    return float(westerly_ms(np.array([altitude_m]), latitude_deg, moment(month))[0])


def test_the_jets_are_as_a_published_climatology_has_them() -> None:
    """S. Lubis, Seasonal Climatology: Zonal Wind (2012), from ERA-Interim 1989 to 2007: at 200 hPa, 10 to
    12 km, about 30 m/s in winter at 30 degrees, less than 24 m/s in summer at 45; easterlies in the tropics
    and above 200 hPa in summer."""
    assert at(12_000.0, 32.0, 1) == pytest.approx(30.0, abs=3.0)
    assert 5.0 < at(12_000.0, 45.0, 7) < 24.0
    assert at(28_000.0, 45.0, 7) < 0.0 < at(28_000.0, 45.0, 1)
    assert at(12_000.0, 5.0, 1) == 0.0


@pytest.mark.parametrize("altitude_m", [3_000.0, 12_000.0, 28_000.0])
def test_the_south_has_its_seasons_half_a_year_later(altitude_m: float) -> None:
    assert at(altitude_m, -40.0, 7) == pytest.approx(at(altitude_m, 40.0, 1), abs=0.3)


def test_it_goes_on_from_year_to_year_and_from_latitude_to_latitude() -> None:
    days_s = moment(1) + 86_400.0 * np.arange(800)
    year = [float(westerly_ms(np.array([12_000.0]), 40.0, day_s)[0]) for day_s in days_s]
    assert np.abs(np.diff(year)).max() < 0.3
    across = [at(12_000.0, float(latitude), 1) for latitude in range(-90, 91)]
    assert np.abs(np.diff(across)).max() < 4.0


def test_with_the_day_left_out_it_halves_what_is_not_known() -> None:
    """Shared flights (tests/data/flights/SOURCE.md), 9 to 15 km: a mean, a yearly wave."""
    days: dict[str, list[np.ndarray]] = {}
    for log in real_logs():
        question = flown(log).flights[0].landing_question()
        assert question is not None
        seen = question.winds_met()
        of_band = np.digitize(250.0 * seen.layer + 125.0, BANDS_M) - 1
        day = datetime.fromtimestamp(float(question.time_s[0]), UTC)
        east_ms = [seen.east_ms[of_band == n] for n in range(len(BANDS_M) - 1)]
        if all(len(one) for one in east_ms):
            days.setdefault(f"{day:%Y %j}", []).append(np.array([one.mean() for one in east_ms]))
    assert len(days) > 30
    east = np.array([np.mean(of_day, axis=0) for of_day in days.values()])
    angle = 2 * np.pi * (np.array([int(day[5:]) for day in days]) - 20.0) / 365.25
    design = np.column_stack([np.ones(len(angle)), np.cos(angle)])
    off = np.empty_like(east)
    for n in range(len(east)):
        others = np.arange(len(east)) != n
        fitted, *_ = np.linalg.lstsq(design[others], east[others], rcond=None)
        off[n] = east[n] - design[n] @ fitted
    assert np.sqrt(np.mean(off**2)) < 0.55 * np.sqrt(np.mean(east**2))
    middle_m = (BANDS_M[1:] + BANDS_M[:-1]) / 2
    whole, *_ = np.linalg.lstsq(design, east, rcond=None)
    crest_s = datetime(2024, 1, 21, tzinfo=UTC).timestamp()
    np.testing.assert_allclose(westerly_ms(middle_m, 40.0, crest_s), whole.sum(axis=0), atol=0.5)
