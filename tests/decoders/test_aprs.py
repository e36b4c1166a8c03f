"""APRS information fields. Source: examples of the APRS Protocol Reference 1.0.1, by chapter.

Values marked "shared" were checked by the project against the text; the rest of the examples are
quoted from memory of it.
"""

from __future__ import annotations

import pytest

from decoders.reports import DecodeError, PositionReport, SensorScale, StatusReport

from .packets import at, position, reports, sensors

KNOT_MS = 1852.0 / 3600.0
TEN_METRES_DEG = 1e-4


# Chapter 8: uncompressed


def test_uncompressed_position():
    report = position("!4903.50N/07201.75W-Test 001234")
    assert report.latitude_deg == pytest.approx(49.05833, abs=5e-6)  # shared
    assert report.longitude_deg == pytest.approx(-72.02917, abs=5e-6)  # shared
    assert (report.symbol, report.comment, report.time_s) == ("/-", "Test 001234", None)
    assert report.resolution_h_m == pytest.approx(18.52)
    assert report.altitude_m is None


def test_altitude_in_the_comment():
    report = position("!4903.50N/07201.75W-Test /A=001234")
    assert report.altitude_m == pytest.approx(1234 * 0.3048)
    assert report.resolution_v_m == pytest.approx(0.3048)
    assert report.comment == "Test "


def test_altitude_below_the_sea():
    assert position("!3130.00N/03530.00E-/A=-01412").altitude_m == pytest.approx(-1412 * 0.3048)


@pytest.mark.parametrize(
    ("information", "time_s"),
    [
        ("/092345z4903.50N/07201.75W>Test1234", at("2026-06-09T23:45:00")),
        ("@092345/4903.50N/07201.75W>Test1234", None),  # local time, of a zone not told
        ("@115958h4903.50N/07201.75W>Test1234", at("2026-06-15T11:59:58")),
        ("@999999h4903.50N/07201.75W>Test1234", None),
    ],
)
def test_time_stamp(information, time_s):
    report = position(information)
    assert report.time_s == time_s
    assert report.latitude_deg == pytest.approx(49.05833, abs=5e-6)
    assert report.comment == "Test1234"


def test_course_and_speed():
    report = position("@092345z4903.50N/07201.75W>088/036")
    assert report.course_deg == 88.0
    assert report.speed_ms == pytest.approx(36 * KNOT_MS)
    assert report.comment == ""


def test_bearing_after_course_stays_in_the_comment():
    report = position(r"@092345z4903.50N/07201.75W\088/036/270/729")
    assert (report.course_deg, report.comment) == (88.0, "/270/729")


@pytest.mark.parametrize(
    ("information", "digits", "size_m", "latitude_deg", "longitude_deg"),
    [
        ("!4903.5 N/07201.7 W-", 1, 185.2, 49 + 3.55 / 60, -72 - 1.75 / 60),
        ("!4903.  N/07201.  W-", 2, 1852.0, 49 + 3.5 / 60, -72 - 1.5 / 60),
        ("!490 .  N/0720 .  W-", 3, 18520.0, 49 + 5 / 60, -72 - 5 / 60),
        ("!49  .  N/072  .  W-", 4, 111120.0, 49.5, -72.5),
        ("!49  .  N/07201.75W-", 4, 111120.0, 49.5, -72.5),  # blanks of one count for both
        ("!4903.50N/07201.  W-", 2, 1852.0, 49 + 3.5 / 60, -72 - 1.5 / 60),
    ],
)
def test_ambiguity(information, digits, size_m, latitude_deg, longitude_deg):
    """Chapter 6: blanks at the end of the minutes; the middle of the box is taken."""
    report = position(information)
    assert report.ambiguity_digits == digits
    assert report.resolution_h_m == pytest.approx(size_m)
    assert report.latitude_deg == pytest.approx(latitude_deg)
    assert report.longitude_deg == pytest.approx(longitude_deg)


def test_position_behind_a_tnc_greeting():
    report = position("TheNet X-1J4  (BFLD)!4903.50N/07201.75Wn")
    assert (report.latitude_deg, report.symbol) == (pytest.approx(49.05833, abs=5e-6), "/n")


# Chapter 9: compressed


def test_compressed_position_with_course_and_speed():
    report = position("=/5L!!<*e7>7P[")  # shared
    assert report.latitude_deg == pytest.approx(49.5, abs=1e-6)
    assert report.longitude_deg == pytest.approx(-72.75, abs=5e-6)
    assert report.course_deg == 88.0
    assert report.speed_ms == pytest.approx(36.2 * KNOT_MS, rel=1e-3)
    assert report.resolution_h_m == pytest.approx(0.29, abs=0.01)


def test_compressed_altitude():
    report = position("=/5L!!<*e7OS]S")  # shared: 1.002^4610 is about 10,004 ft
    assert report.altitude_m == pytest.approx(10_004 * 0.3048, abs=0.3)
    assert report.resolution_v_m == pytest.approx(0.002 * report.altitude_m)
    assert report.speed_ms is None


def test_compressed_without_more():
    report = position("=/5L!!<*e7> sTComment")
    assert (report.course_deg, report.speed_ms, report.altitude_m) == (None, None, None)
    assert report.comment == "Comment"


def test_compressed_with_radio_range_is_no_speed():
    assert position("=/5L!!<*e7>{?!").speed_ms is None


def test_altitude_in_the_comment_of_a_compressed_position_is_finer():
    report = position("=/5L!!<*e7OS]S/A=010000 hi")
    assert report.altitude_m == pytest.approx(3048.0)
    assert (report.resolution_v_m, report.comment) == (pytest.approx(0.3048), " hi")


# Chapter 10: Mic-E


def test_mic_e():
    report = position('`(_fn"Oj/', "S32UVT")  # shared
    assert report.latitude_deg == pytest.approx(33 + 25.64 / 60)
    assert report.longitude_deg == pytest.approx(-112 - 7.74 / 60)
    assert report.speed_ms == pytest.approx(20 * KNOT_MS)
    assert report.course_deg == 251.0
    assert report.symbol == "/j"


@pytest.mark.parametrize("prefix", ["", "`", "'", ">", "]"])
def test_mic_e_altitude(prefix):
    report = position(f'`(_fn"Oj/{prefix}"4T}}ok', "S32UVT")  # shared: "4T} is 61 m
    assert report.altitude_m == 61.0
    assert report.resolution_v_m == 1.0
    assert report.comment == prefix + "ok"


def test_mic_e_ambiguity():
    report = position('`(_fn"Oj/', "S32UVL")
    assert (report.ambiguity_digits, report.resolution_h_m) == (1, pytest.approx(185.2))


@pytest.mark.parametrize("kind", ["'", "\x1c", "\x1d"])
def test_every_mic_e_type(kind):
    assert position(kind + '(_fn"Oj/', "S32UVT-2").course_deg == 251.0


# The !DAO! extension (addendum to APRS 1.0.1, from memory)


@pytest.mark.parametrize(
    ("information", "destination", "latitude_min", "longitude_min", "step_m"),
    [
        ("!4903.50N/07201.75W-!W15!", "APRS", 3.501, 1.755, 1.852),
        ("!4903.50N/07201.75W-hi!w!!!", "APRS", 3.50, 1.75, 18.52 / 91),
        ("!4903.50S/07201.75E-!w&{!ho", "APRS", 3.50 + 0.05 / 91, 1.75 + 0.9 / 91, 18.52 / 91),
        ("!4903.50N/07201.75W-!W  !", "APRS", 3.50, 1.75, 18.52),
        ('`(_fn"Oj/!W99!', "S32UVT", 25.649, 7.749, 1.852),
        ("!4903.50N/07201.75W-/A=000100!W15!", "APRS", 3.501, 1.755, 1.852),
        ("!4903.50N/07201.75W-!W15!/A=000100", "APRS", 3.501, 1.755, 1.852),
    ],
)
def test_dao(information, destination, latitude_min, longitude_min, step_m):
    report = position(information, destination)
    assert abs(report.latitude_deg) % 1 * 60 == pytest.approx(latitude_min, abs=1e-9)
    assert abs(report.longitude_deg) % 1 * 60 == pytest.approx(longitude_min, abs=1e-9)
    assert report.resolution_h_m == pytest.approx(step_m)
    assert "!" not in report.comment


@pytest.mark.parametrize("comment", ["!x12!", "!N12!", "!W1!", "!W1x!", "!!!!!"])
def test_what_is_no_dao_stays_in_the_comment(comment):
    report = position("!4903.50N/07201.75W-" + comment)
    assert report.latitude_deg == pytest.approx(49 + 3.5 / 60, abs=1e-9)
    assert report.comment == comment


# Chapter 11: objects and items


def test_object():
    report = position(";LEADER   *092345z4903.50N/07201.75W>088/036")
    assert (report.name, report.object_of) == ("LEADER", "N0CALL-11")
    assert report.time_s == at("2026-06-09T23:45:00")
    assert report.course_deg == 88.0


def test_permanent_object_has_no_time():
    assert position(";LEADER   *111111z4903.50N/07201.75W>").time_s is None


@pytest.mark.parametrize(
    ("information", "name"),
    [
        (")AID #2!4903.50N/07201.75WA", "AID #2"),
        (r")G/WB4APR!53  .  N\002  .  Wd", "G/WB4APR"),
        (r")MOBIL!\5L!!<*e79 sT", "MOBIL"),
    ],
)
def test_item(information, name):
    report = position(information)
    assert (report.name, report.object_of) == (name, "N0CALL-11")


@pytest.mark.parametrize(
    "information",
    [";LEADER   _092345z4903.50N/07201.75W>088/036", ")AID #2_4903.50N/07201.75WA"],
)
def test_withdrawn_object_is_no_position(information):
    (report,) = reports(information)
    assert isinstance(report, StatusReport)
    assert "withdrawn" in report.text


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


def test_weather_without_position():
    report = sensors("_10090556c220s004g005t077r000p000P000h50b09900wRSW")
    assert report.values == WEATHER
    assert report.time_s == at("2026-10-09T05:56:00")
    assert (report.units["temperature"], report.units["pressure"]) == ("degC", "hPa")
    assert (report.units["humidity"], report.units["wind_speed"]) == ("%", "m/s")


def test_weather_with_position():
    information = "!4903.50N/07201.75W_220/004g005t077r000p000P000h50b09900wRSW"
    assert sensors(information).values == WEATHER
    report = position(information)
    assert (report.course_deg, report.speed_ms, report.comment) == (None, None, "wRSW")


def test_weather_with_compressed_position():
    report = sensors("=/5L!!<*e7_7P[g005t077r000p000P000h50b09900wRSW")
    assert report.values["wind_direction"] == 88.0
    assert report.values["wind_gust"] == pytest.approx(5 * 0.44704)


def test_temperature_below_zero():
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
def test_words(information, text, time_s):
    assert reports(information) == (StatusReport("N0CALL-11", text, time_s),)


def test_beacon_text():
    assert reports("hello", "BEACON") == (StatusReport("N0CALL-11", "hello"),)


# Chapter 13: telemetry messages (more in test_aprs_telemetry.py)


def test_telemetry_message_speaks_of_its_addressee():
    (report,) = reports(":N0CALL-12:BITS.10110000,Big Balloon")
    assert report == SensorScale(
        "N0CALL-12",
        "BITS",
        texts=("Big Balloon",),
        sense=(True, False, True, True, False, False, False, False),
    )


# Raw NMEA (chapter 5: data type "$")


def test_sentence_is_named_after_its_sender():
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
def test_what_cannot_be_read_is_told(information, words):
    with pytest.raises(DecodeError, match=words):
        reports(information)


def test_comment_is_kept_verbatim():
    report = position("/115915h3917.10N/10329.55WO026/012/A=007065 208T8363P")
    assert report.comment == " 208T8363P"
    assert isinstance(report, PositionReport)
    assert position("!4903.50N/07201.75W-gr\xfc\xdfe").comment == "grüße"  # latin-1
    assert position("!4903.50N/07201.75W-gr\xc3\xbc\xc3\x9fe").comment == "grüße"  # UTF-8
