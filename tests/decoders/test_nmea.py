"""NMEA 0183. Oracle: pynmea2 (it gives 0, 0 for empty positions and takes missing checksums).

The GGA sentence is the one that many public programs have as their example, with its checksum 47.
"""

from __future__ import annotations

import itertools

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.nmea import (
    checksum,
    decode_sentence,
    encode_gga,
    encode_rmc,
    merge,
    sentence,
)
from decoders.reports import DecodeError, PositionReport, StatusReport
from tests.decoders.packets import HEARD_S, at

GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = sentence("GNRMC,115959.50,A,4916.45,N,12311.12,W,000.5,054.7,150626,020.3,E,A")
GNS = sentence("GNGNS,115959.2,3722.425671,N,12258.856215,W,DA,14,0.9,1005.543,6.5,5.2,23")
positions = st.builds(
    PositionReport,
    name=st.just("gps"),
    latitude_deg=st.floats(-89.99, 89.99),
    longitude_deg=st.floats(-179.99, 179.99),
    time_s=st.integers(-43_000_000, 43_000_000).map(lambda ms: HEARD_S + ms / 1000),
    altitude_m=st.one_of(st.none(), st.floats(-400, 45_000)),
    course_deg=st.floats(0, 359.99),
    speed_ms=st.floats(0, 300),
)


def decoded(line: bytes, heard_at_s: float = HEARD_S) -> PositionReport:
    report = decode_sentence(line, heard_at_s, "gps")
    assert isinstance(report, PositionReport), report
    return report


def test_printed_example() -> None:
    report = decoded(GGA)
    assert report.latitude_deg == pytest.approx(48.1173)
    assert report.longitude_deg == pytest.approx(11.51667, abs=5e-6)
    assert (report.altitude_m, report.altitude_datum) == (545.4, "msl")
    assert report.time_s == at("2026-06-15T12:35:19")
    assert report.resolution_h_m == pytest.approx(1.852)
    assert report.resolution_v_m == pytest.approx(0.1)
    assert report.satellites == 8
    assert checksum(GGA[1:-3]) == 0x47


@pytest.mark.parametrize("line", [GGA, RMC, GNS])
def test_pynmea2_agrees(line: bytes) -> None:
    oracle = pynmea2.parse(line.decode(), check=True)
    report = decoded(line)
    assert report.latitude_deg == pytest.approx(oracle.latitude, abs=1e-9)
    assert report.longitude_deg == pytest.approx(oracle.longitude, abs=1e-9)
    if oracle.sentence_type == "RMC":
        assert report.speed_ms == pytest.approx(oracle.spd_over_grnd * 1852 / 3600)
        assert report.course_deg == pytest.approx(oracle.true_course)
        assert report.time_s == oracle.datetime.timestamp()
    else:
        assert report.altitude_m == pytest.approx(float(oracle.altitude))


@given(positions)
def test_round_trip_and_pynmea2(report: PositionReport) -> None:
    gga, rmc = encode_gga(report), encode_rmc(report)
    merged = merge(decoded(gga), decoded(rmc))
    assert merged.latitude_deg == pytest.approx(report.latitude_deg, abs=1e-7)
    assert merged.longitude_deg == pytest.approx(report.longitude_deg, abs=1e-7)
    assert merged.time_s == pytest.approx(report.time_s, abs=1e-3)
    assert merged.altitude_m == (
        None if report.altitude_m is None else pytest.approx(report.altitude_m, abs=0.051)
    )
    assert merged.speed_ms == pytest.approx(report.speed_ms, abs=3e-4)
    assert merged.course_deg == pytest.approx(report.course_deg, abs=0.0051)
    for line in (gga, rmc):
        oracle = pynmea2.parse(line.decode(), check=True)
        assert oracle.latitude == pytest.approx(merged.latitude_deg, abs=1e-9)


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "BD", "GQ", "II", "XX"])
def test_any_talker(talker: str) -> None:
    assert decoded(sentence(talker + GGA[3:-3].decode())) == decoded(GGA)


@pytest.mark.parametrize("before", [b"garbage", b"$GPGGA,1235", b"\x00\xff$$", b"!AIVDM,1*00"])
def test_what_stands_before_the_last_dollar_is_left_out(before: bytes) -> None:
    assert decoded(before + GGA + b"\r\n") == decoded(GGA)


@pytest.mark.parametrize(
    ("clock", "heard", "meant"),
    [
        ("235959.9", "2026-06-15T00:00:01", "2026-06-14T23:59:59.9"),
        ("000000.1", "2026-06-14T23:59:59", "2026-06-15T00:00:00.1"),
        ("000000", "2026-12-31T23:59:59", "2027-01-01T00:00:00"),
    ],
)
def test_time_of_day_around_midnight(clock: str, heard: str, meant: str) -> None:
    line = sentence(f"GPGGA,{clock},4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")
    assert decoded(line, at(heard)).time_s == pytest.approx(at(meant), abs=1e-6)


@pytest.mark.parametrize(
    ("date", "meant"),
    [
        ("150626", "2026-06-15T13:00:00"),
        ("140626", "2026-06-14T13:00:00"),  # within a day: the receiver knows better
        ("301106", "2026-06-15T13:00:00"),  # 1,024 weeks back: the receiver's week has rolled over
        ("", "2026-06-15T13:00:00"),
        ("999999", "2026-06-15T13:00:00"),
    ],
)
def test_date_is_trusted_when_plausible(date: str, meant: str) -> None:
    line = sentence(f"GPRMC,130000,A,4807.038,N,01131.000,E,0,0,{date},,,A")
    assert decoded(line).time_s == at(meant)


@pytest.mark.parametrize(
    "content",
    [
        "GPGGA,120000,4807.038,N,01131.000,E,0,00,,,M,,M,,",
        "GPRMC,120000,V,4807.038,N,01131.000,E,,,150626,,,N",
        "GPRMC,120000,A,4807.038,N,01131.000,E,,,150626,,,N",
        "GNGNS,120000,4807.038,N,01131.000,E,NN,00,,,,,",
    ],
)
def test_position_without_fix_is_not_valid(content: str) -> None:
    assert decoded(sentence(content)).valid is False


@pytest.mark.parametrize(
    "content",
    ["GPGGA,120000,,,,,0,00,,,M,,M,,", "GPRMC,,V,,,,,,,,,,N", "GNGNS,,,,,,NN,00,,,,,"],
)
def test_receiver_that_still_searches_gives_words(content: str) -> None:
    """pynmea2 gives 0, 0 for these."""
    report = decode_sentence(sentence(content), HEARD_S, "gps")
    assert isinstance(report, StatusReport)
    assert "no position" in report.text


@pytest.mark.parametrize(
    "content", ["GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1", "PUBX,00", "GPVTG,,,,,,,,", "X"]
)
def test_other_sentences_are_no_problem(content: str) -> None:
    assert decode_sentence(sentence(content), HEARD_S, "gps") is None


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"", "not an NMEA sentence"),
        (b"GPGGA,1", "not an NMEA sentence"),
        (GGA[:-3], "not an NMEA sentence"),  # pynmea2 accepts a missing checksum
        (GGA[:-2] + b"48", "checksum 48, expected 47"),
        (GGA.replace(b"4807", b"4808"), "checksum"),
        (sentence("GPGGA,123519,4860.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "is not"),
        (sentence("GPGGA,123519,9107.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "on the earth"),
        (sentence("GPGGA,123519,4807.038,N,18131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "on the earth"),
        (sentence("GPGGA,123519,4807.038,,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "hemisphere"),
        (sentence("GPGGA,123519,4807.038,N,-1131.000,E,1,08,0.9,545.4,M,46.9,M,,"), "is not"),
        (sentence("GPGGA,123519,4807.038"), "GGA"),
        (sentence("GPGGA"), "GGA"),
    ],
)
def test_what_cannot_be_read_is_told(line: bytes, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_sentence(line, HEARD_S, "gps")


def test_minutes_without_a_decimal_point() -> None:
    line = sentence("GPGGA,123519,4807,N,01131,W,1,08,0.9,545.4,M,46.9,M,,")
    assert decoded(line).longitude_deg == pytest.approx(-(11 + 31 / 60))
    assert decoded(line).resolution_h_m == pytest.approx(1852)


def test_merge_is_symmetric_and_keeps_all() -> None:
    gga = decoded(sentence("GPGGA,115959.50,4916.45,N,12311.12,W,1,08,0.9,545.4,M,46.9,M,,"))
    rmc = decoded(RMC)
    for a, b in itertools.permutations((gga, rmc)):
        both = merge(a, b)
        assert both == merge(gga, rmc)
        assert both.altitude_m == 545.4
        assert both.course_deg == pytest.approx(54.7)


@given(positions, positions)
def test_merge_is_symmetric_for_any_two(a: PositionReport, b: PositionReport) -> None:
    gga = decoded(encode_gga(a))
    rmc = decoded(encode_rmc(b))
    if gga.time_s == rmc.time_s:
        assert merge(gga, rmc) == merge(rmc, gga)
    else:
        with pytest.raises(ValueError, match="two epochs"):
            merge(gga, rmc)


def test_merged_fix_is_valid_only_when_both_say_so() -> None:
    gga = decoded(sentence("GPGGA,115959.50,4916.45,N,12311.12,W,0,00,,,M,,M,,"))
    rmc = decoded(RMC)
    assert (gga.valid, rmc.valid) == (False, True)
    assert merge(gga, rmc).valid is merge(rmc, gga).valid is False


def test_reports_of_two_receivers_do_not_merge() -> None:
    other = decode_sentence(GGA, HEARD_S, "other")
    assert isinstance(other, PositionReport)
    with pytest.raises(ValueError, match="two epochs"):
        merge(decoded(GGA), other)


def test_gll() -> None:
    """The example of Trimble's receiver help, "NMEA-0183 message: GLL", with its checksum."""
    line = b"$GPGLL,3953.88008971,N,10506.75318910,W,034138.00,A,D*7A"
    report = decode_sentence(line, at("2026-06-15T03:41:44"), "gps")
    assert isinstance(report, PositionReport)
    assert report.latitude_deg == pytest.approx(39.0 + 53.88008971 / 60.0)
    assert report.longitude_deg == pytest.approx(-(105.0 + 6.7531891 / 60.0))
    assert (report.time_s, report.altitude_m) == (at("2026-06-15T03:41:38"), None)
    assert report.valid


@pytest.mark.parametrize(
    ("content", "valid"),
    [
        ("GPGLL,4916.45,N,12311.12,W,225444,V,N", False),
        ("GPGLL,4916.45,N,12311.12,W,225444,A,N", False),
        ("GPGLL,4916.45,N,12311.12,W", True),
    ],
)
def test_validity_of_gll(content: str, valid: bool) -> None:
    report = decode_sentence(sentence(content), HEARD_S, "gps")
    assert isinstance(report, PositionReport)
    assert report.valid is valid


def test_wpl_is_the_position_of_its_name() -> None:
    report = decode_sentence(sentence("GPWPL,4917.16,N,12310.64,W,N0CALL-11"), HEARD_S, "radio")
    assert isinstance(report, PositionReport)
    assert (report.name, report.object_of, report.time_s) == ("N0CALL-11", "radio", None)
    assert report.latitude_deg == pytest.approx(49.0 + 17.16 / 60.0)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("GPGLL,4916.45,N,12311.12", "GLL has 4 fields"),
        ("GPGLL,4966.45,N,12311.12,W,225444,A", "is not"),
        ("GPGLL,9916.45,N,12311.12,W,225444,A", "not on the earth|pynmeagps"),
        ("GPWPL,4917.16,N,12310.64,W", "WPL has 5 fields"),
        ("GPWPL,4917.16,N,12310.64,W,", "is not a name"),
        ("GPWPL,4917.16,N,12310.64,W," + "X" * 41, "is not a name"),
    ],
)
def test_bad_gll_and_wpl(content: str, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        decode_sentence(sentence(content), HEARD_S, "gps")


def test_without_checksum_only_where_the_plan_allows() -> None:
    bare = sentence("GPGLL,4916.45,N,12311.12,W,225444,A")[:-3]
    with pytest.raises(DecodeError, match="with a checksum expected"):
        decode_sentence(bare, HEARD_S, "gps")
    report = decode_sentence(bare + b"\r\n", HEARD_S, "gps", without_checksum=True)
    assert isinstance(report, PositionReport)
    with pytest.raises(DecodeError, match="NMEA checksum 00"):
        decode_sentence(bare + b"*00", HEARD_S, "gps", without_checksum=True)
    with pytest.raises(DecodeError, match="with a checksum expected"):
        decode_sentence(bare + b"*", HEARD_S, "gps", without_checksum=True)
