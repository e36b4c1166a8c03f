"""The learned interval, missed packets, and what a crew is told of a silence."""

from __future__ import annotations

import math
import random
import statistics
from itertools import pairwise

import pytest

from server.flight.packets.beacon_health import TrackerHealth
from tests.flights import flown, real_logs


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
    health = heard([60.0 * i for i in range(20)])
    last_s = 1_140.0
    assert health.state(last_s + 70) == "reporting"
    assert health.state(last_s + 130) == "late"
    assert health.state(last_s + health.threshold_s() - 1) == "late"
    assert health.state(last_s + health.threshold_s() + 1) == "silent"
    assert 4 * 60 < health.threshold_s() < 8 * 60
    assert heard([]).state(0.0) == "never heard"


def test_each_silence_has_its_moment() -> None:
    health = heard([*(30.0 * i for i in range(20)), 1_200.0, 1_230.0])
    ((last_s, from_s, again_s),) = health.silences(1_240.0)
    assert (last_s, again_s) == (570.0, 1_200.0)
    assert 570.0 + 4 * 30.0 < from_s < 570.0 + 8 * 30.0
    again = health.silences(1_600.0)
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


def uneven(until_s: float) -> list[tuple[float, float]]:
    """Heard every 25 to 30 s, stamped 2, 24, 41 and 66 s apart, as some trackers do."""
    rng = random.Random(2)
    packets, heard_s, sent_s = [], 0.0, 0.0
    while heard_s < until_s:
        packets.append((heard_s + 1.9, sent_s))
        heard_s += rng.choice([25.0, 28.0, 30.0])
        stamped = [s for s in (2.0, 24.0, 41.0, 66.0) if sent_s + s <= heard_s]
        sent_s += rng.choice(stamped) if stamped else 0.0
    return packets


def test_uneven_stamps_raise_no_alarm() -> None:
    health = TrackerHealth(silent_after_intervals=4.0)
    packets = uneven(7_200.0)
    for heard_s, sent_s in packets:
        health.add(heard_s, sent_s)
    last_s = packets[-1][0]
    assert health.silences(last_s) == ()
    assert health.interval_s == pytest.approx(28.0, abs=2.5)
    (silence,) = health.silences(9e9)
    assert silence.silent_from_s - last_s < 8 * 30.0


def test_beacons_of_two_packets_raise_no_alarm() -> None:
    health = heard([t for i in range(100) for t in (60.0 * i, 60.0 * i + 3.0)])
    assert health.silences(99 * 60.0 + 3.0) == ()
    assert health.interval_s == pytest.approx(60.0)


def test_a_regular_tracker_that_stops_is_told_when_no_run_of_misses_is_so_long() -> None:
    """Longhand, of 39 gaps and no miss: a run of 7 that ends within two intervals is too likely yet
    (0.05 alarms on 440 beacons), one of 8 is not."""
    begins, goes_on, weight = 0.085 * 10 / (20 + 10), 0.20, 3.5  # of the last 20 gaps

    def lasts(run: int) -> float:
        longer = ((weight * goes_on + j) / (weight + j) for j in range(run - 1))
        return begins * math.prod(longer)

    assert lasts(7) - lasts(9) > 0.05 / 440 > lasts(8) - lasts(10)
    health = heard([30.0 * i for i in range(40)])
    ((last_s, from_s, again_s),) = health.silences(9e9)
    assert (last_s, again_s) == (1_170.0, None)
    assert 7 * 30.0 < from_s - last_s - 5.0 < 8 * 30.0


def test_a_plan_with_fewer_intervals_is_told_earlier() -> None:
    usual, soon, late = (TrackerHealth(n) for n in (4.0, 2.0, 40.0))
    for health in (usual, soon, late):
        for i in range(40):
            health.add(30.0 * i)
    assert soon.threshold_s() - 5.0 == pytest.approx((usual.threshold_s() - 5.0) / 2)
    assert late.threshold_s() == 40 * 30.0 + 5.0


def test_one_of_which_many_are_missed_is_told_somewhat_later() -> None:
    rng = random.Random(1)
    health = heard([30.0 * i for i in range(300) if rng.random() > 0.35])
    assert len(health.silences(30.0 * 299)) == 0
    assert 6 * 30.0 < health.threshold_s() < 12 * 30.0 + 10.0
    assert health.missed / (health.heard + health.missed) == pytest.approx(0.35, abs=0.05)


def test_a_faster_rate_is_learned() -> None:
    health = heard([*(60.0 * i for i in range(30)), *(1_740.0 + 10.0 * i for i in range(1, 60))])
    assert health.interval_s == pytest.approx(10.0)
    assert health.threshold_s() < 85.0


def test_on_real_flights_nobody_is_called_silent_too_early() -> None:
    """Two kinds of alarm that nobody needed, as the bench `silences` counts them."""
    flights, alarms, short, unfounded = real_logs(), 0, 0, 0
    for path in flights:
        flight = flown(path)
        for name in flight.trackers:
            sender = flight.senders[name]
            times = [packet.first_heard_s for packet in sender.packets]
            interval_s = statistics.median(
                [b - a for a, b in pairwise(times) if b - a > 1.0] or [60.0]
            )
            for last_s, from_s, again_s in sender.health.silences(flight.now_s):
                alarms += 1
                if again_s is not None:
                    short += again_s - from_s < 2.0 * interval_s
                    unfounded += again_s - last_s < 4.0 * interval_s
    assert unfounded == 0
    assert short <= 0.05 * len(flights)
    assert alarms > 0.5 * len(flights), "true silences are told"


def test_a_backlog_tells_the_interval_until_hearing_does() -> None:
    """All that is heard of it was held back, and comes at once: its own times are five seconds apart."""
    health = TrackerHealth(silent_after_intervals=4.0)
    for i in range(60):
        health.add(1_000.0 + 0.02 * i, 5.0 * i)
    assert health.interval_s == 5.0
    assert health.state(1_001.2 + 4.0) == "reporting"
    assert health.state(1_001.2 + 60.0) == "silent"
    for i in range(60):
        health.add(1_010.0 + 30.0 * i, 1_008.0 + 30.0 * i)
    assert health.interval_s == pytest.approx(30.0)
