"""One replay for all that the debrief says."""

from __future__ import annotations

import itertools
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from server.debrief.sentences import rejection_words, wind_words
from server.debrief.words import NONE, metres
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import WindBackground, WindSource
from server.flight.times import parse_time
from server.journal.recording import DEMO_LOG, Recording, inferred_plan
from server.session.replay import state_at
from tests.debrief.made import demo, plain, replayed
from tests.flights import T0, made_flight, position_at

TRUTH = json.loads(DEMO_LOG.with_suffix(".truth.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("event", TRUTH["events"], ids=lambda e: e["kind"])
def test_the_demos_events_are_where_they_were(event: dict[str, Any]) -> None:
    found = demo().first(str(event["kind"]))
    assert found is not None
    away_m, _ = distance_bearing(
        found.latitude_deg, found.longitude_deg, event["latitude_deg"], event["longitude_deg"]
    )
    # some seconds of drift: told by beacons 20 s apart (a burst of 20 made flights: 62 m, 90 % 190 m)
    assert away_m < 190.0
    assert found.altitude_m == pytest.approx(event["altitude_m"], abs=60.0)
    late_s = found.time_s - parse_time(str(event["time"])) / 1000.0
    assert -15.0 < late_s < 120.0  # at rest is told by the first fix on the ground


def test_the_smoothed_track_follows_the_flight_that_was_made() -> None:
    off_m = []
    for p in plain().track:
        latitude_deg, longitude_deg, _ = position_at(p.time_s - T0)
        off_m.append(
            distance_bearing(p.latitude_deg, p.longitude_deg, latitude_deg, longitude_deg)[0]
        )
    assert len(off_m) > 100
    assert sorted(off_m)[int(0.95 * len(off_m))] < 40.0


def test_predictions_are_five_minutes_apart_and_know_nothing_of_later() -> None:
    found = demo().predictions
    assert len(found) > 20
    steps = [b.at_s - a.at_s for a, b in itertools.pairwise(found)]
    assert all(240.0 < step < 360.0 for step in steps)
    middle = found[12]
    early = [r for r in demo().recording.receptions if r.heard_at_s <= middle.at_s]
    cut = Recording("cut", early, (), {}, ())
    assert replayed(cut, demo().mission.plan).predictions[12]._replace(
        off_m=None, off_s=None, inside_90=None
    ) == middle._replace(off_m=None, off_s=None, inside_90=None)


def test_how_far_off_is_the_distance_to_where_it_lay() -> None:
    record = demo()
    assert record.landing is not None
    assert record.landing.measured
    truth = next(e for e in TRUTH["events"] if e["kind"] == "landing")
    for p in record.predictions:
        away_m, _ = distance_bearing(
            p.latitude_deg, p.longitude_deg, truth["latitude_deg"], truth["longitude_deg"]
        )
        assert p.off_m == pytest.approx(away_m, abs=30.0)


def test_rejected_fixes_are_kept_with_their_reason() -> None:
    rejected = [raw for raw in plain().raw if not raw.verdict.accepted]
    assert len(rejected) == 1
    assert rejected[0].verdict.reason is not None
    assert "from where" in rejection_words(rejected[0].verdict.reason)


def test_a_flight_cut_short_says_what_is_missing() -> None:
    heard = list(made_flight(until_s=4_000.0))
    recording = Recording("short.log", heard, (), {}, ())
    record = replayed(recording, inferred_plan(recording))
    assert "the burst was not heard" in record.problems
    assert "no fix on the ground: the landing is the last prediction" in record.problems
    assert all(p.off_m is None for p in record.predictions)


def test_a_recording_without_any_tracker_says_so() -> None:
    heard = [r for r in demo().recording.receptions if r.source == "gps"][:20]
    recording = Recording("car.log", heard, (), {}, ())
    record = replayed(recording, inferred_plan(recording))
    assert record.problems == ["no tracker gave a position: there is no track"]
    assert record.track == []


def test_an_alarm_of_the_air_is_told_alike_at_its_moment_and_after_the_landing() -> None:
    """It came down 120 m below the launch site; the phone's saved-up fixes, which tell more, are left out."""
    heard = [r for r in demo().recording.receptions if r.source != "phone"]
    falling_ms = parse_time("2026-06-06T15:12:30Z")
    then, after = (state_at(heard, demo().mission.plan, until) for until in (falling_ms, None))
    assert after.flights[0].phase == "landed"
    (low,) = [alarm for alarm in then.alarms if alarm.kind == "low"]
    (again,) = [alarm for alarm in after.alarms if alarm.kind == "low"]
    assert (again.id, again.time, again.facts) == (low.id, low.time, low.facts)


def test_each_prediction_names_its_winds() -> None:
    record = demo()
    up = [p for p in record.predictions if p.phase == "ascent"]
    down = [p for p in record.predictions if p.phase == "descent"]
    assert {p.background and p.background.kind for p in up} == {"season"}
    assert {p.background for p in down} == {None}
    last = up[-1]
    words = wind_words(last.winds, last.background, last.at_s)
    assert words == f"own to {metres(last.winds[0].top_altitude_m)}; else the season’s usual"


def test_other_winds_are_told_with_their_age() -> None:
    at = datetime(2026, 6, 6, 14, tzinfo=UTC)
    lark = WindSource("Lark 1", at - timedelta(minutes=25), 29_000.0, 12_000.0)
    run = WindBackground("forecast", at - timedelta(hours=8))
    assert (
        wind_words((lark,), run, at.timestamp())
        == "Lark 1, 25 min before; forecast, run 8 h 0 min before"
    )
    table = WindBackground("forecast", None)
    assert wind_words((), table, at.timestamp()) == "a forecast that tells no time"
    assert wind_words((), None, at.timestamp()) == NONE
