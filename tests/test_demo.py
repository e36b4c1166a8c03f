"""The demo flight: made again to the byte, and replayed to what stands beside it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import orjson
import pytest

from server.commands.given import carried
from server.flight.physics.geodesy import distance_bearing
from server.flight.times import parse_time
from server.journal.recording import DEMO_LOG, read_recording
from server.plan.file import load as load_plan
from server.rehearsal.flight import fly
from server.rehearsal.record import write
from server.rehearsal.scenario import load
from tests.seen import seen_at

EXPECTED = orjson.loads(DEMO_LOG.with_suffix(".expected.json").read_bytes())
TRUTH = orjson.loads(DEMO_LOG.with_suffix(".truth.json").read_bytes())


def seconds_between(a: str, b: str) -> float:
    return abs(parse_time(a) - parse_time(b)) / 1000.0


def metres_between(a: dict[str, Any], b: dict[str, Any]) -> float:
    return distance_bearing(
        a["latitude_deg"], a["longitude_deg"], b["latitude_deg"], b["longitude_deg"]
    )[0]


@pytest.fixture(scope="module")
def state() -> dict[str, Any]:
    recording = read_recording(DEMO_LOG)
    assert not recording.problems
    return seen_at(
        recording.receptions, load_plan(DEMO_LOG.with_suffix(".toml")).for_flight(), None
    )


@pytest.mark.parametrize("name", ["demo", "valley"])
def test_the_same_bytes_are_made_again(tmp_path: Path, name: str) -> None:
    for path in write(fly(load(name)), tmp_path / f"{name}.log"):
        assert path.read_bytes() == (DEMO_LOG.parent / path.name).read_bytes(), (
            f"{path.name}: `leeward rehearse {name} --record replay_logs/{name}.log` makes another"
        )


def test_the_second_demo_is_found_by_its_name_and_has_roads() -> None:
    log = carried(Path("valley"))
    assert log == DEMO_LOG.with_name("valley.log")
    assert carried(Path("no-such-flight")) == Path("no-such-flight")
    assert carried(None) is None
    plan = load_plan(DEMO_LOG.with_name("valley.toml"))
    assert plan.roads is not None
    assert all(DEMO_LOG.with_name(name).is_file() for name in plan.roads.files)


def test_it_fits_the_repository() -> None:
    assert DEMO_LOG.stat().st_size < 1_500_000


def test_the_replay_ends_as_expected(state: dict[str, Any]) -> None:
    assert state["phase"] == EXPECTED["phase"]
    assert {k: state["receptions"][k] for k in EXPECTED["receptions"]} == EXPECTED["receptions"]
    for wanted in EXPECTED["events"]:
        found = [event for event in state["events"] if event["kind"] == wanted["kind"]]
        assert len(found) == 1, wanted["kind"]
        assert seconds_between(found[0]["time"], wanted["time"]) <= wanted["within_s"]
        assert math.isclose(
            found[0]["altitude_m"], wanted["altitude_m"], abs_tol=wanted["within_m"]
        )
    for place in ("track", "landing"):
        assert metres_between(state[place], EXPECTED[place]) <= EXPECTED[place]["within_m"]
    for wanted in EXPECTED["trackers"]:
        tracker = next(t for t in state["trackers"] if t["name"] == wanted["name"])
        assert tracker["state"] == wanted["state"]
        assert tracker["fixes"] >= wanted["fixes_at_least"]
        assert tracker["copies"] >= wanted["copies_at_least"]
        assert tracker["rejected"] <= wanted["rejected_at_most"]


def test_what_is_expected_is_what_happened() -> None:
    events = {event["kind"]: event for event in TRUTH["events"]}
    for wanted in EXPECTED["events"]:
        true = events[wanted["kind"]]
        assert seconds_between(true["time"], wanted["time"]) <= wanted["within_s"]
        assert abs(true["altitude_m"] - wanted["altitude_m"]) <= wanted["within_m"]
    assert metres_between(events["landing"], EXPECTED["landing"]) <= EXPECTED["landing"]["within_m"]


def test_it_shows_what_a_demo_must_show() -> None:
    """Duplicates, gaps, a stuck stretch, a lost tracker, a landing unheard, the phone's report."""
    recording = read_recording(DEMO_LOG)
    plan = load_plan(DEMO_LOG.with_suffix(".toml")).for_flight()
    events = {event["kind"]: parse_time(event["time"]) for event in TRUTH["events"]}
    hours = (recording.receptions[-1].heard_at_ms - recording.receptions[0].heard_at_ms) / 3.6e6
    assert 2.0 < hours < 3.2
    assert {r.wire for r in recording.receptions} == {"kiss", "tnc2", "gpsd", "phone"}
    first_post = next(r.heard_at_ms for r in recording.receptions if r.wire == "phone")
    assert 12 * 60_000 <= first_post - events["landing"] <= 20 * 60_000

    def trackers(at_ms: int) -> dict[str, Any]:
        known = seen_at(recording.receptions, plan, at_ms)
        return {tracker["label"]: tracker for tracker in known["trackers"]}

    frozen = next(fault for fault in TRUTH["faults"] if fault["kind"] == "frozen")
    assert trackers(parse_time(frozen["to"]) - 10_000)["Backup"]["state"] == "stuck"
    before_post = trackers(first_post - 1_000)
    assert before_post["Main"]["state"] == before_post["Backup"]["state"] == "silent"
    assert before_post["Phone"]["state"] == "waiting"
    assert before_post["Backup"]["copies"] > 50
    assert before_post["Backup"]["missed"] > 5
    last_heard_ms = parse_time(before_post["Backup"]["last_heard"])
    assert last_heard_ms < events["landing"], "the box lies behind the horizon"
