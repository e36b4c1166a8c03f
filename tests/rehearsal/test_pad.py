"""What happens to the box before the launch, and flights that do not go up, burst and come down."""

from __future__ import annotations

import numpy as np
import pytest

from server.rehearsal.odd import dragged
from server.rehearsal.pad import before
from server.rehearsal.scenario import PadPart, load
from server.rehearsal.truth import distance_m, make

SCENARIO = load("calm")
PARTS: tuple[PadPart, ...] = ("rest", "carried", "indoors", "settling", "driven", "tethered")


@pytest.mark.parametrize("part", PARTS)
def test_a_part_ends_on_the_pad_and_leaves_the_flight_as_it_is(part: PadPart) -> None:
    truth = make(SCENARIO, 1)
    longer = before(truth, (part,), 1)
    added = longer.altitude_m.size - truth.altitude_m.size
    assert added == truth.start_s - longer.start_s > 0
    np.testing.assert_array_equal(longer.altitude_m[added:], truth.altitude_m)
    np.testing.assert_array_equal(longer.latitude_deg[added:], truth.latitude_deg)
    last = longer.at(truth.start_s - 1.0)
    assert distance_m(last, truth.at(truth.start_s)) < 40.0
    assert last[2] == pytest.approx(truth.altitude_m[0], abs=5.0)
    assert longer.launch_s == truth.launch_s


def test_a_drive_goes_over_hills_no_faster_and_no_steeper_than_a_car() -> None:
    truth = make(SCENARIO, 2)
    driven = before(truth, ("driven",), 2)
    n = round(truth.start_s - driven.start_s)
    speed = np.hypot(driven.east_ms[:n], driven.north_ms[:n])
    assert 10.0 < speed.mean() < 30.0
    assert speed.max() < 40.0
    moving = speed > 5.0
    assert (np.abs(driven.climb_ms[:n][moving]) / speed[moving]).max() < 0.12
    assert np.ptp(driven.altitude_m[:n]) > 60.0


def test_a_test_on_a_line_is_followed_by_a_night_without_packets() -> None:
    truth = make(SCENARIO, 3)
    tested = before(truth, ("tethered",), 3)
    n = round(truth.start_s - tested.start_s)
    assert np.ptp(tested.altitude_m[:n]) == pytest.approx(60.0, abs=2.0)
    ((off_s, on_s),) = tested.receiving.off
    assert on_s == truth.start_s
    assert on_s - off_s > 10 * 3_600.0
    assert tested.receiving.is_off(off_s + 1.0)


def test_a_receiver_settles_by_some_hundred_metres_within_two_minutes() -> None:
    settled = before(make(SCENARIO, 4), ("settling",), 4).receiving
    assert settled.settling_from_s is not None
    chance = np.random.default_rng(0)
    first, last = (settled.error_m(settled.settling_from_s + s, chance)[2] for s in (0.0, 120.0))
    assert abs(first) == pytest.approx(400.0)
    assert abs(last) < 2.0


def test_a_leak_sinks_slower_than_a_parachute_and_then_falls() -> None:
    truth = make(load("leak"), 303)
    top = int(truth.altitude_m.argmax())
    let_go = truth.index(truth.burst_s)
    sink_ms = (truth.altitude_m[let_go] - truth.altitude_m[top]) / (let_go - top)
    assert -2.0 < sink_ms < -0.4
    assert truth.climb_ms[let_go + 60] < -4.0


def test_a_box_is_dragged_after_it_came_down() -> None:
    along_m, bounce_m = dragged(900, np.random.default_rng(1))
    assert (np.diff(along_m) >= 0.0).all()
    assert 60.0 < along_m[-1] < 1_700.0
    assert bounce_m.min() == pytest.approx(-100.0, abs=1.0)
