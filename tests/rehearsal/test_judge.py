"""The judge: right where the screen was right, and merciless where it was not."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import Any

import pytest

from server.flight.inputs import Reception
from server.plan.file import parse as parse_plan
from server.rehearsal.faults import FaultTime
from server.rehearsal.flight import Flown, fly
from server.rehearsal.judge import judge, true_phase
from server.rehearsal.picture import svg
from server.rehearsal.plan_text import plan_text
from server.rehearsal.record import rfc3339
from server.rehearsal.report import table
from server.rehearsal.scenario import Fault
from server.rehearsal.shown import Shown, covers
from tests.rehearsal.made import scenario
from tests.seen import seen_at


def square(latitude_deg: float, longitude_deg: float, half_deg: float) -> dict[str, Any]:
    corners = ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))
    ring = [[longitude_deg + x * half_deg, latitude_deg + y * half_deg] for x, y in corners]
    return {"p90": {"type": "Polygon", "coordinates": [ring]}}


def perfect(flown: Flown, now_s: float, **changes: Any) -> Shown:
    """A state that shows the truth."""
    truth = flown.truth
    latitude, longitude, altitude = truth.at(now_s)
    lands = truth.landing
    events = [{"kind": "burst"}] if now_s > truth.burst_s else []
    trackers = [
        {"name": f"N0CALL-{n}", "state": "reporting", "rejected": 0, "voltage_v": 5.0}
        for n in (11, 12)
    ]
    state: dict[str, Any] = {
        "phase": true_phase(truth, now_s),
        "events": events,
        "track": {
            "time": rfc3339(now_s),
            "latitude_deg": latitude,
            "longitude_deg": longitude,
            "altitude_m": altitude,
        },
        "landing": {
            "time": rfc3339(truth.landing_s),
            "latitude_deg": lands[0],
            "longitude_deg": lands[1],
            "search_area": square(lands[0], lands[1], 0.01),
        },
        "trackers": trackers,
    }
    return Shown(now_s, state | changes)


FLOWN = fly(scenario("early-burst", after_s=600.0))
MOMENTS = range(int(FLOWN.truth.start_s), int(FLOWN.truth.end_s), 20)


def test_a_perfect_screen_has_no_error() -> None:
    verdict = judge(FLOWN.truth, (), [perfect(FLOWN, t) for t in MOMENTS])
    assert verdict.summary["phase shown as it was, share"] == 1.0
    assert verdict.summary["track error m, worst"] == pytest.approx(0.0, abs=0.5)
    assert verdict.summary["landing error m, at the end"] == pytest.approx(0.0, abs=0.5)
    assert verdict.summary["truth inside the 90 % area, share"] == 1.0
    assert all(n.after_s is not None and n.after_s <= 21.0 for n in verdict.notices)
    minutes = [row.minute for row in verdict.rows]
    assert minutes == sorted(set(minutes))
    assert len(minutes) > 80


def test_a_wrong_screen_is_told_by_how_much() -> None:
    lands = FLOWN.truth.landing
    wrong = {
        "time": rfc3339(FLOWN.truth.landing_s + 90.0),
        "latitude_deg": lands[0] + 0.09,
        "longitude_deg": lands[1],
        "search_area": square(lands[0] + 0.09, lands[1], 0.01),
    }
    looks = [perfect(FLOWN, t, landing=wrong, phase="ascent", events=[]) for t in MOMENTS]
    verdict = judge(FLOWN.truth, (), looks)
    assert verdict.summary["landing error m, last in the air"] == pytest.approx(9_990.0, rel=0.01)
    assert verdict.summary["truth inside the 90 % area, share"] == 0.0
    assert [n.after_s for n in verdict.notices] == [None, None]
    aloft = [row for row in verdict.rows if row.true_phase == "descent"]
    assert [row.landing_time_s for row in aloft] == pytest.approx([90.0] * len(aloft), abs=0.01)


@pytest.mark.parametrize(
    ("kind", "shown"),
    [
        ("silent", {"state": "silent"}),
        ("frozen", {"state": "stuck"}),
        ("ceiling", {"state": "stuck"}),
        ("wrong_digit", {"rejected": 3}),
        ("reboot", {"state": "late"}),
        ("low_battery", {"voltage_v": 4.7}),
    ],
)
def test_time_to_notice_each_fault(kind: str, shown: dict[str, Any]) -> None:
    from_s = FLOWN.truth.launch_s + 1_000.0
    fault = FaultTime("N0CALL-11", kind, from_s, from_s + 900.0)
    looks = []
    for t in MOMENTS:
        look = perfect(FLOWN, t)
        if t > from_s + 100.0:
            look.state["trackers"][0].update(shown)
        looks.append(look)
    seen = judge(FLOWN.truth, [fault], looks).notices[-1]
    assert seen.after_s == pytest.approx(110.0, abs=10.0)
    blind = judge(FLOWN.truth, [fault], [perfect(FLOWN, t) for t in MOMENTS]).notices[-1]
    assert blind.after_s is None


def test_inside_and_outside_of_an_area() -> None:
    area = square(38.0, -98.0, 0.1)
    assert covers(area, (38.05, -98.05, 0.0))
    assert not covers(area, (38.15, -98.05, 0.0))
    assert covers(None, (38.0, -98.0)) is None


def test_the_stations_real_states_can_be_judged() -> None:
    """A flight, the station's own state every ten minutes, the table and the picture."""
    story = scenario("early-burst", after_s=900.0)
    main = story.trackers[0].model_copy(
        update={"faults": (Fault(kind="silent", event="launch", after_s=1_200.0, lasts_s=600.0),)}
    )
    story = story.model_copy(update={"trackers": (main, *story.trackers[1:])})
    flown = fly(story)
    plan = parse_plan(plan_text(story)).for_flight()
    receptions = [Reception(*heard) for heard in flown.receptions]
    looks = []
    for now_s in range(int(flown.truth.start_s) + 60, int(flown.truth.end_s), 600):
        looks.append(Shown(now_s, seen_at(receptions, plan, now_s * 1_000)))
    verdict = judge(flown.truth, flown.faults, looks)
    notices = {notice.what: notice.after_s for notice in verdict.notices}
    silent_s = notices["N0CALL-11 silent"]
    assert silent_s is not None
    assert silent_s <= 600.0
    assert notices["burst"] is not None
    error_m = verdict.summary["track error m, median"]
    assert isinstance(error_m, float)
    assert error_m < 100.0
    text = table(verdict, "Early burst")
    assert len(text.splitlines()) > len(verdict.rows) + len(verdict.notices) + 10
    picture = ET.fromstring(svg(flown.truth, looks, verdict, "Early <burst> & more"))
    assert picture.tag.endswith("svg")
    assert len(picture.findall(".//{*}polyline")) >= 5
