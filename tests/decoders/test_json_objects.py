"""JSON objects with names from the plan."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from decoders.json_objects import MAX_BODY_BYTES, MAX_OBJECTS, decode_payload
from decoders.readings import JsonNames
from decoders.reports import DecodeError, PositionReport, Report, SensorReport, StatusReport
from tests.decoders.packets import at

NAMES = JsonNames("decoded.lat", "decoded.lon", "decoded.alt", time="at", callsign="device.id")
SENT: dict[str, Any] = {
    "device": {"id": "balloon a"},
    "at": "2026-06-15T12:00:00Z",
    "decoded": {"lat": 46.5, "lon": -100.8, "alt": 12345},
}
POSITION = PositionReport(
    "balloon a", 46.5, -100.8, time_s=at("2026-06-15T12:00:00"), altitude_m=12345.0
)


def changed(**decoded: object) -> dict[str, Any]:
    return SENT | {"decoded": SENT["decoded"] | decoded}


def read(content: object, names: JsonNames = NAMES) -> tuple[tuple[Report, ...], str | None]:
    return decode_payload(orjson.dumps(content), "lora", names)


def test_position() -> None:
    assert read(SENT) == ((POSITION,), None)
    assert read(changed(lat="46.5", lon=" -100.8 ")) == ((POSITION,), None)


def test_several_in_a_list() -> None:
    reports, problem = read([SENT, {"other": 1}, SENT, 7])
    assert reports == (POSITION, POSITION)
    assert "device.id: " in (problem or "")
    assert "a JSON object was expected" in (problem or "")


def test_all_that_can_be_named() -> None:
    names = JsonNames(
        "geometry.coordinates.1",
        "geometry.coordinates.0",
        altitude_ft="ft",
        altitude_above="ellipsoid",
        time_epoch_ms="ms",
        speed_ms="v",
        course_deg="dir",
        climb_ms="up",
        battery_percent="bat",
        satellites="sats",
        sensors={"outside": ("t.out", "degC"), "count": ("n", "")},
    )
    content = {
        "geometry": {"type": "Point", "coordinates": [-100.8, 46.5]},
        "ft": 1000,
        "ms": 1_781_524_800_250,
        "v": 3.5,
        "dir": 360,
        "up": -5,
        "bat": 80,
        "sats": 11,
        "t.out": -40,
        "n": 3,
    }
    reports, problem = read(content, names)
    assert problem is None
    assert reports == (
        PositionReport(
            "lora",
            46.5,
            -100.8,
            time_s=1_781_524_800.25,
            altitude_m=304.8,
            altitude_datum="ellipsoid",
            course_deg=0.0,
            speed_ms=3.5,
            climb_ms=-5.0,
            battery_percent=80.0,
            satellites=11.0,
        ),
        SensorReport(
            "lora", {"outside": -40.0, "count": 3.0}, {"outside": "degC"}, time_s=1_781_524_800.25
        ),
    )


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("2026-06-15T14:00:00+02:00", "2026-06-15T12:00:00"),
        ("2026-06-15 12:00:00", "2026-06-15T12:00:00"),
        ("20260615T120000Z", "2026-06-15T12:00:00"),
    ],
)
def test_iso_times(text: str, meant: str) -> None:
    (report,), problem = read(SENT | {"at": text})
    assert isinstance(report, PositionReport)
    assert (report.time_s, problem) == (at(meant), None)


@pytest.mark.parametrize(
    "value",
    ["yesterday", "0001-01-01T00:00:00+23:00", "9999-12-31T23:59:59Z", 12, True, ["x"], "x" * 99],
)
def test_time_that_cannot_be_is_left_out_and_told(value: object) -> None:
    (report,), problem = read(SENT | {"at": value})
    assert isinstance(report, PositionReport)
    assert report.time_s is None
    assert (problem or "").startswith("at left out: ")


@pytest.mark.parametrize("value", [1e300, -1e300, "1e999", "9" * 400, True, [], {}, "high", "NaN"])
def test_altitude_that_cannot_be_is_left_out_and_told(value: object) -> None:
    (report,), problem = read(changed(alt=value))
    assert isinstance(report, PositionReport)
    assert report.altitude_m is None
    assert (problem or "").startswith("decoded.alt left out: ")


def test_what_was_not_sent() -> None:
    (report,), problem = read(changed(lat=None, lon=None))
    assert (report, problem) == (
        StatusReport("balloon a", "no position yet", at("2026-06-15T12:00:00")),
        None,
    )
    sensors = JsonNames("lat", "lon", sensors={"t": ("t", "degC")})
    (only,), problem = read({"t": 5}, sensors)
    assert only == SensorReport("lora", {"t": 5.0}, {"t": "degC"})


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "not JSON"),
        (b'{"a":', "not JSON"),
        (b'{"a": NaN}', "not JSON"),
        (b"\xff", "not JSON"),
        (b"[" * 5000, "not JSON"),
        (b"[]", "0 JSON objects"),
        (b"[" + b"{}," * MAX_OBJECTS + b"{}]", "1001 JSON objects"),
        (b"7", "a JSON object was expected"),
        (b" " * (MAX_BODY_BYTES + 1), "at most"),
        (b"{}", "device.id: "),
        (orjson.dumps(SENT | {"device": {"id": "x" * 41}}), "device.id: .* is not a name"),
        (orjson.dumps(SENT | {"device": {"id": "a\nb"}}), "device.id: .* is not a name"),
        (orjson.dumps(SENT | {"device": {"id": 1.5}}), "device.id: .* is not a name"),
        (orjson.dumps(SENT | {"decoded": 5}), "JSON object without 'decoded.lat'"),
        (orjson.dumps(changed(lat=91)), "decoded.lat: 91 is not from -90 to 90"),
        (orjson.dumps(changed(lon="east")), "decoded.lon: 'east' is not a number"),
        (orjson.dumps(changed(lon=True)), "decoded.lon: 'True' is not a number"),
        (b'{"device":{"id":"a"},"decoded":{"lat":1e999,"lon":1}}', "not JSON|is not from"),
        (b'{"device":{"id":"a"},"decoded":{"lat":' + b"9" * 400 + b',"lon":1}}', "not JSON|is not"),
    ],
)
def test_bad_payload_is_told(payload: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_payload(payload, "lora", NAMES)


def test_number_as_a_name() -> None:
    assert read(SENT | {"device": {"id": 4711}})[0][0].name == "4711"


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"time": "a", "time_epoch_s": "b"}, "one of time"),
        ({"altitude_m": "a", "altitude_ft": "b"}, "not both"),
    ],
)
def test_names_that_cannot_be(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        JsonNames("lat", "lon", **given)
