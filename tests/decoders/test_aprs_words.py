"""APRS weather, messages, status and sentences; what cannot be read. Source as in `test_aprs`."""

from __future__ import annotations

import pytest

from decoders.reports import DecodeError, PositionReport, SensorScale, StatusReport
from tests.decoders.packets import at, position, reports, sensors

# Chapter 12: weather


WEATHER = {
    "wind_direction": 220.0,
    "wind_speed": pytest.approx(4 * 0.44704),
    "wind_gust": pytest.approx(5 * 0.44704),
    "temperature": pytest.approx(25.0),
    "rain_1h": 0.0,
    "rain_24h": 0.0,
    "rain_since_midnight": 0.0,
    "humidity": 50.0,
    "pressure": pytest.approx(990.0),
}


def test_weather_without_position() -> None:
    report = sensors("_10090556c220s004g005t077r000p000P000h50b09900wRSW")
    assert report.values == WEATHER
    assert report.time_s == at("2026-10-09T05:56:00")
    assert (report.units["temperature"], report.units["pressure"]) == ("degC", "hPa")
    assert (report.units["humidity"], report.units["wind_speed"]) == ("%", "m/s")


def test_weather_with_position() -> None:
    information = "!4903.50N/07201.75W_220/004g005t077r000p000P000h50b09900wRSW"
    assert sensors(information).values == WEATHER
    report = position(information)
    assert (report.course_deg, report.speed_ms, report.comment) == (None, None, "wRSW")


def test_weather_with_compressed_position() -> None:
    report = sensors("=/5L!!<*e7_7P[g005t077r000p000P000h50b09900wRSW")
    assert report.values["wind_direction"] == 88.0
    assert report.values["wind_gust"] == pytest.approx(5 * 0.44704)


def test_temperature_below_zero() -> None:
    report = sensors("_10090556c...s...g...t-10r...p...P...h..b.....")
    assert report.values == {"temperature": pytest.approx((-10 - 32) / 1.8)}


# Chapters 14 and 16: messages and status


@pytest.mark.parametrize(
    ("information", "text", "time_s"),
    [
        (">Net Control Center", "Net Control Center", None),
        (">092345zNet Control Center", "Net Control Center", at("2026-06-09T23:45:00")),
        (">", "", None),
        (":WU2Z     :Testing", "to WU2Z: Testing", None),
        (":WU2Z     :Testing{003", "to WU2Z: Testing", None),
        (":KB2ICI-14:ack003", "to KB2ICI-14: ack 003", None),
        (":BLN3     :Snow expected in Tampa RSN", "to BLN3: Snow expected in Tampa RSN", None),
        ("?APRS?", "?APRS?", None),
        ("<IGATE,MSG_CNT=43", "<IGATE,MSG_CNT=43", None),
        (">Fahrt ins Gr\xc3\xbcne", "Fahrt ins Grüne", None),
    ],
)
def test_words(information: str, text: str, time_s: float | None) -> None:
    assert reports(information) == (StatusReport("N0CALL-11", text, time_s),)


def test_beacon_text() -> None:
    assert reports("hello", "BEACON") == (StatusReport("N0CALL-11", "hello"),)


# Chapter 13: telemetry messages (more in test_aprs_telemetry.py)


def test_telemetry_message_of_a_tracker_to_itself_defines_its_telemetry() -> None:
    (report,) = reports(":N0CALL-11:BITS.10110000,Big Balloon")
    assert report == SensorScale(
        "N0CALL-11",
        "BITS",
        texts=("Big Balloon",),
        sense=(True, False, True, True, False, False, False, False),
    )


@pytest.mark.parametrize("kind", ["PARM.a", "UNIT.hPa", "EQNS.0,1e9,0", "BITS.11111111"])
def test_telemetry_message_of_a_stranger_defines_nothing(kind: str) -> None:
    assert reports(f":N0CALL-12:{kind}") == (StatusReport("N0CALL-11", f"to N0CALL-12: {kind}"),)


# Raw NMEA (chapter 5: data type "$")


def test_sentence_is_named_after_its_sender() -> None:
    report = position("$GPGGA,115959,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*4A")
    assert (report.name, report.altitude_m) == ("N0CALL-11", 545.4)
    assert report.time_s == at("2026-06-15T11:59:59")


@pytest.mark.parametrize(
    ("information", "words"),
    [
        ("", "empty"),
        ("\r\n", "empty"),
        ("!", "expected 13 or 19"),
        ("!4903.50N/07201.75", "not DDMM"),
        ("!4903.50X/07201.75W-", "not DDMM"),
        ("!9003.50N/07201.75W-", "latitude is out of range"),
        ("!4903.50N/18001.75W-", "longitude is out of range"),
        ("!/5L!!<*e7", "expected 13 or 19"),
        ("/092345z", "expected 13 or 19"),
        (";LEADER*092345z4903.50N/07201.75W>", "not an object"),
        (";         *092345z4903.50N/07201.75W>", "without a name"),
        (")A", "not an item"),
        (":short:x", "nine characters"),
        ("_1009", "position-less weather"),
        ("T#", "without a value"),
        ("hello", "data type 'h'"),
        ("{Q1", "data type '{'"),
        ("[IO91SX]", "data type '\\['"),
        ("$ULTW0000", "data type"),
        ("$GPGGA,1*00", "checksum"),
        ("}", "no ':'"),
    ],
)
def test_what_cannot_be_read_is_told(information: str, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        reports(information)


def test_comment_is_kept_verbatim() -> None:
    report = position("/115915h3917.10N/10329.55WO026/012/A=007065 208T8363P")
    assert report.comment == " 208T8363P"
    assert isinstance(report, PositionReport)
    assert position("!4903.50N/07201.75W-gr\xfc\xdfe").comment == "grüße"  # latin-1
    assert position("!4903.50N/07201.75W-gr\xc3\xbc\xc3\x9fe").comment == "grüße"  # UTF-8
