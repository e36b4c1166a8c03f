"""The alarms of the air end when the box is at rest, or found; nothing of the air begins after that."""

from __future__ import annotations

from typing import Any

from server.flight.inputs import Reception
from server.flight.mission_state import Alarm
from tests.flight.search.test_lost import LANDED_S, LOST_S, TRUE, lost, note, search_of
from tests.flights import T0, made_flight

FOUND: dict[str, Any] = {"kind": "found", "latitude_deg": TRUE[0], "longitude_deg": TRUE[1]}


def alarms_of(receptions: list[Reception], at_s: float) -> dict[str, Alarm]:
    """By kind, as the state has them."""
    _, session = search_of(receptions, at_s)
    return {alarm.kind: alarm for alarm in session.state().alarms}


def test_until_it_is_found_the_loss_is_urgent_and_has_no_end() -> None:
    alarms = alarms_of(lost(), T0 + LANDED_S + 1_800.0)
    assert alarms["contact_lost"].severity == "urgent"
    assert alarms["contact_lost"].until is None
    assert alarms["tracker_lost"].severity == "info", "it is the one alarm"


def test_found_ends_them_at_that_moment() -> None:
    found_s = T0 + LANDED_S + 1_200.0
    alarms = alarms_of([*lost(), note(1, found_s, **FOUND)], T0 + LANDED_S + 1_800.0)
    assert {"burst", "contact_lost", "tracker_lost"} <= set(alarms)
    assert {alarm.severity for alarm in alarms.values()} == {"info"}
    until = alarms["contact_lost"].until
    assert until is not None
    assert until.timestamp() == found_s


def test_a_found_that_is_taken_back_raises_them_again() -> None:
    found_s = T0 + LANDED_S + 1_200.0
    notes = [note(1, found_s, **FOUND), note(2, found_s + 60.0, kind="call off", of="note-0001")]
    alarms = alarms_of([*lost(), *notes], T0 + LANDED_S + 1_800.0)
    assert alarms["contact_lost"].severity == "urgent"
    assert alarms["contact_lost"].until is None


def test_found_while_it_was_heard_leaves_no_loss() -> None:
    alarms = alarms_of([*lost(), note(1, T0 + LOST_S - 60.0, **FOUND)], T0 + LANDED_S + 1_800.0)
    assert "contact_lost" not in alarms
    assert "tracker_lost" not in alarms


def test_at_rest_they_end_and_a_tracker_that_falls_silent_later_raises_none() -> None:
    """An hour after the last packet from the ground nobody is told that a tracker is lost."""
    heard = [one for one in made_flight() if one.heard_at_s < T0 + LANDED_S + 900.0]
    alarms = alarms_of(heard, T0 + LANDED_S + 4_500.0)
    assert alarms["landed"].severity == "info"
    assert alarms["landed"].until is None
    assert alarms["burst"].until == alarms["landed"].time
    assert not {"tracker_lost", "contact_lost"} & set(alarms)
