"""The debrief of a flight that fell silent: the search minute by minute, and its areas against the truth."""

from __future__ import annotations

import base64
from functools import cache

from server.debrief.page import flight_page
from server.debrief.record import FlightRecord
from server.debrief.search_tables import areas_table, story_table
from server.debrief.searched import covers
from server.flight.physics.geodesy import distance_bearing
from server.journal.photos import Photo
from server.journal.recording import Recording
from tests.debrief.made import replayed
from tests.flight.search.test_lost import LANDED_S, PLAN, TRUE, car, lost, note, towards
from tests.flights import T0

NEAR = (TRUE[0] - 0.03, TRUE[1] - 0.01), (TRUE[0] + 0.005, TRUE[1] + 0.04)
LATER_S = T0 + LANDED_S + 600.0


@cache
def searched() -> FlightRecord:
    """Lost at some kilometres; two bearings, a strip, a claim, and found an hour later."""
    line = [[TRUE[0] - 0.004, TRUE[1] - 0.004], [TRUE[0] - 0.004, TRUE[1] + 0.004]]
    found = {"latitude_deg": TRUE[0], "longitude_deg": TRUE[1], "note": "<b>in a ditch</b>"}
    notes = [
        note(1, LATER_S, **towards(NEAR[0], 4.0)),
        note(2, LATER_S + 900.0, **towards(NEAR[1], -5.0)),
        note(3, LATER_S + 1_200.0, kind="claim"),
        note(4, LATER_S + 1_800.0, kind="searched", path=line, width_m=60, ground="crops"),
        note(5, LATER_S + 1_900.0, **towards(NEAR[1], 90.0)),
        note(6, LATER_S + 1_950.0, kind="call off", of="note-0005"),
        note(7, LATER_S + 3_600.0, kind="found", **found),
    ]
    heard = sorted([*lost(), *(car(LANDED_S + 300.0 * n, *NEAR[0]) for n in range(12)), *notes])
    return replayed(Recording("lost.log", heard, (), {}, ()), PLAN)


def test_the_search_is_told_in_order_by_whom_and_what() -> None:
    rows = story_table(searched()).rows
    assert [row[1] for row in rows] == ["Car 2"] * 5
    told = [row[2] for row in rows]
    assert told[0].startswith("bearing ")
    assert "(sharp) from " in told[0]
    assert told[2] == "goes there"
    assert told[3].startswith("searched along ")
    assert "crops, 60 m wide" in told[3]
    # the strip is 0.008 degrees of longitude long, by the geodesic
    length_m, _ = distance_bearing(
        TRUE[0] - 0.004, TRUE[1] - 0.004, TRUE[0] - 0.004, TRUE[1] + 0.004
    )
    assert f"{length_m:,.0f} m" in told[3]
    assert told[4].startswith(f"found at {TRUE[0]:.5f}, {TRUE[1]:.5f}: <b>in")
    assert not any("note-0005" in words for words in told), "what was taken back is left out"


def test_every_area_before_is_compared_with_where_it_was_found() -> None:
    areas = searched().areas
    assert len(areas) >= 3
    assert all(a.at_s < LATER_S + 3_600.0 for a in areas), "none after it was found"
    sizes = [a.result.area_90_m2 for a in areas]
    assert sizes[-1] < 0.5 * sizes[0], "two good bearings made it smaller"
    for area in areas:
        off_m, _ = distance_bearing(
            area.result.best_latitude_deg, area.result.best_longitude_deg, TRUE[0], TRUE[1]
        )
        assert area.off_m is not None
        assert abs(area.off_m - off_m) < 1.0
        if area.inside_50:
            assert area.inside_90
    rows = areas_table(searched()).rows
    assert len(rows) == len(areas)
    assert {row[5] for row in rows} <= {"yes", "no"}
    note = areas_table(searched()).note
    assert f"of {len(areas)}" in note
    assert "it was found" in note


def test_predictions_are_judged_by_where_it_was_found() -> None:
    record = searched()
    assert record.landing is not None
    assert record.landing.found_by == "Car 2"
    assert all(p.off_m is not None for p in record.predictions)
    assert "no fix on the ground: the landing is where it was found" in record.problems
    page = flight_page(record).decode()
    assert "Search areas against the truth" in page
    assert "<b>in a ditch</b>" not in page


def test_a_ring_with_a_hole_holds_what_lies_between() -> None:
    def square(half: float) -> tuple[tuple[float, float], ...]:
        return ((-half, -half), (half, -half), (half, half), (-half, half), (-half, -half))

    shape = ((square(2.0),), (square(1.0),))
    assert covers(shape, 1.5, 0.0)
    assert not covers(shape, 0.0, 0.0)
    assert not covers(shape, 3.0, 0.0)


def test_the_photo_stands_in_the_page_itself() -> None:
    body = b"\xff\xd8\xff\xe0 a made picture"
    page = flight_page(searched(), photo=Photo(body, "image/jpeg")).decode()
    assert f'src="data:image/jpeg;base64,{base64.b64encode(body).decode()}"' in page
    assert "Where it was found" in page
    without = flight_page(searched()).decode()
    assert "Where it was found" in without
    assert '<img class="found"' not in without, "none was taken"
