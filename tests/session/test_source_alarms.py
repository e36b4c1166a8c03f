"""A receiver that fails is an alarm as long as it fails."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from server.flight.inputs import Command, alarm_and_person, seen_by
from server.screen.messages import Acknowledge
from server.session.source_alarms import source_alarms
from server.sources.spec import SourceState


def tnc(state: str, since_s: float = 1_000.0) -> SourceState:
    return SourceState("tnc", "kiss-tcp", state, "refused", since_s)  # type: ignore[arg-type]


def test_a_failure_that_lasts_is_told_once_and_ends_with_it() -> None:
    assert source_alarms([tnc("failed")], (), 1_005.0) == ()
    (alarm,) = source_alarms([tnc("failed")], (), 1_020.0)
    assert (alarm.kind, alarm.severity, alarm.until) == ("source_failed", "warning", None)
    assert alarm.facts["source"] == "tnc"
    assert source_alarms([tnc("open")], (), 1_020.0) == ()


def test_who_has_seen_it_is_told_and_can_take_it_back() -> None:
    (alarm,) = source_alarms([tnc("failed")], (), 1_020.0)
    seen = Command(1_030.0, "acknowledge", alarm.id, station="Car 1")
    (after,) = source_alarms([tnc("failed")], [seen], 1_040.0)
    assert (after.acknowledged, after.acknowledged_by) == (True, "Car 1")
    named = Command(1_035.0, "acknowledge", seen_by(alarm.id, "Anna"), station="Car 2")
    (by,) = source_alarms([tnc("failed")], [seen, named], 1_040.0)
    assert (by.acknowledged_by, by.acknowledged_person) == ("Car 2", "Anna")
    later = Command(1_036.0, "acknowledge", seen_by(alarm.id, "Ben"), station="Car 1")
    (still,) = source_alarms([tnc("failed")], [seen, named, later], 1_040.0)
    assert still.acknowledged_person == "Anna", "the first name holds"
    back = Command(1_050.0, "recall", alarm.id, station="Car 1")
    (again,) = source_alarms([tnc("failed")], [seen, back], 1_060.0)
    assert (again.acknowledged, again.acknowledged_by) == (False, "")
    (other,) = source_alarms([tnc("failed", 2_000.0)], [seen], 2_020.0)
    assert not other.acknowledged, "the next failure is another alarm"


def test_a_person_beside_an_alarm() -> None:
    assert alarm_and_person(seen_by("Lark 11/low-1", "Anna B.")) == ("Lark 11/low-1", "Anna B.")
    assert alarm_and_person(seen_by("low-1", "")) == ("low-1", ""), "as journals had it before"
    said = Acknowledge.model_validate({"id": "low-1", "by": " Anna\n\u202e\x07 B. "})
    assert said.by == "Anna B.", "one line, no control characters"
    with pytest.raises(ValidationError):
        Acknowledge.model_validate({"id": "low-1", "by": "A" * 41})
