"""What was heard is booked at once and worked on in slices: however that is cut, the state is the same."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache
from typing import Any
from unittest import mock

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from server.flight.inputs import (
    Command,
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    Tick,
    TrackerPlan,
    VehiclePlan,
)
from server.flight.mission import Mission
from server.flight.packets import positions
from server.flight.track import advance as advancing
from server.flight.track import track as tracks
from server.flight.track.checkpoint import Record
from server.flight.track.records import Records
from server.flight.view.history import HistoryBook
from server.flight.view.snapshot import snapshot
from tests.flight.test_receivers import two
from tests.flights import LAUNCH, T0, packet

UNTIL_S = 2_400
PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(TrackerPlan("Main", "N0CALL-11"), TrackerPlan("Backup", "N0CALL-12")),
        ),
    ),
    vehicles=(VehiclePlan("Car", source="car-1/gps", own=True),),
    station="car-1",
)
LATEST = Tick(T0 + UNTIL_S + 900.0)
BAD = packet(900.0, "N0CALL-12", source="car-1/tnc", lag_s=2.0)
BAD = replace(BAD, payload=BAD.payload + b"bad")


def _all_heard() -> list[Reception | Command]:
    """Two stations, one of them with its clock set in mid-flight and one an hour off; late packets,
    ties, definitions of telemetry, two receivers on one gpsd, and what the crew said."""
    found: list[Reception | Command] = [BAD]
    for elapsed_s in range(0, UNTIL_S, 30):
        name = "N0CALL-12" if elapsed_s % 60 else "N0CALL-11"
        lag_s = 1.5 + (300.0 if elapsed_s > 1_500 else 0.0)
        one = packet(float(elapsed_s), name, source="car-1/tnc", lag_s=lag_s)
        if elapsed_s % 120 == 60:  # with a pressure: sequence and one channel in base 91
            one = replace(one, payload=one.payload + b"|!!*%c|" % (40 + elapsed_s // 60))
        found.append(one)
        if elapsed_s % 90 == 0:
            found.append(packet(float(elapsed_s), name, source="car-2/tnc", lag_s=3_601.0))
        if elapsed_s % 300 == 0:  # the same millisecond
            other = packet(elapsed_s + 1.0, "N0CALL-12", source="car-1/tnc", lag_s=lag_s - 1.0)
            found.append(other)
            found.append(replace(other, payload=other.payload.replace(b"/A=", b"/B=")))
            found.append(packet(float(elapsed_s), "N0CALL-7", source="car-1/tnc", lag_s=lag_s))
        if elapsed_s % 120 == 0:
            said = (
                f"N0CALL-11>APZLWD:T#{elapsed_s // 120:03d},{elapsed_s % 250:03d},1,2,3,4,00000000"
            )
            found.append(_at(elapsed_s + 7.0, said))
    for said_s, words in (
        (400.0, "UNIT.hPa"),
        (1_000.0, "EQNS.0,0.5,100"),
        (1_700.0, "EQNS.0,1,10"),
    ):
        found.append(_at(said_s, f"N0CALL-11>APZLWD::N0CALL-11:{words}"))
    shift_ms = round(1000 * T0) - min(r.heard_at_ms for r in two())
    found += [replace(r, source="car-1/gps", heard_at_ms=r.heard_at_ms + shift_ms) for r in two(20)]
    found.append(Command(T0 + 100.0, "phase", "not launched", station="car-1"))
    found.append(Command(T0 + 700.0, "phase", "launched", station="car-1"))
    found.append(Command(T0 + 720.0, "phase", "withdrawn", station="car-1"))
    return found


def _at(elapsed_s: float, line: str) -> Reception:
    return Reception(round(1000 * (T0 + elapsed_s)), "car-1/tnc", "tnc2", line.encode())


ALL_HEARD = _all_heard()
REAL_FIX = positions.fix_of


def breaks(name: str, key: Any, report: Any, measured_pa: Any) -> Any:
    if report.comment.endswith("bad"):
        raise ZeroDivisionError("a fault that nobody thought of")
    return REAL_FIX(name, key, report, measured_pa)


def everything(flight: Mission) -> tuple[Any, ...]:
    """All that is ever asked of a flight, to be compared with ==."""
    question = flight.flights[0].landing_question()
    assert question is not None
    columns = (question.time_s, question.x_m, question.y_m, question.z_m, question.tracker)
    heard = {
        name: (sender.packets, sender.fixes, sender.readings(), sender.health.interval_s)
        for name, sender in flight.senders.items()
    }
    return (
        snapshot(flight),
        flight.flights[0].track.records(),
        flight.flights[0].track.verdicts(),
        heard,
        HistoryBook(flight).read(),
        [column.tolist() for column in columns],
        question.motion,
        question.phase,
        flight.clocks.wrong(),
        flight.now_s,
        list(flight.flights[0].track.whole_records()),
    )


@cache
def expected() -> tuple[Any, ...]:
    """When all comes in order, at once."""
    with mock.patch.object(positions, "fix_of", breaks):
        straight = Mission(PLAN)
        straight.book([*ALL_HEARD, LATEST])
        straight.settle()
        return everything(straight)


@given(
    st.randoms(use_true_random=False),
    st.integers(1, 40),
    st.integers(0, 60),
    st.booleans(),
)
@example(random.Random(1), 1, 1, True)
@settings(max_examples=25, deadline=None)
def test_any_order_and_any_slicing_end_in_the_same_state(
    chance: random.Random, at_once: int, most_steps: int, looks: bool
) -> None:
    mixed = chance.sample(ALL_HEARD, len(ALL_HEARD))
    flight = Mission(PLAN)
    book = HistoryBook(flight)
    with mock.patch.object(positions, "fix_of", breaks):
        while mixed:
            count = chance.randint(1, at_once)
            flight.book(mixed[:count])
            del mixed[:count]
            flight.work(chance.randint(0, most_steps))
            if looks and chance.random() < 0.2:
                snapshot(flight)
                book.read()
                flight.flights[0].landing_question()
            if chance.random() < 0.1:
                flight.book([Tick(T0 + chance.uniform(0.0, UNTIL_S))])
        flight.book([LATEST])
        flight.settle()
        assert flight.counts.unusable == 1
        assert everything(flight) == expected()
        assert book.read() == expected()[4]


def test_what_is_told_holds_the_odd_inputs() -> None:
    """Or the test above would compare too little."""
    state = expected()[0]
    assert state.number > 0
    assert set(expected()[8]) == {"car-2"}, "its clock is off"
    assert expected()[9] < LATEST.now_s, "and so is ours"
    assert state.receptions.copies > 10
    assert {"gps@ttyACM1", "car-1/gps@ttyACM1"} & set(expected()[3])
    assert {s.unit for s in state.flights[0].sensors} >= {"hPa"}
    assert {fix.pressure_pa is None for fix, *_ in expected()[1]} == {True, False}


def flown(until_s: int, every_s: int = 10) -> Mission:
    flight = Mission(replace(PLAN, station=""))
    flight.receive([packet(float(t)) for t in range(0, until_s, every_s)])
    return flight


def late_by_an_hour(until_s: int) -> Reception:
    late = packet(until_s - 3_500.0, "N0CALL-12", path=",qAR,N0CALL")
    return replace(late, heard_at_ms=round(1000 * (T0 + until_s)))


def test_a_rerun_is_shown_when_it_has_caught_up_and_new_fixes_at_once() -> None:
    flight = flown(5_000)
    before = snapshot(flight).flights[0].track
    records = list(flight.flights[0].track.records())
    flight.book([late_by_an_hour(5_000)])
    flight.work(20)
    assert flight.pending
    assert flight.flights[0].track.records() == records, "the state of before"
    assert snapshot(flight).flights[0].track == before
    flight.book([packet(5_000.0)])
    flight.work(1)
    assert flight.pending
    now = snapshot(flight).flights[0].track
    assert now is not None
    assert before is not None
    assert now.time > before.time, "the box is where it is now"
    flight.settle()
    assert len(flight.flights[0].track.records()) == len(records) + 2
    whole = Mission(flight.plan)
    whole.receive([*(packet(float(t)) for t in range(0, 5_001, 10)), late_by_an_hour(5_000)])
    assert flight.flights[0].track.records() == whole.flights[0].track.records()


@pytest.mark.parametrize("parts", [(slice(None),), (slice(90, None), slice(90))])
def test_what_the_filter_knew_is_found_again_to_the_last_bit(parts: tuple[slice, ...]) -> None:
    """It is kept of one fix in some; the others are run again from there, with what the crew said."""
    flight = Mission(PLAN)
    known: dict[tuple[int, Any], Any] = {}
    real = Records.append

    def noting(self: Records, record: Record, *, keep: bool = False) -> None:
        known[len(self), record.fix] = record.after
        real(self, record, keep=keep)

    with mock.patch.object(Records, "append", noting):
        for part in parts:
            flight.book(ALL_HEARD[part])
            flight.settle()
    track = flight.flights[0].track
    whole = list(track.whole_records())
    assert len(whole) == len(track.records()) > 60
    for i, record in enumerate(whole):
        assert record.after == known[i, record.fix] == track.shown.after(i)
    assert whole[-1].after == track.checkpoint()


def test_what_the_crew_said_twice_at_once_is_said_once() -> None:
    once, twice = flown(1_000), flown(1_000)
    said = Command(T0 + 700.0, "phase", "not launched")
    once.book([said])
    twice.book([said, said])
    twice.book([said])
    once.settle()
    twice.settle()
    assert everything(twice) == everything(once)


def test_no_call_does_more_than_its_steps() -> None:
    """Counted in fixes that the filter runs: a late one in a long flight, and a clock that moves."""
    flight = flown(5_000)
    runs = 0
    real = advancing.advance

    def counted(*given: Any) -> Any:
        nonlocal runs
        runs += 1
        return real(*given)

    off = [
        replace(r, heard_at_ms=r.heard_at_ms + 400_000)
        for r in (packet(float(t)) for t in range(5_000, 5_200, 10))
    ]
    with mock.patch.object(tracks, "advance", counted):
        flight.book([late_by_an_hour(5_000), *off])
        assert runs == 0
        calls = 0
        while flight.pending:
            runs = 0
            flight.work(8)
            calls += 1
            assert runs <= 8
    assert calls > 50
    assert flight.now_ahead_s > 0.0


def test_where_a_clock_was_set_only_what_that_changes_is_run_again() -> None:
    """300 fixes with the clock 400 s behind, then it is set right: all is read again, some fixes differ."""
    heard = [packet(float(t), lag_s=-398.5 if t < 3_000 else 1.5) for t in range(0, 3_100, 10)]
    flight = Mission(replace(PLAN, station=""))
    flight.book(heard[:300])
    flight.settle()
    assert flight.now_ahead_s == -400.0
    shown = flight.flights[0].track
    runs = 0
    real = advancing.advance

    def counted(*given: Any) -> Any:
        nonlocal runs
        runs += 1
        return real(*given)

    with mock.patch.object(tracks, "advance", counted):
        for one in heard[300:]:
            flight.book([one])
            flight.settle()
    assert flight.now_ahead_s == 0.0
    assert flight.flights[0].track is not shown, "read again"
    assert runs < 100
    whole = Mission(flight.plan)
    whole.book(heard)
    whole.settle()
    assert everything(flight) == everything(whole)


def test_questions_are_answered_from_what_has_been_run() -> None:
    """The columns tell the same as the records."""
    flight = flown(6_600, 30)
    question = flight.flights[0].landing_question()
    assert question is not None
    used = [
        r
        for r, v in zip(
            flight.flights[0].track.records(), flight.flights[0].track.verdicts(), strict=True
        )
        if v.accepted
        and v.reason is None
        and r.fix.altitude_m is not None
        and r.fix.time_s >= flight.flights[0].track.checkpoint().phase.flight_from_s
    ]
    assert question.time_s.tolist() == [r.fix.time_s for r in used]
    assert question.x_m.tolist() == [r.x_m for r in used]
    assert np.isfinite(question.z_m).all()
    assert set(question.tracker.tolist()) == {0}
