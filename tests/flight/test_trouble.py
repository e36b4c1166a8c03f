"""Each kind of trouble on a made flight with truth: held, explained, and visible in the state."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest

from server.flight.inputs import Reception
from server.flight.mission import Mission
from server.flight.track.smoother import smooth
from server.flight.tracker_state import RejectionKind
from tests.followed import Followed, follow
from tests.made import BACKUP, KINDS, MAIN, THIRD, Made, make_flight
from tests.seen import kinds, shown

SEED = 1


@cache
def made(kind: str) -> Made:
    return make_flight(kind, SEED)


@cache
def flown(kind: str) -> Mission:
    flight = Mission(made(kind).plan)
    flight.receive(made(kind).receptions)
    return flight


@cache
def followed(kind: str) -> Followed:
    return follow(made(kind))


def p95(errors: list[tuple[float, float]], i: int) -> float:
    return float(np.nanquantile([e[i] for e in errors], 0.95))


def until(kind: str, after_launch_s: float) -> dict[str, Any]:
    """The state as it stood then."""
    flight = Mission(made(kind).plan)
    end_s = made(kind).truth.launch_s + after_launch_s
    flight.receive([r for r in made(kind).receptions if r.heard_at_s <= end_s])
    return shown(flight)


def tracker(state: dict[str, Any], name: str) -> dict[str, Any]:
    return next(t for t in state["trackers"] if t["name"] == name)


@pytest.mark.parametrize("kind", KINDS)
def test_the_track_holds(kind: str) -> None:
    """Better than the last fix heard, one burst and no other, and the phases to the end."""
    seen = followed(kind)
    assert p95(seen.errors["fused"], 0) <= 0.6 * p95(seen.errors["last_heard"], 0)
    assert seen.false_bursts == 0
    kinds = [e.kind for e in flown(kind).events()]
    assert kinds.count("burst") == 1
    assert kinds.count("float") == (kind == "float")
    assert flown(kind).flights[0].track.phase() == "landed"


def test_a_faulty_tracker_does_no_harm() -> None:
    faulty = [kind for kind in KINDS if made(kind).faulty]
    assert len(faulty) == 10
    for kind in faulty:
        clean = follow(made(kind).without_faulty())
        assert p95(followed(kind).errors["fused"], 0) <= 1.2 * p95(clean.errors["fused"], 0), kind


EXPLAINED = [
    ("frozen position", BACKUP, RejectionKind.FROZEN),
    ("altitude stuck above 18 km", BACKUP, RejectionKind.STUCK),
    ("stuck, with a barometer", BACKUP, RejectionKind.STUCK),
    ("digit dropped", BACKUP, RejectionKind.POSITION_OFF),
    ("altitude in the wrong unit", BACKUP, RejectionKind.ALTITUDE_OFF),
    ("teleport that stays", BACKUP, RejectionKind.POSITION_OFF),
    ("left at the launch site", BACKUP, RejectionKind.NEVER_FLEW),
    ("riding in a car", BACKUP, RejectionKind.NEVER_FLEW),
    ("phone wakes far away", THIRD, RejectionKind.POSITION_OFF),
]


@pytest.mark.parametrize(("kind", "name", "why"), EXPLAINED, ids=[e[0] for e in EXPLAINED])
def test_what_is_not_used_is_explained(kind: str, name: str, why: RejectionKind) -> None:
    flight = flown(kind)
    reasons = [
        v.reason
        for r, v in zip(
            flight.flights[0].track.records(), flight.flights[0].track.verdicts(), strict=True
        )
        if r.fix.tracker == name and v.reason is not None
    ]
    given = [reason for reason in reasons if reason.kind == why]
    assert given, reasons[:5]
    if why in (RejectionKind.POSITION_OFF, RejectionKind.ALTITUDE_OFF, RejectionKind.NEVER_FLEW):
        assert any(MAIN in reason.against for reason in given)
    if kind == "stuck, with a barometer":
        assert any((reason.pressure_off_m or 0.0) > 100.0 for reason in reasons)
    if why == RejectionKind.ALTITUDE_OFF:
        assert all((reason.off_m or 0.0) < 0.0 for reason in given), "below"


def test_zero_zero_is_no_position() -> None:
    state = shown(flown("zero, zero"))
    assert tracker(state, BACKUP)["rejected"] > 5
    assert flown("zero, zero").senders[BACKUP].impossible


def test_a_stuck_tracker_is_called_so() -> None:
    truth = made("frozen position").truth
    seen = {tracker(until("frozen position", s), BACKUP)["state"] for s in range(600, 6_600, 600)}
    assert "reporting" in seen
    assert "stuck" in seen
    assert truth.burst_s > truth.launch_s


def test_silence_and_return_are_both_told() -> None:
    alarms = shown(flown("silent and back"))["alarms"]
    lost = [
        a for a in alarms if a["kind"] == "tracker_lost" and a["id"].startswith(f"lost-{MAIN}-")
    ]
    assert any(a["until"] is not None and a["severity"] == "info" for a in lost)


def test_altitudes_of_two_datums_are_brought_together() -> None:
    flight = flown("two datums")
    state = flight.flights[0].track.checkpoint().state
    assert state is not None
    between_m = state.trackers[MAIN].offset_m - state.trackers[BACKUP].offset_m
    mean_m = np.mean(
        [made("two datums").trackers[0].datum_m - made("two datums").trackers[1].datum_m]
    )
    assert between_m == pytest.approx(mean_m, abs=8.0)


def test_six_receivers_are_one_fix_and_all_are_named() -> None:
    state = tracker(shown(flown("six receivers")), MAIN)
    assert state["copies"] > 3 * state["fixes"]
    heard_by = {h["name"] for h in state["heard_by"]}
    assert heard_by >= {"tnc", *(f"N0CALL-{i}" for i in range(1, 7))}
    shares = {h["name"]: h["packets"] / state["heard"] for h in state["heard_by"]}
    assert shares["N0CALL-3"] == pytest.approx(0.7, abs=0.1)


def test_old_packets_repeated_are_copies() -> None:
    state = tracker(shown(flown("old packets repeated")), MAIN)
    assert state["copies"] > 20
    assert state["rejected"] == 0


def test_a_barometer_carries_the_altitude_on() -> None:
    """The only tracker left has its altitude stuck at 18,288 m; its pressure says how high it is."""
    flight, truth = flown("stuck, with a barometer"), made("stuck, with a barometer").truth
    high = [
        r
        for r in flight.flights[0].track.whole_records()
        if r.fix.tracker == BACKUP and truth.at(r.fix.time_s)[2] > 22_000.0
    ]
    assert len(high) > 20
    for record in high:
        assert record.after.state is not None
        error_m = record.after.state.mixture.z.position - truth.at(record.fix.time_s)[2]
        assert abs(error_m) < 900.0


def test_the_station_clock_is_told() -> None:
    assert kinds(until("station clock wrong", 1_200.0))[0] == "own_clock"


@pytest.mark.parametrize(("seed", "behind"), [(14, True), (39, True), (64, False)])
def test_a_burst_is_noticed_after_it_whatever_the_clock_says(seed: int, behind: bool) -> None:
    """Of a clock that is minutes behind, one packet alone tells nothing: its own time is to come."""
    flown = make_flight("station clock wrong", seed)
    assert (flown.receptions[0].heard_at_s < flown.heard_s[0]) == behind
    seen = follow(flown)
    assert seen.false_bursts == 0
    assert 0.0 < seen.burst_delays[0] < 120.0


@pytest.mark.parametrize("kind", ["plain", "delayed by the internet", "station clock set right"])
def test_any_order_gives_the_same_end(kind: str) -> None:
    chance = np.random.default_rng(5)
    given: list[Reception] = list(made(kind).receptions)
    mixed = [given[i] for i in chance.permutation(len(given))]
    flight = Mission(made(kind).plan)
    flight.receive(mixed[:100])
    flight.receive(mixed[100:])
    assert flight.flights[0].track.records() == flown(kind).flights[0].track.records()
    assert shown(flight) == shown(flown(kind))


def test_the_smoother_is_nearer_than_the_filter() -> None:
    flight, truth = flown("plain"), made("plain").truth
    track = flight.flights[0].track
    points = smooth(track.whole_records(), track.verdicts(), track.constants)
    by_time = {r.fix.time_s: r for r in track.whole_records()}
    filtered, smoothed = [], []
    for point in points:
        if not truth.launch_s + 300 < point.time_s < truth.landing_s:
            continue
        i = truth.index(point.time_s)
        state = by_time[point.time_s].after.state
        assert state is not None
        true = (truth.east_ms[i], truth.north_ms[i])
        filtered.append(
            math.hypot(*(a.velocity - v for a, v in zip(state.mixture[:2], true, strict=True)))
        )
        smoothed.append(
            math.hypot(*(a.velocity - v for a, v in zip(point.motion[:2], true, strict=True)))
        )
    assert np.median(smoothed) < 0.8 * np.median(filtered)
