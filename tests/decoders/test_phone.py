"""The phone's JSON body. Sources: W3C Geolocation (names, units, 95 %), Battery Status API."""

from __future__ import annotations

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.phone import MAX_BODY_BYTES, MAX_POSITIONS, decode_body, encode_body
from decoders.reports import DecodeError, PositionReport

COORDS = {
    "latitude": 39.1,
    "longitude": -103.2,
    "altitude": 1650.0,
    "accuracy": 24.477,
    "altitudeAccuracy": 19.6,
    "heading": 90.0,
    "speed": 0.4,
}
ENTRY = {"coords": COORDS, "timestamp": 1_700_000_000_250, "battery": 0.82}
FLAT = {**COORDS, "timestamp": 1_700_000_000_250, "battery": 0.82}
REPORT = PositionReport(
    name="phone",
    latitude_deg=39.1,
    longitude_deg=-103.2,
    time_s=1_700_000_000.25,
    altitude_m=1650.0,
    altitude_datum="ellipsoid",
    course_deg=90.0,
    speed_ms=0.4,
    sigma_h_m=pytest.approx(10.0),  # type: ignore[arg-type]  # equal to what is near it
    sigma_v_m=pytest.approx(10.0),  # type: ignore[arg-type]  # equal to what is near it
    battery_percent=pytest.approx(82.0),  # type: ignore[arg-type]  # equal to what is near it
)


def decoded(content: object) -> tuple[tuple[PositionReport, ...], str | None]:
    return decode_body(orjson.dumps(content), "phone")


@pytest.mark.parametrize(
    ("content", "count"),
    [(ENTRY, 1), (FLAT, 1), ([ENTRY, FLAT], 2), ({"positions": [ENTRY, FLAT, ENTRY]}, 3)],
)
def test_forms_of_a_body(content: object, count: int) -> None:
    assert decoded(content) == ((REPORT,) * count, None)


def test_null_is_not_told() -> None:
    coords = dict.fromkeys(COORDS, None) | {"latitude": 1.0, "longitude": 2.0}
    (report,), problem = decoded({"coords": coords, "timestamp": None, "battery": None, "x": 1})
    assert report == PositionReport("phone", 1.0, 2.0, altitude_datum="ellipsoid")
    assert problem is None


def test_bad_entries_do_not_take_the_good_ones_along() -> None:
    bad = {"coords": COORDS | {"latitude": 95}, "timestamp": 0}
    got, problem = decoded([ENTRY, bad, 7, ENTRY])
    assert got == (REPORT, REPORT)
    assert problem is not None
    assert problem.startswith("2 of 4 not wholly read; position 2: latitude:")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("accuracy", -1),
        ("heading", -1),  # some phones mean "unknown" by it
        ("timestamp", "noon"),
        ("timestamp", 1e300),
        ("battery", 82),
        ("altitude", [1]),
    ],
)
def test_bad_extra_does_not_take_the_position_along(field: str, value: object) -> None:
    (report,), problem = decoded({"latitude": 1, "longitude": 2, field: value})
    assert report == PositionReport("phone", 1.0, 2.0, altitude_datum="ellipsoid")
    assert problem is not None
    assert f"{field} left out" in problem


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "not JSON"),
        (b"\xff", "not JSON"),
        (b"[" * 10_000, "not JSON"),
        (b"7", "neither"),
        (b"[]", "without a position"),
        (b'{"positions":{"latitude":1}}', "longitude"),
        (b"{}", "latitude"),
        (b'{"coords":{"latitude":1}}', "longitude"),
        (b'{"latitude":1,"longitude":181}', "longitude"),
        (b'{"latitude":NaN,"longitude":2}', "not JSON"),
        (b" " * (MAX_BODY_BYTES + 1), "at most"),
        (b"[" + b"{}," * MAX_POSITIONS + b"{}]", "at most"),
    ],
)
def test_what_cannot_be_read_is_told(body: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_body(body, "phone")


@given(
    st.lists(
        st.builds(
            PositionReport,
            name=st.just("phone"),
            latitude_deg=st.floats(-90, 90),
            longitude_deg=st.floats(-180, 180),
            time_s=st.one_of(st.none(), st.integers(0, 4_000_000_000_000).map(lambda t: t / 1000)),
            altitude_m=st.one_of(st.none(), st.floats(-500, 50_000)),
            altitude_datum=st.just("ellipsoid"),
            course_deg=st.one_of(st.none(), st.floats(0, 359.9)),
            speed_ms=st.one_of(st.none(), st.floats(0, 400)),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_round_trip(batch: list[PositionReport]) -> None:
    got, problem = decode_body(encode_body(batch), "phone")
    assert (got, problem) == (tuple(batch), None)


def test_round_trip_of_accuracy_and_battery() -> None:
    (report,), _ = decoded(ENTRY)
    assert decode_body(encode_body([report]), "phone") == ((REPORT,), None)


def test_altitude_above_the_sea_is_not_encoded() -> None:
    with pytest.raises(ValueError, match="ellipsoid"):
        encode_body([PositionReport("phone", 1, 2, altitude_m=3)])
