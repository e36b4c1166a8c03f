"""aprslib 0.7.2's seen quirks: each test shows the quirk, where that is cheap, and the guard.

The list stands in the project's notes on libraries; when a new release of aprslib makes the first
half of a test fail, its guard can go.
"""

from __future__ import annotations

from typing import Any

import aprslib
import pytest
from aprslib.exceptions import ParseError, UnknownFormat

from decoders.decode import decode
from decoders.reports import DecodeError, PositionReport, SensorReport
from tests.decoders.packets import HEARD_S, at, position, reports, sensors

POSITION = "!4903.50N/07201.75W-"


def library(information: str, destination: str = "APRS") -> dict[str, Any]:
    told: dict[str, Any] = aprslib.parse(f"N0CALL-11>{destination}:{information}")
    return told


@pytest.mark.parametrize(
    "information",
    ["T#005,199,000,255,073,123,01101001", ")AID #2!4903.50N/07201.75WA", "?APRS?", "<IGATE"],
)
def test_formats_that_it_does_not_know(information: str) -> None:
    with pytest.raises(UnknownFormat):
        library(information)
    assert not issubclass(UnknownFormat, ParseError)
    assert reports(information)


@pytest.mark.parametrize(
    ("stamp", "heard", "meant"),
    [
        ("235958h", "2026-06-15T00:00:05", "2026-06-14T23:59:58"),
        ("000005h", "2026-06-14T23:59:58", "2026-06-15T00:00:05"),
        ("302359z", "2026-07-01T00:00:30", "2026-06-30T23:59:00"),
        ("010000z", "2026-06-30T23:59:30", "2026-07-01T00:00:00"),
        ("312359z", "2027-01-01T00:00:30", "2026-12-31T23:59:00"),
        ("292359z", "2028-03-01T00:01:00", "2028-02-29T23:59:00"),
    ],
)
def test_time_is_resolved_from_when_it_was_heard(stamp: str, heard: str, meant: str) -> None:
    """It reads today's clock instead."""
    report = position(f"@{stamp}{POSITION[1:]}", heard_at_s=at(heard))
    assert report.time_s == at(meant)


@pytest.mark.parametrize(
    "stamp", ["322359z", "002359z", "012460z", "246060h", "120000/", "120000x"]
)
def test_time_that_means_none(stamp: str) -> None:
    """It gives 1970, or takes local time for UTC."""
    assert position(f"@{stamp}{POSITION[1:]}").time_s is None


def test_braces_in_a_mic_e_comment_are_no_altitude() -> None:
    information = '`(_fn"Oj/bat {3.7V} ok'
    assert library(information, "S32UVT")["altitude"] == 99_708
    report = position(information, "S32UVT")
    assert (report.altitude_m, report.comment) == (None, "bat {3.7V} ok")
    for words in (
        "{3.7V} ok",
        "{7V} ok",
        "]{7V} ok",
        "3.7} ok",
    ):  # at the start, it is too high to be one
        first = position('`(_fn"Oj/' + words, "S32UVT")
        assert (first.altitude_m, first.comment) == (None, words)


def test_altitude_in_feet_inside_mic_e() -> None:
    information = '`(_fn"Oj//A=101706'
    assert "altitude" not in library(information, "S32UVT")
    report = position(information, "S32UVT")
    assert report.altitude_m == pytest.approx(101_706 * 0.3048)
    assert report.comment == ""


@pytest.mark.parametrize(
    "information", ["!4960.00N/07201.75W-", "!4903.50N/07299.99W-", "!4975.  N/07201.  W-"]
)
def test_minutes_of_sixty_and_more(information: str) -> None:
    assert "latitude" in library(information)
    with pytest.raises(DecodeError, match="60 or more"):
        position(information)


@pytest.mark.parametrize("destination", ["S36UVT", "SSVUVT", "SSGUVT"])
def test_mic_e_minutes_of_sixty_and_more(destination: str) -> None:
    assert "latitude" in library('`(_fn"Oj/', destination)
    with pytest.raises(DecodeError, match="60 minutes"):
        position('`(_fn"Oj/', destination)


def test_mic_e_latitude_beyond_the_pole() -> None:
    assert library('`(_fn"Oj/', "Y92UVT")["latitude"] > 90.0
    with pytest.raises(DecodeError, match="beyond 90"):
        position('`(_fn"Oj/', "Y92UVT")


def test_wind_is_not_course_and_speed() -> None:
    information = "!4903.50N/07201.75W_220/004g005t077"
    assert library(information)["course"] == 220
    report = position(information)
    assert (report.course_deg, report.speed_ms) == (None, None)
    assert sensors(information).values["wind_speed"] == pytest.approx(4 * 0.44704)


def test_dao_of_a_weather_station() -> None:
    assert "daodatumbyte" not in library("!4903.50N/07201.75W_220/004g005t077!W15!")
    report = position("!4903.50N/07201.75W_220/004g005t077!W15!")
    assert report.latitude_deg == pytest.approx(49 + 3.501 / 60)
    assert report.comment == ""


@pytest.mark.parametrize(
    ("extension", "course_deg", "knots"),
    [
        ("000/014", 0.0, 14.0),  # north: flown trackers count 0 to 359
        ("360/014", 0.0, 14.0),
        ("000/000", None, 0.0),  # at rest there is no course
        ("217/000", 217.0, 0.0),
        ("   /...", None, None),
        (".../...", None, None),
        ("361/014", None, 14.0),
    ],
)
def test_course_and_speed_of_zero(
    extension: str, course_deg: float | None, knots: float | None
) -> None:
    assert "speed" not in library(POSITION + "217/000")
    assert "course" not in library(POSITION + "000/014")
    report = position(POSITION + extension)
    assert report.course_deg == course_deg
    assert report.speed_ms == (None if knots is None else pytest.approx(knots * 1852 / 3600))


def test_channels_that_were_not_sent() -> None:
    assert library(POSITION + "|ss1122|")["telemetry"]["vals"] == [1472, 1564, 0, 0, 0]
    assert sensors(POSITION + "|ss1122|").channels == (1472.0, 1564.0, None, None, None)


def test_bars_in_a_comment_are_no_telemetry() -> None:
    assert "telemetry" in library(POSITION + "a|bcde|f")
    (report,) = reports(POSITION + "a|bcde|f")
    assert isinstance(report, PositionReport)
    assert report.comment == "a|bcde|f"


def test_object_name_is_stripped() -> None:
    information = ";LEADER   *092345z4903.50N/07201.75W>"
    assert library(information)["object_name"] == "LEADER   "
    assert position(information).name == "LEADER"


@pytest.mark.parametrize(
    ("information", "leaked"),
    [
        ("{Q", IndexError),
        ("}N0CALL>APRS:}N0CALL-1>APRS:{Q", IndexError),
        ("!4903.50N/07201.75W#PHG5132N/07201.T", None),
        ("#PHG5132N/07201.T", None),
        ("!4903.50N/07201.75W#PHG5~32", None),
    ],
)
def test_whatever_it_raises_ends_as_a_problem(
    information: str, leaked: type[Exception] | None
) -> None:
    if leaked is not None:
        with pytest.raises((leaked, NameError)):
            library(information)
    decoding = decode("tnc2", b"N0CALL>APRS:" + information.encode(), HEARD_S, "radio")
    assert decoding.reports or decoding.problem
    assert "fault" not in (decoding.problem or "")


def test_eight_bit_comment_is_not_guessed() -> None:
    decoding = decode("tnc2", b"N0CALL>APRS:" + POSITION.encode() + b"\xe9t\xe9", HEARD_S, "radio")
    (report,) = decoding.reports
    assert isinstance(report, PositionReport)
    assert report.comment == "été"


def test_units_are_converted_from_its_own() -> None:
    assert library(POSITION + "088/036")["speed"] == pytest.approx(36 * 1.852)  # km/h
    assert position(POSITION + "088/036").speed_ms == pytest.approx(36 * 1.852 / 3.6)
    assert library(POSITION + "/A=001000")["altitude"] == pytest.approx(304.8)  # metres
    assert position(POSITION + "/A=001000").altitude_m == pytest.approx(304.8)


def test_hemisphere_of_zero_degrees_survives_dao() -> None:
    """It adds the digits of DAO to the wrong side of 0 degrees."""
    report = position("!0000.00S/00000.00W-!W55!")
    assert report.latitude_deg == pytest.approx(-0.005 / 60)
    assert report.longitude_deg == pytest.approx(-0.005 / 60)


def test_dao_does_not_move_a_compressed_position() -> None:
    """Its steps are finer than those of DAO already."""
    plain, marked = position("=/5L!!<*e7> sT"), position("=/5L!!<*e7> sT!W99!")
    assert marked.latitude_deg == plain.latitude_deg
    assert marked.comment == "!W99!"


def test_message_that_it_takes_for_a_beacon() -> None:
    """With a destination like APRS, anything that it does not know becomes free text."""
    assert library("hello")["format"] == "beacon"
    with pytest.raises(DecodeError, match="data type"):
        reports("hello")


def test_temperature_below_zero_without_position() -> None:
    information = "_10090556c220s004g005t-10"
    with pytest.raises(ParseError):
        library(information)
    assert sensors(information).values["temperature"] == pytest.approx((-10 - 32) / 1.8)


def test_bits_without_a_title() -> None:
    with pytest.raises(ParseError):
        library(":N0CALL-11:BITS.11110000")
    assert reports(":N0CALL-11:BITS.11110000")


def test_telemetry_beside_a_position_has_its_time() -> None:
    found = reports(f"@115958h{POSITION[1:]}hi|ss11|")
    assert isinstance(found[0], PositionReport)
    assert isinstance(found[1], SensorReport)
    assert found[1].time_s == found[0].time_s == at("2026-06-15T11:59:58")


UNSTAMPED = "4903.50N/07201.75W-words"


@pytest.mark.parametrize(
    "information",
    [
        pytest.param(f";BALLOON  *{UNSTAMPED}", id="object without a stamp"),
        pytest.param(f";BALLOON  *      z{UNSTAMPED}", id="object with a blank stamp"),
        pytest.param(f";BALLOON  *......z{UNSTAMPED}", id="object with dots for a stamp"),
        pytest.param(f";BALLOON  *not now{UNSTAMPED}", id="object with words for a stamp"),
        pytest.param(f";BALLOON  *111111z{UNSTAMPED}", id="object that stays"),
        pytest.param(f";BALLOON  *111111h{UNSTAMPED}", id="object that stays, otherwise written"),
        pytest.param(f";BALLOON  *991111z{UNSTAMPED}", id="object of a day that no month has"),
        pytest.param(f")BALLOON!{UNSTAMPED}", id="item"),
        pytest.param(f"/{UNSTAMPED}", id="position that promises a stamp"),
        pytest.param(f"@{UNSTAMPED}", id="position that promises a stamp, with messages"),
    ],
)
@pytest.mark.parametrize("heard_at_s", [HEARD_S, HEARD_S + 40_000.0])
def test_without_a_time_the_place_is_the_one_that_was_sent(
    information: str, heard_at_s: float
) -> None:
    """Seven characters cut off as a stamp left "N/07201.75W-w": compressed, elsewhere on Earth."""
    report = position(information, heard_at_s=heard_at_s)
    assert report.name in ("BALLOON", "N0CALL-11")
    assert (report.latitude_deg, report.longitude_deg) == pytest.approx((49.058333, -72.029167))
    assert report.time_s is None  # the flight takes the moment of hearing
    assert report.comment == "words"


def test_compressed_object_without_a_stamp() -> None:
    """Coordinates of APRS 1.0.1, chapter 9."""
    report = position(";BALLOON  */5L!!<*e7>7P[")
    assert (report.latitude_deg, report.longitude_deg) == pytest.approx((49.5, -72.75), abs=1e-4)


@pytest.mark.parametrize(
    "information",
    [";BALLOON  *4903.5N/07201.75W-x", "/4903.5N/07201.75W-x", ";BALLOON  *", "@up and away again"],
)
def test_neither_a_time_nor_a_position(information: str) -> None:
    with pytest.raises(DecodeError, match="neither a time nor a position"):
        reports(information)


def test_words_behind_an_exclamation_mark_are_no_place() -> None:
    with pytest.raises(DecodeError, match="data type 'T'"):
        reports("Test!Balloonlandings and more")


@pytest.mark.parametrize(
    ("data", "values", "comment"),
    [
        ("_220/004g005t077 sunny, so so", {"wind_speed": 1.78816}, "sunny, so so"),
        ("_g005t077s012 sunny Skies", {"snow": 304.8}, "sunny Skies"),
        ("_220/004s012 sS", {"wind_speed": 1.78816, "snow": 304.8}, "sS"),
        ("_ssS", {}, "ssS"),
    ],
)
def test_speed_snow_and_words_keep_their_case(
    data: str, values: dict[str, float], comment: str
) -> None:
    """APRS 1.0.1, chapter 12: s is the wind's speed behind the direction, and snow elsewhere."""
    first, *rest = reports("!4903.50N/07201.75W" + data)
    assert isinstance(first, PositionReport)
    assert first.comment == comment
    sensors = [one for one in rest if isinstance(one, SensorReport)]
    assert sensors == rest
    found = {k: v for one in sensors for k, v in one.values.items() if k in ("wind_speed", "snow")}
    assert found == pytest.approx(values)
