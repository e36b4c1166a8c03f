"""Fixes that tie by time and place and differ in anything else: no order of arrival decides the state."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.mission import Mission
from server.flight.track.constants import MotionConstants
from server.flight.track.fixes import Fix
from server.flight.track.track import Track
from server.flight.view.snapshot import snapshot
from tests.flights import LAUNCH, T0, packet

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(
                TrackerPlan("Main", callsign="N0CALL-11"),
                TrackerPlan("Backup", callsign="N0CALL-12"),
            ),
        ),
    )
)


def untimed(reception: Reception) -> Reception:
    """The same position, said without its time."""
    head, _, said = reception.payload.partition(b":/")
    return replace(reception, payload=head + b":!" + said[7:])


def tied(second: float) -> list[Reception]:
    """One place of one tracker on one millisecond, with its own time and without, by two sources."""
    timed = packet(second)
    on_time = replace(timed, heard_at_ms=round(1_000 * (T0 + second)))
    return [on_time, untimed(on_time), replace(untimed(on_time), source="other")]


def end(receptions: list[Reception]) -> tuple[object, ...]:
    flight = Mission(PLAN)
    for reception in receptions:
        flight.apply(reception)
    return (
        snapshot(flight),
        flight.flights[0].track.verdicts(),
        flight.flights[0].track.checkpoint(),
    )


def test_a_timed_and_an_untimed_packet_on_one_millisecond() -> None:
    before = [packet(float(t)) for t in range(0, 600, 30)]
    after = [packet(float(t)) for t in range(660, 900, 30)]
    ends = [end([*before, *order, *after]) for order in itertools.permutations(tied(630.0))]
    assert all(one == ends[0] for one in ends)


FIXES = st.builds(
    Fix,
    time_s=st.sampled_from([0.0, 30.0, 60.0]),
    tracker=st.sampled_from(["a", "b"]),
    latitude_deg=st.sampled_from([38.0, 38.001]),
    longitude_deg=st.just(-98.0),
    altitude_m=st.sampled_from([None, 1_000.0, 1_030.0]),
    course_deg=st.none(),
    speed_ms=st.none(),
    sigma_h_m=st.sampled_from([5.0, 10.0]),
    sigma_v_m=st.sampled_from([8.0, 20.0]),
    sigma_datum_m=st.sampled_from([0.0, 30.0]),
    own_time=st.booleans(),
)


@settings(max_examples=200, deadline=None)
@given(st.lists(FIXES, max_size=8, unique=True), st.data())
def test_any_order_of_ties_and_any_removal_ends_the_same(
    fixes: list[Fix], data: st.DataObject
) -> None:
    """Removal is of the very fix that was named, whatever ties with it."""
    order = data.draw(st.permutations(fixes))
    gone = data.draw(st.lists(st.sampled_from(fixes), unique=True)) if fixes else []
    one, other, kept = (Track(MotionConstants(), None) for _ in range(3))
    one.add(fixes)
    for fix in order:
        other.add([fix])
    for fix in gone:
        one.remove(fix)
    for fix in reversed(gone):
        other.remove(fix)
    kept.add([fix for fix in fixes if fix not in gone])
    assert one.records() == other.records() == kept.records()
    assert one.verdicts() == other.verdicts() == kept.verdicts()


@pytest.mark.parametrize("late", [0, 1, 2])
def test_a_late_earlier_copy_moves_the_fix_for_all_alike(late: int) -> None:
    """The copy that was heard first comes last: its time is that of the untimed position."""
    copies = [
        replace(untimed(packet(630.0)), heard_at_ms=round(1_000 * (T0 + 630.0 + s)))
        for s in (0, 1, 2)
    ]
    others = [packet(float(t)) for t in range(0, 900, 30) if t != 630]
    order = [copy for i, copy in enumerate(copies) if i != late]
    assert end([*others, *order, copies[late]]) == end([*copies, *others])
