"""`leeward check` and the running station say what they think of the plan's maps."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from server.check import check_maps
from server.cli import app
from server.flight.inputs import Reception
from server.journal import Journal
from server.plan import load
from server.run import face_of
from tests.atlas.map_files import mbtiles
from tests.flights import LAUNCH, made_flight
from tests.station.running import leeward

PLAN = f"""
[flight]
name = "Tern test"
[launch]
latitude_deg = {LAUNCH[0]}
longitude_deg = {LAUNCH[1]}
altitude_m = {LAUNCH[2]}
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
[[sources]]
name = "phone"
kind = "phone"
[screen]
units = "aviation"
[basemap]
files = ["sheet.mbtiles", "broken.pmtiles"]
"""
AROUND = (-100.5, 36.5, -96.0, 40.5)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    mbtiles(tmp_path / "sheet.mbtiles", AROUND, range(6, 10))
    (tmp_path / "broken.pmtiles").write_bytes(b"PMTiles\x03 and no more")
    path = tmp_path / "tern.toml"
    path.write_text(PLAN)
    return path


def test_the_check_says_how_far_the_maps_reach(plan: Path) -> None:
    said = CliRunner().invoke(app, ["check", str(plan), "--seconds", "0.1"])
    assert said.exit_code == 1
    assert "FAIL Map: " in said.output
    assert "broken.pmtiles" in said.output
    assert "ok   map Invented sheet: all of 100 km about the launch to zoom 9" in said.output
    plan.write_text(PLAN.replace(', "broken.pmtiles"', ""))
    assert CliRunner().invoke(app, ["check", str(plan), "--seconds", "0.1"]).exit_code == 0


def test_after_the_launch_it_is_the_predicted_area(plan: Path) -> None:
    heard: list[Reception] = list(made_flight(until_s=3_000.0))
    journal = plan.with_suffix(".sqlite3")
    with Journal(journal) as opened:
        opened.append(heard)
    lines = check_maps(load(plan), plan.parent, journal)
    assert "all of the predicted area to zoom 9" in lines[-1].words
    journal.write_bytes(b"no journal at all, but there" * 100)
    (line,) = check_maps(load(plan), plan.parent, journal)
    assert not line.ok


def test_what_the_plan_says_of_the_page(plan: Path) -> None:
    face = face_of(load(plan), plan)
    assert face.units == "aviation"
    assert [file.info.max_zoom for file in face.basemap.tiles.values()] == [9]
    assert len(face.basemap.problems) == 1
    face.basemap.close()


async def test_a_live_station_shows_them_and_names_what_is_wrong(plan: Path) -> None:
    async with leeward("live", str(plan)) as running:
        state = await running.state()
        assert state["flight"]["units"] == "aviation"
        (problem,) = state["plan_problems"]
        assert "broken.pmtiles" in problem
