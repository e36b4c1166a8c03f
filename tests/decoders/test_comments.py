"""Home-made comment formats."""

from __future__ import annotations

import math

import pytest

from decoders.comments import CommentPattern
from decoders.reports import DecodeError

FLOWN = CommentPattern(
    r"(?P<temperature>-?\d+)T(?P<pressure>\d+)P",
    {"temperature": (0.1, 0.0, "degC"), "pressure": (0.1, 0.0, "hPa")},
)


def test_comment_as_flown() -> None:
    report = FLOWN.read("N0CALL-1", " 208T8363P", 12.0)
    assert report is not None
    assert report.values == {
        "temperature": pytest.approx(20.8),
        "pressure": pytest.approx(836.3),
    }
    assert report.units == {"temperature": "degC", "pressure": "hPa"}
    assert (report.name, report.time_s) == ("N0CALL-1", 12.0)


def test_below_zero() -> None:
    report = FLOWN.read("N0CALL-1", " -45T12P", None)
    assert report is not None
    assert report.values["temperature"] == pytest.approx(-4.5)


@pytest.mark.parametrize("comment", ["", "hello", "208T", "T8363P"])
def test_comment_without_sensors(comment: str) -> None:
    assert FLOWN.read("N0CALL-1", comment, None) is None


def test_group_without_scale_and_group_without_number() -> None:
    pattern = CommentPattern(r"V(?P<volts>\S+) (?P<word>\w+)(?: (?P<more>\d+))?", {})
    report = pattern.read("N0CALL-1", "V3.7 full", None)
    assert report is not None
    assert (report.values, report.units) == ({"volts": 3.7}, {})
    assert pattern.read("N0CALL-1", "Vlow full", None) is None
    assert pattern.read("N0CALL-1", "Vinf full", None) is None


def test_offset() -> None:
    pattern = CommentPattern(r"(?P<t>\d+)K", {"t": (1.0, -273.15, "degC")})
    report = pattern.read("N0CALL-1", "300K", None)
    assert report is not None
    assert report.values["t"] == pytest.approx(26.85)


@pytest.mark.parametrize(
    ("pattern", "scales", "words"),
    [
        ("(", {}, "comment pattern"),
        (r"\d+", {}, "names no group"),
        ("(?P<a>x)(?P<a>y)", {}, "comment pattern"),
        (r"(?P<a>\d)", {"b": (1.0, 0.0, "")}, "scale for b, but the pattern names a"),
        (r"(?P<a>\d)", {"a": (math.nan, 0.0, "")}, "not a finite number"),
    ],
)
def test_bad_pattern_is_told(
    pattern: str, scales: dict[str, tuple[float, float, str]], words: str
) -> None:
    with pytest.raises(DecodeError, match=words):
        CommentPattern(pattern, scales)


@pytest.mark.parametrize("pattern", [r"(?P<a>(\d+)+)x", r"(?P<a>(x+x+)+)y", r"(?P<a>(.*)*)\n!"])
def test_nested_repeats_do_not_hold_anybody_up(pattern: str) -> None:
    """With an engine that backtracks each of these outlasts the flight."""
    assert CommentPattern(pattern, {}).read("N0CALL-11", "1" * 511 + "!", None) is None
    assert CommentPattern(pattern, {}).read("N0CALL-11", "x" * 511 + "!", None) is None


@pytest.mark.parametrize(
    ("pattern", "words"), [(r"(?P<a>\d+)(?=V)", r"\(\?="), (r"(?P<a>\d)\1", "invalid escape")]
)
def test_what_the_engine_does_not_know_is_told(pattern: str, words: str) -> None:
    with pytest.raises(DecodeError, match=words):
        CommentPattern(pattern, {})
