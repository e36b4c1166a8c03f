"""Sentences of comma-separated fields with a CRC-16."""

from __future__ import annotations

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.fields import crc16, decode_sentence, sentence
from decoders.readings import FieldOrder
from decoders.reports import DecodeError, PositionReport, Report, SensorReport, StatusReport
from tests.decoders.packets import HEARD_S, at

ORDER = FieldOrder(("callsign", "number", "time", "latitude_deg", "longitude_deg", "altitude_m"))
GOOD = "N0CALL-11,7,12:00:30,46.50000,-100.80000,12345"


def read(
    content: str, *names: str, heard_at_s: float = HEARD_S
) -> tuple[tuple[Report, ...], str | None]:
    order = FieldOrder(names) if names else ORDER
    return decode_sentence(sentence(content), heard_at_s, "lora", order)


def position(content: str, *names: str) -> PositionReport:
    report = read(content, *names)[0][0]
    assert isinstance(report, PositionReport)
    return report


def test_check_value_of_the_catalogue() -> None:
    """Catalogue of parametrised CRC algorithms: CRC-16/IBM-3740, alias CRC-16/CCITT-FALSE."""
    assert crc16(b"123456789") == 0x29B1


@given(st.binary(max_size=200))
def test_crc_against_another_implementation(data: bytes) -> None:
    assert crc16(data) == crcmod.predefined.mkCrcFun("crc-ccitt-false")(data)


def test_position() -> None:
    reports, problem = read(GOOD)
    assert problem is None
    (report,) = reports
    assert report == PositionReport(
        "N0CALL-11",
        46.5,
        -100.8,
        time_s=at("2026-06-15T12:00:30"),
        altitude_m=12345.0,
        resolution_h_m=pytest.approx(1.1112),  # type: ignore[arg-type]  # equal to what is near it
        resolution_v_m=1.0,
    )


@pytest.mark.parametrize("before", [b"", b"$", b"$$$", b"\x00\xffnoise", b"$$N0CALL,1,2$$"])
@pytest.mark.parametrize("after", [b"", b"\r\n", b" \n"])
def test_noise_before_and_line_end_behind(before: bytes, after: bytes) -> None:
    line = before + sentence(GOOD) + after
    assert decode_sentence(line, HEARD_S, "lora", ORDER)[0] == read(GOOD)[0]


@pytest.mark.parametrize(
    ("clock", "meant"),
    [
        ("12:00:30", "2026-06-15T12:00:30"),
        ("120030", "2026-06-15T12:00:30"),
        ("120030.5", "2026-06-15T12:00:30.5"),
        ("00:00:30", "2026-06-15T00:00:30"),
        ("23:59:59", "2026-06-15T23:59:59"),
        ("", None),
    ],
)
def test_time_without_a_date_is_the_nearest(clock: str, meant: str | None) -> None:
    report = position(GOOD.replace("12:00:30", clock))
    assert report.time_s == (None if meant is None else at(meant))


def test_time_across_midnight() -> None:
    report = read(GOOD.replace("12:00:30", "23:59:59"), heard_at_s=at("2026-06-15T00:00:05"))[0][0]
    assert isinstance(report, PositionReport)
    assert report.time_s == at("2026-06-14T23:59:59")


@pytest.mark.parametrize("clock", ["24:00:00", "12:60:00", "12:00", "noon", "1" * 400])
def test_time_that_cannot_be_is_told(clock: str) -> None:
    reports, problem = read(GOOD.replace("12:00:30", clock))
    assert isinstance(reports[0], PositionReport)
    assert reports[0].time_s is None
    assert "is not HH:MM:SS" in (problem or "")


def test_degrees_with_minutes() -> None:
    report = position("4630.25,-10048.000,9", "latitude_ddmm", "longitude_dddmm", "altitude_m")
    assert report.latitude_deg == pytest.approx(46.0 + 30.25 / 60.0)
    assert report.longitude_deg == pytest.approx(-100.8)
    assert report.resolution_h_m == pytest.approx(18.52)
    assert report.name == "lora"


def test_sensors_are_what_is_not_known_by_name() -> None:
    reports, problem = read(
        "46.5,-100.8,40000,36,12.5,-5,1013.2,junk,9,3",
        *("latitude_deg", "longitude_deg", "altitude_ft", "speed_kmh", "battery_V", "outside_degC"),
        *("pressure_hPa", "ignore", "satellites", "count"),
    )
    assert problem is None
    first, sensors = reports
    assert isinstance(first, PositionReport)
    assert first.altitude_m == pytest.approx(12192.0)
    assert first.speed_ms == pytest.approx(10.0)
    assert first.satellites == 9.0
    assert sensors == SensorReport(
        "lora",
        {"battery": 12.5, "outside": -5.0, "pressure": 1013.2, "count": 3.0},
        {"battery": "V", "outside": "degC", "pressure": "hPa"},
        time_s=None,
    )


def test_field_that_is_no_number_is_left_out_and_told() -> None:
    reports, problem = read(GOOD.replace("12345", "high"))
    assert isinstance(reports[0], PositionReport)
    assert reports[0].altitude_m is None
    assert "altitude_m left out: 'high' is not a number" in (problem or "")


def test_further_fields_are_passed_over_and_empty_ones_are_not_sent() -> None:
    assert read(GOOD + ",9,9,9")[0] == read(GOOD)[0]
    (report,) = read("N0CALL-11,7,12:00:30,,,")[0]
    assert report == StatusReport("N0CALL-11", "no position yet", at("2026-06-15T12:00:30"))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"", "not a sentence"),
        (b"$" + sentence(GOOD)[2:], "not a sentence"),
        (sentence(GOOD)[:-1], "four hexadecimal digits"),
        (sentence(GOOD)[:-3], "four hexadecimal digits"),
        (sentence(GOOD)[:20] + sentence(GOOD)[24:], "CRC-16"),
        (sentence(GOOD)[:-4] + b"0000", "CRC-16 0000, expected"),
        (sentence("N0CALL-11,7,12:00:30,46.5"), "4 fields, the plan names 6"),
        (sentence(GOOD.replace("46.50000", "946.5")), "latitude: 946.5 is not from -90 to 90"),
        (sentence(GOOD.replace("46.50000", "north")), "latitude: 'north' is not a number"),
        (sentence(GOOD.replace("46.50000", "9" * 400)), "is not a number"),
        (sentence(GOOD.replace("46.50000", "1e99")), "is not from -90"),
        (sentence(GOOD.replace("46.50000", "nan")), "is not a number"),
        (sentence("," + GOOD.partition(",")[2]), "is not a name"),
        (sentence("N" * 41 + "," + GOOD.partition(",")[2]), "is not a name"),
    ],
)
def test_bad_sentence_is_told(line: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_sentence(line, HEARD_S, "lora", ORDER)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ((), "1 to 64 fields"),
        (("latitude_deg",), "fields need longitude_deg"),
        (("latitude_deg", "latitude_ddmm", "longitude_deg"), "fields need latitude_deg"),
        (("latitude_deg", "longitude_deg", "x", "x"), "field x is there twice"),
        (("latitude_deg", "longitude_deg", "a b"), "letters, digits and _"),
        (("latitude_deg", "longitude_deg", "altitude_m", "altitude_ft"), "not both"),
        (("latitude_deg", "longitude_deg", *(f"s{i}" for i in range(70))), "1 to 64 fields"),
    ],
)
def test_order_that_cannot_be(names: tuple[str, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        FieldOrder(names)


@given(st.integers(0, len(sentence(GOOD)) - 1), st.integers(1, 255))
def test_no_changed_byte_passes(place: int, change: int) -> None:
    """Between the last "$" and the end, where the noise before a sentence ends."""
    line = bytearray(sentence(GOOD))
    if place < 2 or chr(line[place] ^ change).lower() == chr(line[place]).lower():
        return
    line[place] ^= change
    with pytest.raises(DecodeError):
        decode_sentence(bytes(line), HEARD_S, "lora", ORDER)
