"""Alarms end: with what they tell, or with the air. What is expected is news and asks for nothing."""

from __future__ import annotations

from dataclasses import replace

from server.flight.alarms import Beacon, Evidence, Frozen, LowPoint, Raised, alarms
from server.flight.inputs import Plan
from server.flight.landing.fall_signs import FallSigns
from server.flight.mission import Mission
from server.flight.packets.beacon_health import Silence
from server.flight.search_state import FoundNoted
from server.flight.times import moment
from server.flight.track.events import Event, Withdrawn
from server.flight.view.snapshot import snapshot

BURST = Event("burst", 6_000.0, 29_000.0, 0.0, 0.0, 6_030.0)
LANDING = Event("landing", 8_000.0, 500.0, 0.0, 0.0, 8_090.0)
LOW = LowPoint(7_900.0, 580.0)


def told(events: list[Event], **more: object) -> dict[str, Raised]:
    nothing = snapshot(Mission(Plan())).flights[0]
    shown = replace(nothing, search=replace(nothing.search, **more.pop("search", {})))  # type: ignore[arg-type]
    evidence = Evidence(shown, events, [], None, FallSigns(), None, 600.0, [])
    return {one.kind: one for one in alarms(evidence._replace(**more))}  # type: ignore[arg-type]


def test_a_burst_where_it_was_planned_is_news_and_far_below_an_alarm() -> None:
    assert told([BURST], least_burst_m=26_000.0)["burst"].severity == "info"
    assert told([BURST], least_burst_m=30_000.0)["burst"].severity == "warning"
    early = told([BURST, LANDING], least_burst_m=30_000.0)["burst"]
    assert (early.severity, early.until_s) == ("info", LANDING.noticed_s)
    assert told([BURST, LANDING])["landed"].severity == "info"


def test_the_landing_ends_the_alarms_of_the_air() -> None:
    air = {
        "low": LOW,
        "frozen": [Frozen("position", 7_000.0, 7_100.0, None, 9_000.0)],
        "beacons": [Beacon("N0CALL-11", "Main", 60.0, [Silence(7_000.0, 7_200.0, None)])],
    }
    before, after = told([BURST], **air), told([BURST, LANDING], **air)
    for kind in ("low", "frozen", "tracker_lost"):
        assert before[kind].until_s is None, kind
        assert after[kind].until_s == LANDING.noticed_s, kind


def test_a_second_launch_has_alarms_again() -> None:
    launch = Event("launch", 90_000.0, 500.0, 0.0, 0.0, 90_030.0)
    silence = Silence(93_000.0, 93_200.0, None)
    again = told([BURST, LANDING, launch], beacons=[Beacon("N0CALL-11", "Main", 60.0, [silence])])
    assert again["tracker_lost"].until_s is None
    on_the_ground = told([BURST, LANDING], beacons=[Beacon("N0CALL-11", "Main", 60.0, [silence])])
    assert "tracker_lost" not in on_the_ground


def test_a_find_ends_them_too() -> None:
    found = FoundNoted("n1", "Walker", moment(7_950.0), 0.0, 0.0, "", None)
    assert told([BURST], low=LOW, search={"found": found})["low"].until_s == 7_950.0


def test_when_all_contact_is_lost_that_is_the_one_alarm() -> None:
    lost = told(
        [BURST],
        low=LOW,
        lost_from_s=8_200.0,
        search={"contact": "lost", "since": moment(8_000.0)},
        beacons=[Beacon("N0CALL-11", "Main", 60.0, [Silence(8_000.0, 8_200.0, None)])],
    )
    assert lost["low"].until_s == 8_200.0
    assert lost["tracker_lost"].severity == "info"


def test_what_was_taken_back_is_told_for_a_while() -> None:
    none = Withdrawn(BURST, 6_200.0)
    (alarm,) = told([], withdrawn=[none]).values()
    assert alarm.until_s is not None
    assert 300.0 < alarm.until_s - alarm.from_s < 3_600.0


def test_a_tracker_that_is_heard_again_says_so() -> None:
    again = told(
        [], beacons=[Beacon("N0CALL-11", "Main", 60.0, [Silence(7_000.0, 7_200.0, 7_400.0)])]
    )
    assert again["tracker_lost"].until_s == 7_400.0
    assert again["tracker_lost"].facts["heard_again"] == moment(7_400.0)
