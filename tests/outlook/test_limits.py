"""The verdict of an hour, limit by limit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from server.outlook.limits import Figures, Limit, Limits, Verdict, judge

FINE = Figures(
    distance_m=60_000.0,
    far_m=80_000.0,
    avoid_chance=0.02,
    lands_s=10_000.0,
    late_s=11_000.0,
    sunset_s=20_000.0,
    ground_wind_ms=3.0,
    ground_wind_sigma_ms=2.0,
    members=500,
)
LIMITS = Limits(100_000.0, 0.1, 3_600.0, 8.0)


def test_all_within_is_fit_and_no_limit_decides() -> None:
    assert judge(LIMITS, FINE) == (Verdict.FIT, None)
    assert judge(Limits(), replace(FINE, distance_m=9e9, avoid_chance=1.0)) == (Verdict.FIT, None)


@pytest.mark.parametrize(
    ("changes", "verdict", "limit"),
    [
        ({"far_m": 100_001.0}, Verdict.DOUBTFUL, Limit.DISTANCE),
        ({"distance_m": 100_001.0, "far_m": 120_000.0}, Verdict.UNFIT, Limit.DISTANCE),
        ({"avoid_chance": 0.09}, Verdict.DOUBTFUL, Limit.AVOID),
        ({"avoid_chance": 0.2}, Verdict.UNFIT, Limit.AVOID),
        ({"late_s": 16_401.0}, Verdict.DOUBTFUL, Limit.SUNSET),
        ({"lands_s": 16_401.0, "late_s": 17_000.0}, Verdict.UNFIT, Limit.SUNSET),
        ({"ground_wind_ms": 6.5}, Verdict.DOUBTFUL, Limit.WIND),
        ({"ground_wind_ms": 8.1}, Verdict.UNFIT, Limit.WIND),
        ({"sunset_s": None, "ground_wind_ms": None}, Verdict.FIT, None),
    ],
)
def test_each_limit_decides(changes: dict[str, Any], verdict: Verdict, limit: Limit | None) -> None:
    assert judge(LIMITS, replace(FINE, **changes)) == (verdict, limit)


def test_the_worst_decides() -> None:
    found = judge(LIMITS, replace(FINE, far_m=100_001.0, ground_wind_ms=12.0))
    assert found == (Verdict.UNFIT, Limit.WIND)
