"""`leeward pack` as a new user meets it: from nothing to a station that listens, by printed steps alone."""

from __future__ import annotations

import asyncio
import gzip
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from server.commands.main import app
from server.commands.roads import check_roads
from server.geodata.roads.cache import open_graph
from tests.geodata.map_files import pmtiles
from tests.geodata.roads.extracts import lattice, write
from tests.outlook.pack.servers import ForecastFilter, answering, latest_run, nginx_over
from tests.session.running import checked, leeward

HOUR = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) + timedelta(hours=20)


@pytest.fixture
def services(tmp_path: Path) -> Iterator[tuple[str, str]]:
    """Addresses of nginx, which has map and heights, and of the forecast filter."""
    root = tmp_path / "root"
    root.mkdir()
    pmtiles(root / "world.pmtiles", (-104.0, 34.0, -90.0, 43.0), range(3, 10))
    packed = gzip.compress(np.full((1201, 1201), 560, dtype=">i2").tobytes(), 1)
    for west in range(94, 104):
        for south in range(35, 42):
            (root / f"N{south}W{west:03d}.hgt.gz").write_bytes(packed)
    service = ForecastFilter(latest_run(datetime.now(UTC)))
    with nginx_over(root, tmp_path) as files, answering(service) as fields:
        yield files, fields


def invoked(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, list(words))
    return result.exit_code, result.output


async def test_the_story_from_nothing(tmp_path: Path, services: tuple[str, str]) -> None:
    files, fields = services
    write(tmp_path / "plains.osm.pbf", lattice(8, 8))
    plan = tmp_path / "tern-7.toml"
    asked = ["--name", "Tern 7", "--latitude", "38.351", "--longitude", "-98.201"]
    asked += ["--altitude", "560", "--time", f"{HOUR:%Y-%m-%dT%H:%M:%SZ}", "--no-phone"]
    asked += ["--tracker", "Main=N0CALL-11", "--mass", "2.1", "--parachute", "1.8", "--no-look"]
    asked += ["--source", "kiss-tcp:127.0.0.1:1", "--car", "Car 1"]
    code, told = invoked("new", str(plan), *asked)
    assert code == 0, told
    with plan.open("a", encoding="utf-8") as file:
        file.write(
            f'\n[pack]\nmap = "{files}/world.pmtiles"\nmap_max_zoom = 9\n'
            f'terrain = "{files}/{{tile}}.hgt.gz"\nforecast = "{fields}/filter"\n'
            f'\n[roads]\nfiles = ["plains.osm.pbf"]\n'
        )
    hour = f"{HOUR:%Y-%m-%dT%H:%M:%SZ}"
    code, told = invoked("outlook", str(plan), "--to", hour, "--json")
    assert json.loads(told)["hours"][0]["limit"] == "winds_unknown"

    code, told = invoked("pack", str(plan))
    assert code == 0, told
    for words in (
        "winds: about",
        "map: ",
        "as whoever runs that service says",
        "ok   pack: map, to zoom 9",
        "of the ground about the predicted areas",
    ):
        assert words in told
    assert (tmp_path / "plains.osm.pbf.roads").is_file()
    folder = tmp_path / "tern-7.pack"
    assert {path.name for path in folder.iterdir()} == {
        "map.pmtiles",
        "terrain",
        "forecast.grib2",
        "forecast-hours",
        "pack.json",
    }
    before = {path: path.stat().st_mtime_ns for path in (folder / "terrain").iterdir()}
    assert len(before) >= 2

    code, told = invoked("pack", str(plan), "--only", "map", "--only", "terrain")
    assert code == 0, told
    after = {path: path.stat().st_mtime_ns for path in (folder / "terrain").iterdir()}
    assert after == before  # what is there is not fetched again

    code, told = invoked("outlook", str(plan), "--to", hour, "--json")
    assert json.loads(told)["hours"][0]["landing"] is not None
    _, told = await checked(plan, 0.1)
    for words in (
        "ok   forecast: 26 levels",
        "ok   terrain",
        "terrain: covers 100 % of the predicted area",
        "ok   pack: forecast, run of",
    ):
        assert words in told
    assert "map Invented archive: all of the predicted area" in told

    async with leeward("live", str(plan)) as station:
        state = await station.until(lambda s: s["landing"] is not None)
        assert not [p for p in state["problems"] if p["kind"] == "pack_unused"]
        assert state["outlook"] == []
        code, told = await asyncio.to_thread(invoked, "outlook", str(plan), "--to", hour)
        assert code == 0, told
        state = await station.until(lambda s: s["outlook"])  # made while the station waits
        assert state["outlook"][0]["launch_time"].startswith(f"{HOUR:%Y-%m-%dT%H}")
    (folder / "map.pmtiles").write_bytes(b"PMTiles")
    (folder / "forecast.grib2").unlink()
    async with leeward("live", str(plan)) as station:
        state = await station.until(lambda s: s["problems"])
        unused = [p["detail"] for p in state["problems"] if p["kind"] == "pack_unused"]
    assert len(unused) == 2
    assert "missing from the pack" in " ".join(unused)


def test_what_does_not_come_is_named_and_the_rest_is_there(
    tmp_path: Path, services: tuple[str, str]
) -> None:
    files, _ = services
    plan = tmp_path / "tern-7.toml"
    plan.write_text(
        f"""
[flight]
name = "Tern 7"
[launch]
latitude_deg = 38.351
longitude_deg = -98.201
altitude_m = 560
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
[pack]
map = "{files}/none.pmtiles"
terrain = "{files}/{{tile}}.hgt.gz"
forecast = "off"
"""
    )
    code, told = invoked("pack", str(plan))
    assert code == 1
    assert "FAIL map: " in told
    assert "no such file (404)" in told
    assert "FAIL pack: no forecast" in told
    assert "ok   pack: terrain" in told


@pytest.mark.parametrize("address", ["ftp://host/map", "https://host/a b", "host"])
def test_an_address_that_is_none_is_an_error_of_the_plan(tmp_path: Path, address: str) -> None:
    plan = tmp_path / "tern-7.toml"
    plan.write_text(
        '[flight]\nname = "T"\n[[trackers]]\nname = "M"\ncallsign = "N0CALL-11"\n'
        f'[pack]\nmap = "{address}"\n'
    )
    code, told = invoked("pack", str(plan))
    assert code == 2
    assert "line 7" in told


def test_how_much_of_the_ground_an_extract_spans(tmp_path: Path) -> None:
    extract = write(tmp_path / "plains.osm.pbf", lattice(8, 8))
    south, west, north, east = open_graph(extract).bounds()
    wide = east - west
    for area, share in (
        ((west, south, east, north), "100%"),
        ((west - wide, south, east, north), "50%"),
        ((west - 360.0, south, east - 360.0, north), "100%"),
        ((west + 90.0, south, east + 90.0, north), "0%"),
    ):
        ((fit, words),) = check_roads([extract], [], lambda *_: None, area)
        assert fit
        assert f"it spans {share} of the ground" in words
