"""Backoff and pace, on a clock of the test's own."""

from __future__ import annotations

import pytest

from server.sources import pacing
from server.sources.pacing import Backoff, Pace


class Clock:
    """Stands for the module `time`."""

    now_s = 0.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(pacing, "time", made)
    return made


def test_backoff_doubles_up_to_its_cap() -> None:
    waits = [Backoff(1.0, 30.0).wait_s(n) for n in range(1, 9)]
    assert waits == [1, 2, 4, 8, 16, 30, 30, 30]
    assert Backoff(1.0, 30.0).wait_s(10_000) == 30.0


def test_a_burst_is_free_and_what_follows_waits_for_the_rate(clock: Clock) -> None:
    pace = Pace(per_s=100.0, burst=300.0)
    assert pace.wait_s(300) == 0.0
    assert pace.wait_s(50) == 0.5
    clock.now_s = 0.5
    assert pace.wait_s(10) == pytest.approx(0.1)
    clock.now_s = 60.0
    assert pace.wait_s(300) == 0.0, "full again, and no fuller than its burst"
    assert pace.wait_s(1_000_000) == 10_000.0


def test_one_more_is_taken_or_nothing_is(clock: Clock) -> None:
    pace = Pace(per_s=0.5, burst=2.0)
    assert [pace.allows() for _ in range(5)] == [True, True, False, False, False]
    clock.now_s = 1.9
    assert not pace.allows()
    clock.now_s = 2.0
    assert pace.allows()


def test_a_flood_of_hours_is_over_when_it_ends(clock: Clock) -> None:
    pace = Pace(per_s=300.0, burst=3_000.0, longest_s=1.0)
    for second in range(3_600):
        clock.now_s = float(second)
        said = pace.wait_s(2_000) > 0.0
    assert said
    clock.now_s += 1.1
    assert pace.wait_s(1) == 0.0
