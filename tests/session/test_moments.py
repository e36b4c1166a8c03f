"""Events and alarms of a whole recording, against the same recording played step by step."""

from __future__ import annotations

import functools

from server.flight.inputs import Tick
from server.flight.mission import Mission
from server.flight.view.snapshot import snapshot
from server.session.moments import STEP_S, moments_of
from tests.session.test_replay import FLIGHT, PLAN


def test_an_alarm_is_where_a_replay_shows_it_first() -> None:
    heard = sorted(FLIGHT, key=lambda r: r.heard_at_ms)
    found = moments_of(functools.partial(Mission, PLAN), heard, [])
    mission, played = Mission(PLAN), 0
    first: dict[str, float] = {}
    now_s = heard[0].heard_at_s
    while now_s <= heard[-1].heard_at_s:
        until_s = now_s
        after = next((i for i, r in enumerate(heard) if r.heard_at_s > until_s), len(heard))
        mission.receive(heard[played:after])
        played = after
        mission.apply(Tick(now_s))
        for alarm in snapshot(mission, []).alarms:
            first.setdefault(alarm.id, now_s)
        now_s += 10.0
    assert {"burst", "launch"} <= {seen.alarm.kind for seen in found.alarms}
    for seen in found.alarms:
        assert abs(seen.seen.timestamp() - first[seen.alarm.id]) <= 10.0 + STEP_S, seen.alarm.id
    kinds = [event.kind for event in found.flights[0].events]
    assert kinds[:2] == ["launch", "burst"]
    assert found.flights[0].ends_in_the_air is ("landing" not in kinds)


def test_a_recording_that_ends_in_the_air() -> None:
    heard = sorted(FLIGHT, key=lambda r: r.heard_at_ms)[:150]
    found = moments_of(functools.partial(Mission, PLAN), heard, [])
    assert found.flights[0].ends_in_the_air
