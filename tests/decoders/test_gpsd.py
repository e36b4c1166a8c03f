"""gpsd's JSON. Source: gpsd_json(5), its example of a TPV, as public programs quote it, with
fields of later editions added."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from decoders.gpsd import decode_object
from decoders.reports import DecodeError, PositionReport, StatusReport
from tests.decoders.packets import at

TPV = {
    "class": "TPV",
    "device": "/dev/pts/1",
    "mode": 3,
    "time": "2026-06-15T11:59:59.250Z",
    "lat": 46.498293369,
    "lon": 7.567411672,
    "altHAE": 1390.1,
    "altMSL": 1343.127,
    "alt": 1343.127,
    "track": 10.3788,
    "speed": 0.091,
    "climb": -0.085,
    "eph": 15.0,
    "epx": 9.0,
    "epy": 12.0,
    "epv": 32.321,
}


def decoded(**changes: object) -> PositionReport | StatusReport | None:
    content = {key: value for key, value in {**TPV, **changes}.items() if value is not ...}
    return decode_object(orjson.dumps(content), "car")


def position(**changes: object) -> PositionReport:
    report = decoded(**changes)
    assert isinstance(report, PositionReport), report
    return report


def test_tpv() -> None:
    report = position()
    assert (report.name, report.valid) == ("car", True)
    assert (report.latitude_deg, report.longitude_deg) == (46.498293369, 7.567411672)
    assert report.time_s == at("2026-06-15T11:59:59.250")
    assert (report.altitude_m, report.altitude_datum) == (1343.127, "msl")
    assert (report.course_deg, report.speed_ms, report.climb_ms) == (10.3788, 0.091, -0.085)
    assert report.sigma_h_m == pytest.approx(15.0 / 2.4477)
    assert report.sigma_v_m == pytest.approx(32.321 / 1.96)


@pytest.mark.parametrize(
    ("changes", "altitude_m", "datum"),
    [
        ({}, 1343.127, "msl"),
        ({"altMSL": ...}, 1390.1, "ellipsoid"),
        ({"altMSL": ..., "altHAE": ..., "alt": 1340.0}, 1340.0, "msl"),
        ({"altMSL": ..., "altHAE": ..., "alt": ...}, None, "msl"),
    ],
)
def test_altitude(changes: dict[str, Any], altitude_m: float | None, datum: str) -> None:
    report = position(**changes)
    assert (report.altitude_m, report.altitude_datum) == (altitude_m, datum)


def test_sigma_from_both_axes() -> None:
    assert position(eph=...).sigma_h_m == pytest.approx(15.0 / 2**0.5 / 2.4477)
    assert position(eph=..., epx=...).sigma_h_m is None


def test_first_objects_have_no_time() -> None:
    assert position(time=...).time_s is None
    assert position(time="soon").time_s is None
    assert position(time="2026-06-15T11:59:59").time_s is None  # without a zone it means nothing


@pytest.mark.parametrize("mode", [0, 1])
def test_no_fix_is_not_valid(mode: int) -> None:
    assert position(mode=mode).valid is False


def test_no_position_gives_words() -> None:
    report = decoded(mode=1, lat=..., lon=...)
    assert isinstance(report, StatusReport)
    assert report.time_s == at("2026-06-15T11:59:59.250")


@pytest.mark.parametrize(
    ("line", "text"),
    [
        (b'{"class":"SKY","uSat":9,"satellites":[]}', "SKY: 9 satellites used"),
        (b'{"class":"SKY","satellites":[{"used":true},{"used":false}]}', "SKY: 1 satellites used"),
        (b'{"class":"ERROR","message":"Unrecognized request"}', "gpsd error: Unrecognized request"),
    ],
)
def test_remarks(line: bytes, text: str) -> None:
    assert decode_object(line, "car") == StatusReport("car", text)


@pytest.mark.parametrize(
    "line",
    [
        b'{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}',
        b'{"class":"DEVICES","devices":[]}',
        b'{"class":"WATCH","enable":true,"json":true}',
        b'{"class":"SKY","hdop":1.2}',
        b'{"class":"SOMETHING NEW","x":[1]}',
    ],
)
def test_objects_that_say_nothing_are_no_problem(line: bytes) -> None:
    assert decode_object(line, "car") is None


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"", "JSON"),
        (b"{", "JSON"),
        (b"[]", "gpsd JSON"),
        (b"{}", "class"),
        (b'{"class":1}', "class"),
        (b'{"class":"TPV","mode":"x"}', "mode"),
        (b'{"class":"TPV","mode":3,"lat":91,"lon":0}', "lat"),
        (b'{"class":"TPV","mode":3,"lat":0,"lon":-181}', "lon"),
        (b'{"class":"TPV","mode":3,"lat":0,"lon":0,"speed":-1}', "speed"),
        (b'{"class":"SKY","satellites":7}', "satellites"),
        (b"\xff\xfe", "JSON"),
        (b"[" * 100_000, "JSON"),
    ],
)
def test_what_cannot_be_read_is_told(line: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_object(line, "car")
