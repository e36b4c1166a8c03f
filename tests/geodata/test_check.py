"""`leeward check` and the running station say what they think of the plan's maps."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from server.commands.check import check_forecast, check_maps
from server.commands.main import app
from server.commands.wiring import face_of
from server.flight.inputs import Reception
from server.geodata.surroundings import Surroundings, open_surroundings
from server.journal.database import Journal
from server.plan.file import load, parse
from tests.flights import LAUNCH, made_flight
from tests.geodata.grib_files import write_grib
from tests.geodata.map_files import mbtiles
from tests.geodata.test_surroundings import write_hgt
from tests.session.running import leeward

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
    lines = check_maps(load(plan), plan, journal, Surroundings())
    assert "all of the predicted area to zoom 9" in lines[-1].words
    journal.write_bytes(b"no journal at all, but there" * 100)
    (line,) = check_maps(load(plan), plan, journal, Surroundings())
    assert not line.ok


def test_the_check_says_what_the_heights_cover_and_that_there_is_room(plan: Path) -> None:
    for south, west in ((37, -99), (38, -99), (39, -99)):
        write_hgt(plan.parent, south, west, np.full((1201, 1201), 500))
    plan.write_text(PLAN.replace(', "broken.pmtiles"', "") + '[terrain]\nfolder = "."\n')
    said = CliRunner().invoke(app, ["check", str(plan), "--seconds", "0.1"])
    assert said.exit_code == 0
    (line,) = [one for one in said.output.splitlines() if "terrain: covers" in one]
    share = int(re.findall(r"covers (\d+) %", line)[0])
    # 100 km about the launch are 2.29 degrees of longitude; the tiles are one wide
    assert share == pytest.approx(100 * 1 / 2.29, abs=4)
    assert "100 km about the launch; elsewhere" in line
    assert "ok   disk: room for the journal" in said.output


def test_what_the_plan_says_of_the_page(plan: Path) -> None:
    face = face_of(load(plan), plan)
    assert face.units == "aviation"
    assert [file.info.max_zoom for file in face.basemap.tiles.values()] == [9]
    assert len(face.basemap.problems) == 1
    face.basemap.close()


async def test_a_live_station_shows_them_and_names_what_is_wrong(plan: Path) -> None:
    async with leeward("live", str(plan)) as running:
        state = await running.state()
        assert state["units"] == "aviation"
        (problem,) = state["problems"]
        assert problem["kind"] == "map_unused"
        assert "broken.pmtiles" in problem["detail"]


def test_a_launch_without_a_time_is_checked_against_the_forecasts_place(tmp_path: Path) -> None:
    write_grib(tmp_path / "winds.grib2")
    winds = open_surroundings(tmp_path, None, (), "winds.grib2")
    (here,) = check_forecast(parse(PLAN), winds)
    assert here[0]
    assert "the plan has no launch time" in here[1]
    elsewhere = PLAN.replace(f"latitude_deg = {LAUNCH[0]}", "latitude_deg = 10.0")
    (there,) = check_forecast(parse(elsewhere), winds)
    assert not there[0]
    assert "covers latitude 37 to 40, the flight is at 10.00" in there[1]
    timed = PLAN.replace("[launch]", "[launch]\ntime = 2026-06-01T13:00:00Z")
    assert check_forecast(parse(timed), winds) == [
        (
            True,
            "forecast: 10 levels from 110 to 31,050 m, run of 2026-06-01 18:00 UTC, 5 h after the launch",
        )
    ]
    late = PLAN.replace("[launch]", "[launch]\ntime = 2026-06-04T13:00:00Z")
    (said,) = check_forecast(parse(late), winds)
    assert "67 h from 2026-06-04" in said[1]
    assert check_forecast(parse(PLAN), open_surroundings(tmp_path, None, ())) == []


def test_the_command_says_what_is_wrong_with_the_forecast(plan: Path) -> None:
    named = PLAN.replace(', "broken.pmtiles"', "") + '[forecast]\nfile = "winds.csv"\n'
    plan.write_text(named)
    table = plan.with_name("winds.csv")
    table.write_text("altitude_m,direction_deg,speed_ms\n0,270,5\n9000,270,5\n31000,9999,5\n")
    said = CliRunner().invoke(app, ["check", str(plan), "--seconds", "0.1"])
    assert said.exit_code == 2
    assert "line 4: direction_deg of 0 to 360 expected, not 9999" in said.output
    table.write_text("altitude_m,direction_deg,speed_ms\n0,270,5\n9000,270,5\n31000,270,5\n")
    said = CliRunner().invoke(app, ["check", str(plan), "--seconds", "0.1"])
    assert said.exit_code == 0
    assert "ok   forecast: 3 levels from 0 to 31,000 m" in said.output
