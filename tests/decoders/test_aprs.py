"""APRS information fields. Source: examples of the APRS Protocol Reference 1.0.1, by chapter.

Values marked "shared" were checked by the project against the text. Of the others, chapter 8's were
compared with quotations of it in public decoders; the rest are written by the rules of their chapter.
"""

from __future__ import annotations

import pytest

from decoders.reports import StatusReport
from tests.decoders.packets import at, position, reports

KNOT_MS = 1852.0 / 3600.0
TEN_METRES_DEG = 1e-4


# Chapter 8: uncompressed


def test_uncompressed_position() -> None:
    report = position("!4903.50N/07201.75W-Test 001234")
    assert report.latitude_deg == pytest.approx(49.05833, abs=5e-6)  # shared
    assert report.longitude_deg == pytest.approx(-72.02917, abs=5e-6)  # shared
    assert (report.symbol, report.comment, report.time_s) == ("/-", "Test 001234", None)
    assert report.resolution_h_m == pytest.approx(18.52)
    assert report.altitude_m is None


def test_altitude_in_the_comment() -> None:
    report = position("!4903.50N/07201.75W-Test /A=001234")
    assert report.altitude_m == pytest.approx(1234 * 0.3048)
    assert report.resolution_v_m == pytest.approx(0.3048)
    assert report.comment == "Test "


def test_altitude_below_the_sea() -> None:
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
def test_time_stamp(information: str, time_s: float | None) -> None:
    report = position(information)
    assert report.time_s == time_s
    assert report.latitude_deg == pytest.approx(49.05833, abs=5e-6)
    assert report.comment == "Test1234"


def test_course_and_speed() -> None:
    report = position("@092345z4903.50N/07201.75W>088/036")
    assert report.course_deg == 88.0
    assert report.speed_ms == pytest.approx(36 * KNOT_MS)
    assert report.comment == ""


def test_bearing_after_course_stays_in_the_comment() -> None:
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
def test_ambiguity(
    information: str, digits: int, size_m: float, latitude_deg: float, longitude_deg: float
) -> None:
    """Chapter 6: blanks at the end of the minutes; the middle of the box is taken."""
    report = position(information)
    assert report.ambiguity_digits == digits
    assert report.resolution_h_m == pytest.approx(size_m)
    assert report.latitude_deg == pytest.approx(latitude_deg)
    assert report.longitude_deg == pytest.approx(longitude_deg)


def test_position_behind_a_tnc_greeting() -> None:
    report = position("TheNet X-1J4  (BFLD)!4903.50N/07201.75Wn")
    assert report.latitude_deg == pytest.approx(49.05833, abs=5e-6)
    assert report.symbol == "/n"


# Chapter 9: compressed


def test_compressed_position_with_course_and_speed() -> None:
    report = position("=/5L!!<*e7>7P[")  # shared
    assert report.latitude_deg == pytest.approx(49.5, abs=1e-6)
    assert report.longitude_deg == pytest.approx(-72.75, abs=5e-6)
    assert report.course_deg == 88.0
    assert report.speed_ms == pytest.approx(36.2 * KNOT_MS, rel=1e-3)
    assert report.resolution_h_m == pytest.approx(0.29, abs=0.01)


def test_compressed_altitude() -> None:
    report = position("=/5L!!<*e7OS]S")  # shared: 1.002^4610 is about 10,004 ft
    assert report.altitude_m == pytest.approx(10_004 * 0.3048, abs=0.3)
    assert report.altitude_m is not None
    assert report.resolution_v_m == pytest.approx(0.002 * report.altitude_m)
    assert report.speed_ms is None


def test_compressed_without_more() -> None:
    report = position("=/5L!!<*e7> sTComment")
    assert (report.course_deg, report.speed_ms, report.altitude_m) == (None, None, None)
    assert report.comment == "Comment"


def test_compressed_with_radio_range_is_no_speed() -> None:
    assert position("=/5L!!<*e7>{?!").speed_ms is None


def test_altitude_in_the_comment_of_a_compressed_position_is_finer() -> None:
    report = position("=/5L!!<*e7OS]S/A=010000 hi")
    assert report.altitude_m == pytest.approx(3048.0)
    assert report.resolution_v_m == pytest.approx(0.3048)
    assert report.comment == " hi"


# Chapter 10: Mic-E


def test_mic_e() -> None:
    report = position('`(_fn"Oj/', "S32UVT")  # shared
    assert report.latitude_deg == pytest.approx(33 + 25.64 / 60)
    assert report.longitude_deg == pytest.approx(-112 - 7.74 / 60)
    assert report.speed_ms == pytest.approx(20 * KNOT_MS)
    assert report.course_deg == 251.0
    assert report.symbol == "/j"


@pytest.mark.parametrize("prefix", ["", "`", "'", ">", "]"])
def test_mic_e_altitude(prefix: str) -> None:
    report = position(f'`(_fn"Oj/{prefix}"4T}}ok', "S32UVT")  # shared: "4T} is 61 m
    assert report.altitude_m == 61.0
    assert report.resolution_v_m == 1.0
    assert report.comment == prefix + "ok"


def test_mic_e_ambiguity() -> None:
    report = position('`(_fn"Oj/', "S32UVL")
    assert report.ambiguity_digits == 1
    assert report.resolution_h_m == pytest.approx(185.2)


@pytest.mark.parametrize("kind", ["'", "\x1c", "\x1d"])
def test_every_mic_e_type(kind: str) -> None:
    assert position(kind + '(_fn"Oj/', "S32UVT-2").course_deg == 251.0


# The !DAO! extension (WB4APR, "APRS precision and datum option", aprs.org/datum.txt, 2008)


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
def test_dao(
    information: str, destination: str, latitude_min: float, longitude_min: float, step_m: float
) -> None:
    report = position(information, destination)
    assert abs(report.latitude_deg) % 1 * 60 == pytest.approx(latitude_min, abs=1e-9)
    assert abs(report.longitude_deg) % 1 * 60 == pytest.approx(longitude_min, abs=1e-9)
    assert report.resolution_h_m == pytest.approx(step_m)
    assert "!" not in report.comment


@pytest.mark.parametrize("comment", ["!x12!", "!N12!", "!W1!", "!W1x!", "!!!!!"])
def test_what_is_no_dao_stays_in_the_comment(comment: str) -> None:
    report = position("!4903.50N/07201.75W-" + comment)
    assert report.latitude_deg == pytest.approx(49 + 3.5 / 60, abs=1e-9)
    assert report.comment == comment


# Chapter 11: objects and items


def test_object() -> None:
    report = position(";LEADER   *092345z4903.50N/07201.75W>088/036")
    assert (report.name, report.object_of) == ("LEADER", "N0CALL-11")
    assert report.time_s == at("2026-06-09T23:45:00")
    assert report.course_deg == 88.0


def test_permanent_object_has_no_time() -> None:
    assert position(";LEADER   *111111z4903.50N/07201.75W>").time_s is None


@pytest.mark.parametrize(
    ("information", "name"),
    [
        (")AID #2!4903.50N/07201.75WA", "AID #2"),
        (r")G/WB4APR!53  .  N\002  .  Wd", "G/WB4APR"),
        (r")MOBIL!\5L!!<*e79 sT", "MOBIL"),
    ],
)
def test_item(information: str, name: str) -> None:
    report = position(information)
    assert (report.name, report.object_of) == (name, "N0CALL-11")


@pytest.mark.parametrize(
    "information",
    [";LEADER   _092345z4903.50N/07201.75W>088/036", ")AID #2_4903.50N/07201.75WA"],
)
def test_withdrawn_object_is_no_position(information: str) -> None:
    (report,) = reports(information)
    assert isinstance(report, StatusReport)
    assert "withdrawn" in report.text
