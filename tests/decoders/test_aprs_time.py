"""APRS time stamps at midnight, at month ends and in leap years (APRS 1.0.1, chapter 6)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.aprs_encode import status, uncompressed
from decoders.aprs_time import nearest_time_of_day, resolve, resolve_month_day
from decoders.reports import StatusReport
from tests.decoders.packets import at, position, reports

times = st.floats(0, 4e9, allow_nan=False)
HALF_DAY_S = 43_200.0


@given(times, st.floats(-HALF_DAY_S + 1, HALF_DAY_S - 1))
def test_time_of_day_is_found_within_half_a_day(heard_at_s: float, lag_s: float) -> None:
    meant = math.floor(heard_at_s - lag_s)
    assert nearest_time_of_day(meant % 86_400, heard_at_s) == meant


@given(st.floats(1e8, 4e9), st.floats(-40_000, 40_000))
def test_packet_time_round_trip(heard_at_s: float, lag_s: float) -> None:
    sent = math.floor(heard_at_s - lag_s)
    report = position(uncompressed(10, 20, time_s=sent), heard_at_s=heard_at_s)
    assert report.time_s == sent


@given(st.floats(1e8, 4e9), st.floats(-10 * 86_400, 10 * 86_400))
def test_day_of_month_round_trip(heard_at_s: float, lag_s: float) -> None:
    sent = math.floor((heard_at_s - lag_s) / 60) * 60
    (report,) = reports(status("up", time_s=sent), heard_at_s=heard_at_s)
    assert isinstance(report, StatusReport)
    assert report.time_s == sent


@pytest.mark.parametrize(
    ("stamp", "heard", "meant"),
    [
        ("12312359", "2027-01-01T00:01:00", "2026-12-31T23:59:00"),
        ("01010000", "2026-12-31T23:59:00", "2027-01-01T00:00:00"),
        ("02290000", "2028-03-01T00:00:00", "2028-02-29T00:00:00"),
    ],
)
def test_month_and_day(stamp: str, heard: str, meant: str) -> None:
    assert resolve_month_day(stamp, at(heard)) == at(meant)


@pytest.mark.parametrize("stamp", ["13010000", "02300000", "0101240", "0101x000", ""])
def test_month_and_day_that_cannot_be(stamp: str) -> None:
    assert resolve_month_day(stamp, at("2026-06-15T12:00:00")) is None


@pytest.mark.parametrize("heard_at_s", [math.nan, math.inf, -math.inf, 1e30, -1e30])
@pytest.mark.parametrize("stamp", ["092345z", "092345h", "", "1234567", "٠٩٢٣٤٥z"])
def test_impossible_moment_of_hearing(stamp: str, heard_at_s: float) -> None:
    resolve(stamp, heard_at_s)
    assert resolve_month_day("01010000", heard_at_s) is None


def test_local_time_stays_open() -> None:
    assert resolve("092345/", at("2026-06-15T12:00:00")) is None
