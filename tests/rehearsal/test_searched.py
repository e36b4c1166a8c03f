"""The made search: what a crew notes, what the judge says of it, and losses that begin where they should."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from decoders.decode import decode
from decoders.notes import decode_note
from decoders.reports import BearingReport, FoundReport, SearchedReport
from server.flight.physics.geodesy import distance_bearing
from server.rehearsal.flight import Stage, fly
from server.rehearsal.judge import judge
from server.rehearsal.radio import FREQUENCY_MHZ, knife_edge_db
from server.rehearsal.report import table
from server.rehearsal.scenario import load
from server.rehearsal.searchers import BEARING_DEG, Searchers
from server.rehearsal.shown import Shown, holds


def shown(best: tuple[float, float], off: float = 0.02, **more: Any) -> dict[str, Any]:
    """A flight as the station shows it while it is lost: its areas are squares about the best place."""

    def square(half: float) -> dict[str, Any]:
        lat, lon = best
        corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
        ring = [[lon + x, lat + y] for x, y in corners]
        return {"type": "MultiPolygon", "coordinates": [[ring]]}

    result = {
        "best_latitude_deg": best[0], "best_longitude_deg": best[1], "covered": 0.1,
        "area_90_m2": 4e6, "p50": square(off / 2), "p90": square(off), "listen": None,
    }  # fmt: skip
    search: dict[str, Any] = {
        "contact": "lost", "since": "2026-06-20T15:10:00Z", "result": result, "bearings": [],
        "found": None,
    }  # fmt: skip
    return {"phase": "descent", "events": [], "trackers": [], "search": search | more}


def test_losses_begin_where_they_are_said_to() -> None:
    stage = Stage(load("lost-at-12-km"))
    main = next(fault for fault in stage.faults if fault.kind == "silent")
    assert stage.truth.at(main.from_s)[2] == pytest.approx(12_000.0, abs=60.0)
    assert main.from_s > stage.truth.burst_s
    late = Stage(load("late-packet"))
    gaps = [f for f in late.faults if f.tracker == "N0CALL-12"]
    assert [f.kind for f in gaps] == ["silent", "no_fix"]
    assert gaps[0].to_s < gaps[1].from_s < late.truth.landing_s, "one packet comes between"


def test_behind_a_ridge_it_is_heard_down_to_some_two_kilometres() -> None:
    flown = fly(load("ridge"))
    truth, last_m = flown.truth, 0.0
    for heard_at_ms, source, wire, payload in flown.receptions:
        at_s = heard_at_ms / 1_000.0
        said = decode(wire, payload, at_s, source).transmission
        if (
            said is not None
            and said.sender in ("N0CALL-11", "N0CALL-12")
            and at_s < truth.landing_s
        ):
            last_m = truth.at(at_s)[2] - truth.landing[2]
    assert 1_200.0 < last_m < 2_800.0


def test_loss_behind_a_knife_edge_is_that_of_the_published_curve() -> None:
    """J(v) of ITU-R P.526, single knife edge; the values are from memory."""
    half_m = 1_000.0
    for v, loss_db in ((-1.0, 0.0), (0.0, 6.0), (1.0, 13.6), (2.4, 20.5)):
        wave_m = 299.792458 / FREQUENCY_MHZ
        above_m = v * (wave_m * half_m / 4.0) ** 0.5  # v = h sqrt(2 (d1 + d2) / (wave d1 d2))
        assert knife_edge_db(above_m, half_m, half_m) == pytest.approx(loss_db, abs=0.5)


def test_bearings_err_as_they_do_and_now_and_then_are_reflections() -> None:
    stage = Stage(load("late-packet"))
    car, truth = stage.own, stage.truth
    assert car is not None
    car.latitude_deg, car.longitude_deg = truth.landing[0] - 0.03, truth.landing[1] - 0.04
    crew = Searchers(car, truth, 1, lambda *_: True)
    flight, off = shown((truth.landing[0] + 0.05, truth.landing[1])), []
    here = (car.latitude_deg, car.longitude_deg)
    _, true_deg = distance_bearing(*here, truth.landing[0], truth.landing[1])
    for n in range(400):
        for told in crew.step(truth.landing_s + 300.0 * n, flight):
            note = decode_note(json.dumps(told).encode())
            assert isinstance(note, BearingReport)
            off.append((note.bearing_deg - true_deg + 180.0) % 360.0 - 180.0)
    assert len(off) == 400
    assert 20 <= sum(abs(o) > 45.0 for o in off) <= 45, "a tenth, of which a quarter points well"
    near = np.array([o for o in off if abs(o) < 45.0])
    assert float(np.median(np.abs(near))) == pytest.approx(0.674 * BEARING_DEG, abs=1.5)


def test_a_crew_drives_walks_notes_what_it_walked_and_finds() -> None:
    stage = Stage(load("late-packet"))
    car, truth = stage.own, stage.truth
    assert car is not None
    car.latitude_deg, car.longitude_deg = truth.landing[0] - 0.002, truth.landing[1]
    crew = Searchers(car, truth, 2, lambda *_: True)
    notes, now_s = [], truth.landing_s + 60.0
    while not crew.found and now_s < truth.landing_s + 4 * 3_600.0:
        now_s += 60.0
        for told in crew.step(now_s, shown((truth.landing[0], truth.landing[1]))):
            notes.append(decode_note(json.dumps(told).encode()))
    kinds = [type(note) for note in notes]
    assert kinds.count(FoundReport) == 1
    assert kinds.count(BearingReport) >= 2
    found = next(note for note in notes if isinstance(note, FoundReport))
    off_m, _ = distance_bearing(
        found.latitude_deg, found.longitude_deg, truth.landing[0], truth.landing[1]
    )
    assert off_m < 31.0
    assert kinds.count(SearchedReport) >= 1
    assert len({note.id for note in notes}) == len(notes)
    assert crew.step(now_s + 600.0, shown((truth.landing[0], truth.landing[1]))) == []


def test_the_judge_prints_the_search_over_time() -> None:
    truth = Stage(load("late-packet")).truth
    true = (truth.landing[0], truth.landing[1])
    looks = [
        Shown(truth.landing_s + 60.0, shown((true[0] + 0.03, true[1]))),
        Shown(truth.landing_s + 360.0, shown((true[0] + 0.003, true[1]))),
    ]
    verdict = judge(truth, (), looks)
    assert [(row.inside_50, row.inside_90) for row in verdict.search] == [
        (False, False),
        (True, True),
    ]
    metres = [distance_bearing(true[0] + d, true[1], *true)[0] for d in (0.03, 0.003)]
    assert [row.best_m for row in verdict.search] == pytest.approx(metres, rel=0.01)
    text = table(verdict, "made")
    assert "best off m" in text
    assert "search: truth inside the 90 % area, share" in text
    assert not judge(
        truth, (), [Shown(truth.landing_s, {"phase": "descent", "trackers": []})]
    ).search


def test_a_hole_in_an_area_holds_nothing() -> None:
    def ring(half: float) -> list[list[float]]:
        return [[-half, -half], [half, -half], [half, half], [-half, half], [-half, -half]]

    shape = {"coordinates": [[ring(2.0)], [ring(1.0)]]}
    assert holds(shape, (0.0, 1.5))
    assert not holds(shape, (0.0, 0.0))
    assert not holds(shape, (9.0, 0.0))
