"""`leeward outlook`: hours as JSON, a page that opens without internet, the sheet for others."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Browser
from typer.testing import CliRunner

from server.commands.main import app
from tests.geodata.extras import require_module
from tests.outlook.test_trajectory import REAL

PLAN = """
[flight]
name = "Tern 9 <b>"
[launch]
latitude_deg = 38.351
longitude_deg = -98.201
altitude_m = 560
time = 2011-01-15T12:00:00Z
[descent]
mass_kg = 2.1
parachute_diameter_m = 1.8
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
[[vehicles]]
name = "Car 1"
callsign = "N0CALL-9"
own = true
road_speed_ms = 20
road_factor = 1.5
[[sites]]
name = "Great Bend"
latitude_deg = 38.364
longitude_deg = -98.765
altitude_m = 570
[limits]
farthest_landing_m = 150_000
[[places]]
name = "Wichita"
latitude_deg = 37.69
longitude_deg = -97.34
[contact]
phone = "555 0100"
[forecast]
file = "winds.grib2"
[avoid]
files = ["avoid.geojson"]
"""
AVOID = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "properties": {"name": "Range"},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[-97, 37], [-96.5, 37], [-96.5, 38], [-97, 38], [-97, 37]]],
            },
        }
    ],
}
HOURS = ("--from", "2011-01-15T11:00:00Z", "--to", "2011-01-15T16:00:00Z")


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    require_module("eccodes", "grib")
    shutil.copyfile(REAL, tmp_path / "winds.grib2")
    (tmp_path / "avoid.geojson").write_text(json.dumps(AVOID))
    path = tmp_path / "tern.toml"
    path.write_text(PLAN)
    return path


def asked(plan: Path, *arguments: str) -> Any:
    result = CliRunner().invoke(app, ["outlook", str(plan), *arguments])
    assert result.exit_code == 0, result.output
    return result


def test_hours_as_json(plan: Path) -> None:
    told = json.loads(asked(plan, *HOURS, "--json").stdout)
    hours = told["hours"]
    assert told["winds"] == ["a forecast for 2011-01-15 12:00 UTC to 2011-01-15 12:00 UTC"]
    assert [h["launch_time"][11:16] for h in hours[:6]] == [f"{h}:00" for h in range(11, 17)]
    assert {h["site"] for h in hours} == {"the site", "Great Bend"}
    first, last = hours[0], hours[5]
    assert last["verdict"] == "unknown"
    assert last["limit"] == "winds_unknown"
    assert "the forecast is for" in last["reason"]
    landing = first["landing"]
    assert 100_000.0 < first["distance_m"] < 200_000.0
    assert first["drive_s"] == pytest.approx(first["distance_m"] * 1.5 / 20.0)
    assert landing["path"][0][1:3] == pytest.approx([38.351, -98.201])
    assert landing["path"][-1][1] == pytest.approx(landing["latitude_deg"], abs=0.1)
    assert landing["path"][-1][2] == pytest.approx(landing["longitude_deg"], abs=0.1)
    assert first["verdict"] == "doubtful"
    assert first["limit"] == "farthest_landing_m"
    assert [area["name"] for area in first["avoid"]] == ["Range", "lakes", "the sea"]
    assert 0.2 < first["avoid"][0]["chance"] < 1.0
    assert first["avoid"][2]["chance"] == 0.0, "Kansas lies inland"
    assert first["sunset"].startswith("2011-01-15T23:3")
    assert len(first["what_if"]) == 25
    bursts = [one["burst_altitude_m"] for one in first["what_if"][::5]]
    assert bursts == sorted(bursts)


def test_what_if_moves_the_landing_along_the_drift(plan: Path) -> None:
    """A slower climb drifts farther; the planned one is where the way without chance ends."""
    first = json.loads(asked(plan, *HOURS, "--json").stdout)["hours"][0]
    at_burst = first["what_if"][10:15]
    longitudes = [one["longitude_deg"] for one in at_burst]
    assert longitudes == sorted(longitudes, reverse=True), "the jet goes east"
    assert at_burst[2]["longitude_deg"] == pytest.approx(first["landing"]["path"][-1][2], abs=0.1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--from", "yesterday"), "--from"),
        (("--from", "2011-01-15T12:00:00Z", "--to", "2011-01-14T12:00:00Z"), "1 to 1000 expected"),
        (("--flight", "Tern 10"), "no flight is named 'Tern 10'"),
    ],
)
def test_what_cannot_be_is_told(plan: Path, arguments: tuple[str, ...], words: str) -> None:
    result = CliRunner().invoke(app, ["outlook", str(plan), *arguments])
    assert result.exit_code == 2
    assert words in result.output


def test_without_winds_it_says_so(plan: Path) -> None:
    text = plan.read_text()
    plan.write_text(text.replace('[forecast]\nfile = "winds.grib2"\n', ""))
    hours = json.loads(asked(plan, *HOURS, "--json").stdout)["hours"]
    assert {h["verdict"] for h in hours} == {"unknown"}
    asked(plan, *HOURS)
    assert "names no forecast" in plan.with_suffix(".outlook.html").read_text()


async def test_the_page_opens_alone_and_prints_on_two_sheets(plan: Path, browser: Browser) -> None:
    asked(plan, *HOURS, "--step", "0.25")
    written = plan.with_suffix(".outlook.html")
    assert written.stat().st_size < 3_000_000
    complaints: list[str] = []
    asked_for: list[str] = []
    page = await browser.new_page()
    page.on("console", lambda said: complaints.append(said.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda request: asked_for.append(request.url))
    await page.goto(written.as_uri())
    assert await page.locator("h1").inner_text() == "Tern 9 <b>: outlook"
    before = await page.locator("#figures").inner_text()
    await page.locator('tr[data-hour="22"]').click()
    assert await page.locator("#figures").inner_text() != before
    assert "Great Bend" in await page.locator("#what").inner_text()
    assert await page.locator("#map .p90").count() == 1
    assert await page.locator("#map .moved").count() == 0
    await page.locator("#burst").fill("4")
    assert await page.locator("#map .moved").count() == 1
    assert "from the planned place" in await page.locator("#moves").inner_text()
    pdf = await page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 2
    assert complaints == []
    assert asked_for == [written.as_uri()]


async def test_the_sheet_is_one_page_and_leaves_blank_what_nobody_said(
    plan: Path, browser: Browser
) -> None:
    asked(plan, *HOURS, "--sheet")
    page = await browser.new_page()
    await page.goto(plan.with_suffix(".sheet.html").as_uri())
    text = await page.locator("body").inner_text()
    for words in ("555 0100", "2.1 kg", "From Wichita", "local rules decide", "(18,000 ft)"):
        assert words in text
    assert await page.locator(".blank").count() == 2  # a name and a callsign
    pdf = await page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 1
