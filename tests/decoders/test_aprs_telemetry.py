"""Telemetry. Source: APRS Protocol Reference 1.0.1, chapter 13; its report and
its unit message as public decoders quote them."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders import aprs_encode_telemetry as encode
from decoders.aprs_telemetry import scale
from decoders.reports import DecodeError, SensorReport, SensorScale
from tests.decoders.packets import position, reports, sensors

NAMES = "Battery,Btemp,ATemp,Pres,Alt,Camra,Chut,Sun,10m,ATV"
UNITS = "v/100,deg.F,deg.F,Mbar,Kft,Click,OPEN,on,on,hi"
EQUATIONS = "0,5.2,0,0,.53,-32,3,4.39,49,-32,3,18,1,2,3"
counts = st.integers(0, 8280)
bits8 = st.lists(st.booleans(), min_size=8, max_size=8)


def one_scale(information: bytes | str) -> SensorScale:
    (report,) = reports(information)
    assert isinstance(report, SensorScale)
    return report


def test_report_of_the_standard() -> None:
    report = sensors("T#005,199,000,255,073,123,01101001")
    assert report.sequence == 5
    assert report.channels == (199.0, 0.0, 255.0, 73.0, 123.0)
    assert report.bits == (False, True, True, False, True, False, False, True)


@pytest.mark.parametrize(
    ("information", "channels", "bits", "sequence"),
    [
        ("T#MIC199,000,255,073,123,01101001", (199, 0, 255, 73, 123), 8, None),
        ("T#MIC,199,000,255,073,123,01101001", (199, 0, 255, 73, 123), 8, None),
        ("T#7,1.5,-2.25,+3,.5,5", (1.5, -2.25, 3, 0.5, 5), 0, 7),
        ("T#007,1,,3,,5,00000000 words", (1, None, 3, None, 5), 8, 7),
        ("T#007,1,2", (1, 2, None, None, None), 0, 7),
        ("T#,1,2", (1, 2, None, None, None), 0, None),
    ],
)
def test_report_forms_in_use(
    information: str, channels: tuple[float | None, ...], bits: int, sequence: int | None
) -> None:
    report = sensors(information)
    assert report.channels == channels
    assert (len(report.bits), report.sequence) == (bits, sequence)


@pytest.mark.parametrize(
    "information",
    [
        "T#",
        "T#005",
        "T#005,,,,,",
        "T#005,x",
        "T#ab,1",
        "T#1,1e5",
        "T#1,nan",
        "T#1,²",
        "T#1,7\x1f",
        "T#\x1e5,1",
    ],
)
def test_bad_report_is_told(information: str) -> None:
    with pytest.raises(DecodeError, match="telemetry"):
        reports(information)


def test_scales_of_the_standard() -> None:
    scales = [
        one_scale(f":N0CALL-11:PARM.{NAMES}"),
        one_scale(f":N0CALL-11:UNIT.{UNITS}"),
        one_scale(f":N0CALL-11:EQNS.{EQUATIONS}"),
        one_scale(":N0CALL-11:BITS.10110000,Big Balloon"),
    ]
    report = sensors("T#005,199,000,255,073,123,01101001")
    values, units = scale(report.channels, scales, report.bits)
    assert values["Battery"] == pytest.approx(5.2 * 199)  # hundredths of a volt
    assert values["Btemp"] == pytest.approx(-32.0)
    assert values["ATemp"] == pytest.approx(3 * 255**2 + 4.39 * 255 + 49)
    assert values["Pres"] == pytest.approx(-32 * 73**2 + 3 * 73 + 18)
    assert values["Alt"] == pytest.approx(1 * 123**2 + 2 * 123 + 3)
    assert (units["Battery"], units["Chut"]) == ("v/100", "OPEN")
    # bits 0, 1, 1, 0, 1 against the sense 1, 0, 1, 1, 0
    assert [values[name] for name in ("Camra", "Chut", "Sun", "10m", "ATV")] == [0, 0, 1, 0, 0]


def test_without_scales_channels_have_plain_names() -> None:
    assert scale((1.0, None, 3.0), ()) == ({"channel 1": 1.0, "channel 3": 3.0}, {})


def test_last_scale_of_a_kind_counts_and_equal_names_stay_apart() -> None:
    first = SensorScale("N0CALL", "PARM", texts=("old",))
    last = SensorScale("N0CALL", "PARM", texts=("T", "T"))
    assert scale((1.0, 2.0), [first, last])[0] == {"T": 1.0, "channel 2": 2.0}


@given(counts, st.lists(counts, min_size=1, max_size=5))
def test_comment_telemetry_round_trip(sequence: int, values: list[int]) -> None:
    information = b"!4903.50N/07201.75W-hi" + encode.comment_telemetry(sequence, values).encode()
    report = sensors(information)
    assert report.sequence == sequence
    assert report.channels == tuple(values) + (None,) * (5 - len(values))
    assert position(information).comment == "hi"


@given(counts, st.lists(counts, min_size=5, max_size=5), bits8)
def test_comment_telemetry_with_bits(sequence: int, values: list[int], bits: list[bool]) -> None:
    text = encode.comment_telemetry(sequence, values, bits)
    for after in ("", "!W12!", "/A=001000", "!w12!/A=001000"):
        report = sensors("!4903.50N/07201.75W-hi" + text + after)
        assert (report.sequence, report.bits) == (sequence, tuple(bits))
        assert position("!4903.50N/07201.75W-hi" + text + after).comment == "hi"


def test_comment_telemetry_before_the_type_of_a_mic_e_radio() -> None:
    report = sensors('`(_fn"Oj/"4T}hi|ss11|_%', "S32UVT")
    assert (report.sequence, report.channels[0]) == (7544, 1472)
    assert position('`(_fn"Oj/"4T}hi|ss11|_%', "S32UVT").comment == "hi_%"


@pytest.mark.parametrize("comment", ["|s|", "|ss|", "|ss1|", "|ss 1|", "|ss11", "||", "|ss11|x"])
def test_malformed_comment_telemetry_stays_in_the_comment(comment: str) -> None:
    found = reports("!4903.50N/07201.75W-" + comment)
    assert len(found) == 1
    assert position("!4903.50N/07201.75W-" + comment).comment == comment


@given(
    st.integers(0, 999),
    st.lists(st.one_of(st.none(), st.integers(0, 255)), min_size=1, max_size=5).filter(any),
    bits8,
)
def test_report_round_trip(sequence: int, values: list[int | None], bits: list[bool]) -> None:
    report = sensors(encode.telemetry(sequence, values, bits))
    assert report == SensorReport(
        "N0CALL-11",
        channels=tuple(values) + (None,) * (5 - len(values)),
        bits=tuple(bits),
        sequence=sequence,
    )


@given(
    st.lists(st.tuples(*[st.decimals(-999, 999, places=3).map(float)] * 3), min_size=1, max_size=5)
)
def test_equations_round_trip(rows: list[tuple[float, float, float]]) -> None:
    report = one_scale(encode.equations("N0CALL-11", rows))
    assert report.coefficients[: len(rows)] == tuple(rows)


def test_names_units_and_bits_round_trip() -> None:
    texts = ("Vbat", "Tint", "P")
    assert one_scale(encode.parameters("N0CALL-11", texts)).texts[:3] == texts
    assert one_scale(encode.units("N0CALL-11", texts)).kind == "UNIT"
    sense = (True, False) * 4
    report = one_scale(encode.bit_sense("N0CALL-11", sense, "Flight 7"))
    assert (report.sense, report.texts) == (sense, ("Flight 7",))


@pytest.mark.parametrize(
    "call",
    [
        lambda: encode.comment_telemetry(1, []),
        lambda: encode.comment_telemetry(1, [8281]),
        lambda: encode.comment_telemetry(1, [1], [True]),
        lambda: encode.telemetry(1, [1] * 6),
        lambda: encode.telemetry(1, [1], [True]),
        lambda: encode.parameters("N0CALL", ["a,b"]),
        lambda: encode.parameters("N0CALL", ["a"] * 14),
        lambda: encode.equations("N0CALL", []),
        lambda: encode.bit_sense("N0CALL", [True]),
        lambda: encode.bit_sense("TOOLONG-100", [True] * 8),
    ],
)
def test_what_does_not_fit_is_told(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"\w+"):
        call()


@pytest.mark.parametrize("message", ["PARM." + "x" * 30, "EQNS.a,b", "BITS.2"])
def test_bad_scale_is_told(message: str) -> None:
    with pytest.raises(DecodeError, match="aprslib"):
        reports(f":N0CALL-11:{message}")
