"""Packets that are made here are read again here, to half a step of their format."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders import aprs_encode as encode
from decoders.ax25 import decode_ui, encode_ui
from decoders.reports import PositionReport, StatusReport, Transmission
from tests.decoders.packets import HEARD_S, packet, position, reports

MINUTE_DEG = 1 / 60
latitudes = st.floats(-90, 90)
longitudes = st.floats(-180, 180)
altitudes = st.one_of(st.none(), st.floats(-400, 45_000))
courses = st.one_of(st.none(), st.floats(0, 360))
speeds = st.floats(0.6, 200)
daos = st.sampled_from([None, "human", "base91"])
STEPS_MIN = {None: 0.01, "human": 0.001, "base91": 0.01 / 91}
comments = st.sampled_from(["", " 208T8363P", "grüße", "to the |end"])


def check_place(
    report: PositionReport,
    latitude_deg: float,
    longitude_deg: float,
    step_min: float,
    edges: bool = True,
) -> None:
    """Within half a step; a whole one at the poles and at 180 degrees, which are sent short."""
    step_deg = step_min * MINUTE_DEG
    at_edge = abs(latitude_deg) > 89.99 or abs(longitude_deg) > 179.99
    limit = step_deg * (1.01 if edges and at_edge else 0.501)
    assert report.latitude_deg == pytest.approx(latitude_deg, abs=limit)
    assert report.longitude_deg == pytest.approx(longitude_deg, abs=limit)


def check_motion(
    report: PositionReport, course_deg: float | None, speed_ms: float, course_step: float = 0.5
) -> None:
    if course_deg is None:
        assert report.course_deg in (None, 0.0)
    else:
        assert report.course_deg is not None
        turn = (report.course_deg - course_deg + 180) % 360 - 180
        assert abs(turn) <= course_step + 1e-9
    # half a step of compressed speed: 3.9 % of the speed and one knot, which above 6 m/s is 4.3 %
    assert report.speed_ms == pytest.approx(speed_ms, abs=0.26, rel=0.043)


@given(latitudes, longitudes, courses, speeds, altitudes, daos, comments)
def test_uncompressed(
    latitude: float,
    longitude: float,
    course: float | None,
    speed: float,
    altitude: float | None,
    dao: Literal["human", "base91"] | None,
    comment: str,
) -> None:
    report = position(
        encode.uncompressed(
            latitude,
            longitude,
            time_s=HEARD_S - 5,
            course_deg=course,
            speed_ms=speed,
            altitude_m=altitude,
            dao=dao,
            comment=comment,
        )
    )
    check_place(report, latitude, longitude, STEPS_MIN[dao])
    check_motion(report, course, speed)
    assert report.time_s == HEARD_S - 5
    assert report.comment == comment
    assert report.altitude_m == (None if altitude is None else pytest.approx(altitude, abs=0.1525))


@given(latitudes, longitudes, courses, speeds, altitudes)
def test_compressed_with_course(
    latitude: float, longitude: float, course: float | None, speed: float, altitude: float | None
) -> None:
    report = position(
        encode.compressed(
            latitude, longitude, course_deg=course, speed_ms=speed, altitude_m=altitude
        )
    )
    assert report.latitude_deg == pytest.approx(latitude, abs=1.4e-6)
    assert report.longitude_deg == pytest.approx(longitude, abs=5.5e-6)
    check_motion(report, course, speed, course_step=2.0)
    assert report.altitude_m == (None if altitude is None else pytest.approx(altitude, abs=0.1525))


@given(latitudes, longitudes, st.floats(1, 45_000))
def test_compressed_with_altitude(latitude: float, longitude: float, altitude: float) -> None:
    report = position(encode.compressed(latitude, longitude, altitude_m=altitude))
    assert report.altitude_m == pytest.approx(altitude, rel=0.00101)
    assert (report.course_deg, report.speed_ms) == (None, None)


@given(latitudes, longitudes, courses, speeds, altitudes, daos, comments, st.integers(0, 7))
def test_mic_e(
    latitude: float,
    longitude: float,
    course: float | None,
    speed: float,
    altitude: float | None,
    dao: Literal["human", "base91"] | None,
    comment: str,
    bits: int,
) -> None:
    destination, information = encode.mic_e(
        latitude,
        longitude,
        course_deg=course,
        speed_ms=speed,
        altitude_m=altitude,
        dao=dao,
        comment=comment,
        message_bits=bits,
    )
    report = position(information, destination)
    check_place(report, latitude, longitude, STEPS_MIN[dao])
    check_motion(report, course, speed)
    assert report.comment == comment
    assert report.altitude_m == (None if altitude is None else pytest.approx(altitude, abs=0.51))
    frame = encode_ui(packet(information, destination))
    assert decode_ui(frame) == packet(information, destination)


def test_mic_e_of_the_standard() -> None:
    """APRS 1.0.1, chapter 10: the example's position, speed, course and altitude."""
    destination, information = encode.mic_e(
        33 + 25.64 / 60,
        -112 - 7.74 / 60,
        symbol="/j",
        course_deg=251,
        speed_ms=20 * 1852 / 3600,
        altitude_m=61,
        message_bits=0b100,
    )
    assert destination == "S32UVT"
    assert information == b'`(_fn"Oj/"4T}'


@given(latitudes, longitudes, st.sampled_from(["A", "LEADER", "9 letters"]))
def test_object(latitude: float, longitude: float, name: str) -> None:
    report = position(
        encode.object_report(name, latitude, longitude, time_s=HEARD_S, altitude_m=100)
    )
    check_place(report, latitude, longitude, 0.01)
    assert (report.name, report.object_of, report.time_s) == (name, "N0CALL-11", HEARD_S)
    (gone,) = reports(encode.object_report(name, latitude, longitude, time_s=HEARD_S, alive=False))
    assert isinstance(gone, StatusReport)


@pytest.mark.parametrize("messaging", [True, False])
def test_data_types(messaging: bool) -> None:
    plain = encode.uncompressed(1, 2, messaging=messaging)
    timed = encode.compressed(1, 2, messaging=messaging, time_s=HEARD_S)
    assert (plain[:1], timed[:1]) == ((b"=", b"@") if messaging else (b"!", b"/"))


def test_status_and_message() -> None:
    said = [reports(encode.status("up"))[0], reports(encode.message("N0CALL-1", "come in"))[0]]
    texts = [one.text for one in said if isinstance(one, StatusReport)]
    assert texts == ["up", "to N0CALL-1: come in"]


@pytest.mark.parametrize(
    "call",
    [
        lambda: encode.uncompressed(91, 0),
        lambda: encode.uncompressed(float("nan"), 0),
        lambda: encode.uncompressed(0, 0, speed_ms=600),
        lambda: encode.uncompressed(0, 0, speed_ms=-1),
        lambda: encode.uncompressed(0, 0, altitude_m=400_000),
        lambda: encode.uncompressed(0, 0, symbol="O"),
        lambda: encode.uncompressed(0, 0, comment="a\nb"),
        lambda: encode.compressed(0, 181),
        lambda: encode.compressed(0, 0, speed_ms=1000),
        lambda: encode.compressed(0, 0, speed_ms=-1),
        lambda: encode.mic_e(0, 0, speed_ms=500),
        lambda: encode.mic_e(0, 0, altitude_m=1e6),
        lambda: encode.object_report("", 0, 0, time_s=0),
        lambda: encode.object_report("ten letters", 0, 0, time_s=0),
        lambda: encode.message("", "x"),
        lambda: encode.base91(91, 1),
    ],
)
def test_what_does_not_fit_is_told(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"\w+"):
        call()


def test_packets_fit_in_a_transmission() -> None:
    information = encode.uncompressed(1, 2, comment="x" * 200)
    transmission = Transmission("N0CALL-11", "APRS", ("WIDE1-1",), information)
    assert decode_ui(encode_ui(transmission)) == transmission
