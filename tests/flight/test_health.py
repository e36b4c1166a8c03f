"""The learned interval, missed packets, and what a crew is told of a silence."""

from __future__ import annotations

import random

import pytest

from server.flight.health import TrackerHealth


def heard(times: list[float]) -> TrackerHealth:
    health = TrackerHealth(silent_after_intervals=4.0)
    for t in times:
        health.add(t)
    return health


def test_interval_is_learned_through_gaps() -> None:
    rng = random.Random(4)
    times = [30.0 * i + rng.uniform(-1, 1) for i in range(200) if rng.random() > 0.35]
    health = heard(times)
    assert health.interval_s == pytest.approx(30.0, abs=1.5)
    assert health.missed == pytest.approx(200 - len(times), abs=8)


def test_states_by_age() -> None:
    health = heard([60.0 * i for i in range(10)])
    last_s = 540.0
    assert health.state(last_s + 70) == "reporting"
    assert health.state(last_s + 130) == "late"
    assert health.state(last_s + 4 * 60 + 4) == "late"
    assert health.state(last_s + 4 * 60 + 6) == "silent"
    assert heard([]).state(0.0) == "never heard"


def test_each_silence_has_its_moment() -> None:
    health = heard([*(30.0 * i for i in range(20)), 1_200.0, 1_230.0])
    assert health.silences(1_240.0) == ((570.0, 695.0, 1_200.0),)
    again = health.silences(1_400.0)
    assert len(again) == 2
    assert again[1].last_heard_s == 1_230.0
    assert again[1].heard_again_s is None


def test_order_does_not_matter_and_removal_undoes() -> None:
    rng = random.Random(8)
    times = [30.0 * i for i in range(60) if i % 7]
    mixed = rng.sample(times, len(times))
    a, b = heard(times), heard(mixed)
    assert (a.interval_s, a.missed, a.silences(9e9)) == (b.interval_s, b.missed, b.silences(9e9))
    b.add(777.0)
    b.remove(777.0)
    assert (a.interval_s, a.missed) == (b.interval_s, b.missed)


def test_a_feed_that_catches_up_does_not_shorten_the_interval() -> None:
    health = TrackerHealth(silent_after_intervals=4.0)
    for i in range(10):
        health.add(30.0 * i + 1.0, 30.0 * i)
    for i in range(10, 20):  # held back, then all within two seconds
        health.add(600.0 + 0.2 * i, 30.0 * i)
    assert health.interval_s == pytest.approx(30.0)
    assert health.missed == 0


def test_what_comes_between_beacons_does_not_shorten_the_interval() -> None:
    health = TrackerHealth(silent_after_intervals=4.0)
    for i in range(12):
        health.add(60.0 * i)
        for j in range(3):  # names and units of the telemetry
            health.add(60.0 * i + 3.0 * (j + 1), beacon=False)
    assert health.interval_s == pytest.approx(60.0)
    assert health.silences(60.0 * 11 + 200.0) == ()
