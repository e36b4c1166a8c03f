"""How balloons climb and burst: held against the real flights of tests/data."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pytest

from server.flight.landing.climb import Climb, climb_integral, rate_between
from server.flight.physics.lift import usual_burst
from server.journal.recording import inferred_plan, read_recording
from tests.flights import flown, real_logs

_LEAST_BURST_M = 15_000.0  # one of the 50 was let go by a fault at 3,400 m


class Flown(NamedTuple):
    balloon_kg: float
    burst_m: float
    time_s: np.ndarray
    z_m: np.ndarray


def climbs() -> Iterator[Flown]:
    for log in real_logs():
        header = read_recording(log).header
        bursts = [e for e in flown(log).events() if e.kind == "burst"]
        question = flown(log).flights[0].landing_question()
        if "balloon_g" in header and bursts and bursts[-1].altitude_m > _LEAST_BURST_M and question:
            up = question.time_s < bursts[-1].time_s
            balloon_kg = float(header["balloon_g"]) / 1_000.0
            yield Flown(balloon_kg, bursts[-1].altitude_m, question.time_s[up], question.z_m[up])


def test_bursts_are_where_the_balloons_mass_says() -> None:
    """Root mean square error, and the share within the 90 % interval."""
    found = list(climbs())
    assert len(found) > 40
    off_m = np.array([usual_burst(one.balloon_kg).mean_m - one.burst_m for one in found])
    assert np.sqrt(np.mean(off_m**2)) < 2_600.0
    held = []
    for one in found:
        usual = usual_burst(one.balloon_kg)
        low_m, high_m = Climb(5.0, 1.0, *usual).drawn_burst_m(0.0, np.array([0.05, 0.95]))
        held.append(low_m <= one.burst_m <= high_m)
    assert np.mean(held) == pytest.approx(0.9, abs=0.05)


def test_the_rest_of_the_climb_takes_as_long_as_its_beginning_says() -> None:
    """From the rate between 5 and 10 km: how late the height of 22 km is reached, against one rate."""
    shaped, straight = [], []
    for one in climbs():
        if one.z_m.max() < 22_000.0 or one.z_m.min() > 5_000.0:
            continue
        at_s = {h: float(np.interp(h, one.z_m, one.time_s)) for h in (5_000.0, 10_000.0, 22_000.0)}
        took_s = at_s[10_000.0] - at_s[5_000.0]
        truth_s = at_s[22_000.0] - at_s[10_000.0]
        rate_ms = rate_between(5_000.0, 10_000.0, took_s)
        shaped.append(
            Climb(rate_ms, 0.0, 30_000.0, 1.0).seconds(10_000.0, 22_000.0) / truth_s - 1.0
        )
        straight.append(took_s * 12.0 / 5.0 / truth_s - 1.0)
    assert len(shaped) > 30
    assert abs(np.median(shaped)) < 0.03
    assert np.median(straight) < -0.05, "at one rate it would be too early"
    assert np.std(shaped) < 0.14


def test_the_integral_is_of_one_over_the_shape() -> None:
    z_m = np.array([-500.0, 0.0, 7_500.0, 20_000.0, 40_000.0])
    assert (np.diff(climb_integral(z_m)) > 0.0).all()
    assert rate_between(7_000.0, 8_000.0, 200.0) == pytest.approx(5.0, rel=0.01)


def test_a_header_that_cannot_be_is_left_out() -> None:
    recording = read_recording(real_logs()[0])
    plan = inferred_plan(recording)
    assert plan.flights[0].balloon.burst_altitude_m == pytest.approx(usual_burst(3.0).mean_m)
    for wrong in ("no number", "-3", "1e99", "nan"):
        header = {**recording.header, "balloon_g": wrong}
        told = inferred_plan(type(recording)(recording.name, recording.receptions, (), header, ()))
        assert told.flights[0].balloon.burst_altitude_m == usual_burst(None).mean_m
    light = {**recording.header, "neck_lift_kg": "0.001"}  # it would not rise
    told = inferred_plan(type(recording)(recording.name, recording.receptions, (), light, ()))
    assert told.flights[0].balloon.burst_altitude_m == pytest.approx(usual_burst(3.0).mean_m)
