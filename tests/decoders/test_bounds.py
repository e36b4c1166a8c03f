"""Numbers at the ends of float and int, by every wire: left out and named, never passed on."""

from __future__ import annotations

import math
from dataclasses import fields

import pytest

from decoders.bounds import (
    FASTEST_MS,
    HIGHEST_M,
    MOST_SEQUENCE,
    MOST_SIGMA_M,
    MOST_STEP_M,
    bounded,
)
from decoders.decode import decode
from decoders.nmea import sentence
from decoders.reports import DecodeError, Decoding, PositionReport, SensorReport, SensorScale
from tests.decoders.packets import HEARD_S

EXTREMES = ["1e155", "1e308", "-1e308", "1e999", "-0.0", str(2**63), "9" * 400, "NaN", "Infinity"]
GPSD = (
    '{{"class":"TPV","mode":3,"time":"2026-06-15T11:59:59Z","lat":46.5,"lon":7.5,"altMSL":{0},'
    '"altHAE":{0},"track":{0},"speed":{0},"climb":{0},"eph":{0},"epv":{0}}}'
)
PHONE = (
    '{{"coords":{{"latitude":39.1,"longitude":-98.2,"altitude":{0},"accuracy":{0},'
    '"altitudeAccuracy":{0},"heading":{0},"speed":{0}}},"timestamp":{0},"battery":{0}}}'
)


def assert_bounded(decoding: Decoding) -> None:
    assert "fault" not in (decoding.problem or "")
    for report in decoding.reports:
        for field in fields(report):
            value = getattr(report, field.name)
            if isinstance(value, float):
                assert math.isfinite(value), field.name
                assert abs(value) <= 4.2e9, field.name
        if isinstance(report, PositionReport):
            assert report.altitude_m is None or abs(report.altitude_m) <= HIGHEST_M
            assert report.sigma_h_m is None or report.sigma_h_m <= MOST_SIGMA_M
            assert report.speed_ms is None or report.speed_ms <= FASTEST_MS


@pytest.mark.parametrize("number", EXTREMES)
@pytest.mark.parametrize(("wire", "template"), [("gpsd", GPSD), ("phone", PHONE)])
def test_json(wire: str, template: str, number: str) -> None:
    decoding = decode(wire, template.format(number).encode(), HEARD_S, "x")
    assert_bounded(decoding)
    if number == "1e155":
        assert decoding.problem is not None


@pytest.mark.parametrize("number", ["1e155", "9" * 60, "9" * 400, "-0.0", "1e999", "-9"])
def test_nmea(number: str) -> None:
    gga = f"GPGGA,115959,4807.038,N,01131.000,E,1,{number},0.9,{number},M,46.9,M,,"
    rmc = f"GPRMC,115959,A,4807.038,N,01131.000,E,{number},{number},150626,,,A"
    for content in (gga, rmc):
        assert_bounded(decode("nmea", sentence(content), HEARD_S, "gps"))


@pytest.mark.parametrize(
    "information",
    [
        ":N0CALL-11:EQNS." + ",".join(["9" * 400] * 15),
        ":N0CALL-11:EQNS.0,1" + "0" * 300 + ",0",
        "T#999999,999999999999,999999999999.9,-999999999999,1,2,00000000",
        "!4903.50N/07201.75W-999/999/A=999999",
        "_10090556c220s004g005t077r000p000P000h50b99999",
    ],
)
@pytest.mark.parametrize("wire", ["tnc2"])
def test_aprs(wire: str, information: str) -> None:
    decoding = decode(wire, f"N0CALL-11>APRS:{information}".encode(), HEARD_S, "tnc")
    assert_bounded(decoding)
    assert decoding.transmission is not None


def test_an_accuracy_beyond_its_bound_is_kept_as_the_bound() -> None:
    """Left out it would stand for a usual one, and the position would be trusted."""
    report, left_out = bounded(PositionReport("x", 1.0, 2.0, sigma_h_m=1e155))
    assert isinstance(report, PositionReport)
    assert (report.sigma_h_m, left_out) == (MOST_SIGMA_M, ("sigma_h_m",))


def test_a_step_beyond_its_bound_is_kept_as_the_bound() -> None:
    """Left out it would stand for a fine one."""
    report, left_out = bounded(PositionReport("x", 1.0, 2.0, resolution_v_m=math.nan))
    assert isinstance(report, PositionReport)
    assert (report.resolution_v_m, left_out) == (MOST_STEP_M, ("resolution_v_m",))


def test_a_number_of_a_report_that_cannot_be_is_left_out() -> None:
    report, left_out = bounded(SensorReport("x", {"a": 1.0}, sequence=MOST_SEQUENCE + 1))
    assert report == SensorReport("x", {"a": 1.0})
    assert left_out == ("sequence",)


def test_what_nothing_is_left_of() -> None:
    for report in (
        PositionReport("x", math.nan, 0.0),
        PositionReport("x", 0.0, math.inf),
        SensorScale("x", "EQNS", coefficients=((0.0, 1e13, 0.0),)),
    ):
        with pytest.raises(DecodeError):
            bounded(report)


def test_sensors() -> None:
    given = SensorReport("x", {"a": math.inf, "b": 1.0}, channels=(1e13, 2.0), time_s=1e300)
    report, left_out = bounded(given)
    assert report == SensorReport("x", {"b": 1.0}, channels=(None, 2.0))
    assert left_out == ("a", "channel 1", "time")


def test_good_reports_pass_as_they_are() -> None:
    report = PositionReport("x", 1.0, 2.0, time_s=HEARD_S, altitude_m=30_000.0, sigma_h_m=4.0)
    assert bounded(report) == (report, ())


def test_a_fix_in_two_dimensions_has_no_altitude() -> None:
    tpv = GPSD.format(5).replace('"mode":3', '"mode":2').encode()
    three = b"$GPGGA,115959,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    for wire, payload in (
        ("gpsd", tpv),
        ("nmea", sentence(three[1:].replace(b",08,", b",03,").decode())),
        ("nmea", sentence(three[1:].replace(b"E,1,", b"E,6,").decode())),
        ("phone", PHONE.format(0).encode()),
    ):
        (report,) = decode(wire, payload, HEARD_S, "x").reports
        assert isinstance(report, PositionReport)
        assert report.valid
        assert report.altitude_m is None
    (report,) = decode("nmea", sentence(three[1:].decode()), HEARD_S, "x").reports
    assert isinstance(report, PositionReport)
    assert report.altitude_m == 545.4
