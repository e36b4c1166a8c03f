"""Splices rebuild the series, whatever was changed in it."""

from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from server.screen.feed import History
from server.screen.splices import SentHistory, Series, common_prefix

NOTHING = History(tracks={}, fixes={}, vehicles={}, sensors={})
numbers = st.lists(st.integers(0, 3), max_size=30)


@given(numbers, numbers)
def test_common_prefix(old: list[int], new: list[int]) -> None:
    by_hand = 0
    while by_hand < min(len(old), len(new)) and old[by_hand] == new[by_hand]:
        by_hand += 1
    assert common_prefix(old, new) == by_hand


@given(st.lists(numbers, max_size=6))
def test_a_mirror_that_takes_the_splices_has_the_series(versions: list[list[int]]) -> None:
    series, mirror = Series((None,)), list[tuple[int]]()
    for version in versions:
        splice = series.follow([(value,) for value in version])
        if splice is not None:
            mirror[splice["from"] :] = splice["points"]
        assert mirror == [(value,) for value in version] == series.rows


def test_nothing_new_says_nothing() -> None:
    series = Series((1,))
    assert series.follow([(1.0,), (2.0,)]) == {"from": 0, "points": [[1.0], [2.0]]}
    assert series.follow([(1.0,), (2.0,)]) is None


def test_a_late_packet_sends_the_rewritten_end_alone() -> None:
    series = Series((1,))
    series.follow([(float(n),) for n in range(10_000)])
    changed = [(float(n),) for n in range(9_990)] + [(0.5,), (9_991.0,)]
    assert series.follow(changed) == {"from": 9_990, "points": [[0.5], [9_991.0]]}


def test_points_are_rounded_once() -> None:
    series = Series((3, 6, None))
    series.follow([(1.00049, 37.12345678, None)])
    assert series.rows == [[1.0, 37.123457, None]]


def test_a_name_that_goes_is_cut_to_nothing() -> None:
    sent = SentHistory()
    sent.follow(replace(NOTHING, fixes={"A": [(1.0, 2.0, 3.0, None, True, None)]}))
    change = sent.follow(NOTHING)
    assert change == {"fixes": {"A": {"from": 0, "points": []}}}
    assert sent.whole()["fixes"] == {}


def test_sensors_carry_their_unit() -> None:
    sent = SentHistory()
    sensors: Any = {"A/temperature": {"unit": "degC", "points": [(1.0, 21.5)]}}
    change = sent.follow(replace(NOTHING, sensors=sensors))
    assert change == {
        "sensors": {"A/temperature": {"from": 0, "points": [[1.0, 21.5]], "unit": "degC"}}
    }
    assert sent.whole()["sensors"] == {"A/temperature": {"unit": "degC", "points": [[1.0, 21.5]]}}
