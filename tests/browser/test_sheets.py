"""The crew's own maps on the page: tiles from both kinds of file, lines, what is to be avoided."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.async_api import Page, expect

from server.flight.inputs import AvoidArea
from server.flight.state import AvoidChance
from server.flight.view.landing import shown_area
from server.geodata.basemap import Online, open_basemap
from server.screen.app import create_app
from tests.browser.conftest import PATIENCE_MS
from tests.geodata.map_files import PLAIN_ATTRIBUTION, mbtiles, pmtiles, png
from tests.screen.demo_feed import DemoFeed, height_text, height_text_ft
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

BOX = (-99.5, 37.0, -96.5, 39.0)


async def colour_at(page: Page, x: int, y: int) -> tuple[int, int, int]:
    picture = Image.open(io.BytesIO(await page.locator(".map").screenshot())).convert("RGB")
    pixel = picture.getpixel((x, y))
    assert isinstance(pixel, tuple)
    red, green, blue = pixel
    return red, green, blue


@pytest.mark.parametrize("make", [mbtiles, pmtiles], ids=["mbtiles", "pmtiles"])
async def test_tiles_of_a_file_lie_under_the_flight(
    open_page: Any, make: Any, tmp_path: Path
) -> None:
    make(tmp_path / "sheet", BOX, range(5, 10))
    basemap = open_basemap(tmp_path, ["sheet"])
    async with serving(create_app(DemoFeed(since_launch_s=6_600), basemap=basemap)) as port:
        watched = await open_page(port)
        page = watched.page
        await page.wait_for_function(
            "() => [...document.querySelectorAll('img.leaflet-tile')].some((tile) => tile.naturalWidth > 0)"
        )
        await expect(page.locator(".credits")).to_contain_text(PLAIN_ATTRIBUTION)
        assert await page.locator(".credits a").count() == 0  # text, whatever the file held
        ground = await colour_at(page, 200, 120)
        await page.get_by_role("button", name="Layers").click()
        await page.locator(".chooser-list label", has_text="Invented").click()
        await expect(page.locator("img.leaflet-tile")).to_have_count(0)
        await expect(page.locator(".credits")).not_to_contain_text("Invented")
        assert await colour_at(page, 200, 120) != ground
        await page.reload()  # the choice is kept
        await expect(page.locator(".chooser-list label", has_text="Invented")).to_have_count(1)
        await expect(page.locator("img.leaflet-tile")).to_have_count(0)
        watched.assert_quiet(port)
    basemap.close()


async def test_at_night_a_white_map_is_dark(open_page: Any, tmp_path: Path) -> None:
    mbtiles(tmp_path / "white", BOX, range(5, 10), png(255, 255, 255))
    basemap = open_basemap(tmp_path, ["white"])
    async with serving(create_app(DemoFeed(since_launch_s=6_600), basemap=basemap)) as port:
        watched = await open_page(port, night=True)
        await watched.page.wait_for_function(
            "() => [...document.querySelectorAll('img.leaflet-tile')].some((tile) => tile.naturalWidth > 0)"
        )
        red, green, blue = await colour_at(watched.page, 200, 120)
        assert max(red, green, blue) < 80
        assert blue <= red
    basemap.close()


async def test_lines_of_the_crew_and_their_names(open_page: Any, tmp_path: Path) -> None:
    features = [
        {
            "type": "Feature",
            "properties": {"name": '<img src="x"> ford'},
            "geometry": {"type": "Point", "coordinates": [-97.98, 37.95]},
        },
        {
            "type": "Feature",
            "properties": {},
            "geometry": {"type": "LineString", "coordinates": [[-98.1, 37.9], [-97.9, 38.0]]},
        },
    ]
    data = {"type": "FeatureCollection", "attribution": "Crew & co", "features": features}
    (tmp_path / "fords.geojson").write_text(json.dumps(data))
    basemap = open_basemap(tmp_path, [], ["fords.geojson"])
    async with serving(create_app(DemoFeed(since_launch_s=6_600), basemap=basemap)) as port:
        watched = await open_page(port)
        page = watched.page
        await expect(page.locator("path.crew")).to_have_count(1)
        await expect(page.locator(".mark:has(.crew-dot)")).to_have_text("ford")
        await expect(page.locator(".credits")).to_contain_text("Crew & co")
        watched.assert_quiet(port)


async def test_a_map_of_the_internet_is_off_until_it_is_chosen(open_page: Any) -> None:
    basemap = open_basemap(Path(), [], online=Online("http://127.0.0.2:9/{z}/{x}/{y}", "", 17))
    async with serving(create_app(DemoFeed(since_launch_s=6_600), basemap=basemap)) as port:
        watched = await open_page(port)
        page = watched.page
        await page.get_by_role("button", name="Layers").click()
        box = page.get_by_label("Map from the internet")
        await expect(box).not_to_be_checked()
        watched.assert_quiet(port)
        async with page.expect_request(lambda request: "127.0.0.2:9" in request.url):
            await box.check()


async def test_areas_to_be_avoided_and_the_horizon(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_900)
    (shown,) = feed.state().flights
    assert shown.landing is not None
    assert shown.track is not None
    west, south = shown.landing.longitude_deg, shown.landing.latitude_deg
    ring = ((west, south), (west + 0.1, south), (west + 0.1, south + 0.1), (west, south))
    feed.changes["avoid"] = (shown_area(AvoidArea("Long Reservoir", (ring,))),)
    chance = (AvoidChance("Long Reservoir", 0.12),)
    feed.flight_changes["landing"] = replace(shown.landing, avoid=chance)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await expect(page.locator("path.avoid")).to_have_count(1)
        await expect(page.locator(".avoid-label")).to_have_text("avoid: Long Reservoir")
        landing = page.locator("[data-panel=landing]")
        await expect(landing).to_contain_text("To be avoidedLong Reservoir 12\u00a0%")
        # 4.12 km times (√height + √2), the textbook's rule
        height_m = shown.track.height_above_ground_m
        assert height_m is not None
        km = round(4.12 * (math.sqrt(height_m) + math.sqrt(2)))
        label = await page.locator(".horizon-label").inner_text()
        assert abs(int(label.split()[2]) - km) <= 1
        await page.get_by_role("button", name="Layers").click()
        await page.get_by_label("Areas to be avoided").uncheck()
        await expect(page.locator("path.avoid")).to_have_count(0)
        watched.assert_quiet(port)


async def test_the_ground_under_the_pointer(open_page: Any) -> None:
    asked: list[tuple[float, float]] = []

    def terrain(latitude_deg: float, longitude_deg: float) -> float:
        asked.append((latitude_deg, longitude_deg))
        return 512.0

    app = create_app(DemoFeed(since_launch_s=6_900), terrain=terrain)
    async with serving(app) as port:
        watched = await open_page(port)
        page = watched.page
        await page.mouse.move(400, 400)
        place = page.locator(".cursor-place")
        await expect(place).to_contain_text("ground 510\u00a0m")
        latitude_deg, longitude_deg = asked[-1]
        await expect(place).to_contain_text(f"{latitude_deg:.5f}, {longitude_deg:.5f}")
        await page.mouse.move(1_200, 400)
        await expect(place).to_be_hidden()
        watched.assert_quiet(port)


async def test_the_plans_units_come_first_and_the_readers_last(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    feed.changes["units"] = "aviation"
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        height = watched.page.locator("[data-answer=height]")
        await expect(height).to_contain_text(height_text_ft(feed))
        distance = watched.page.locator("[data-answer=where] .figure")
        await expect(distance).to_contain_text("NM")
        await watched.page.locator("[data-setting=units]").click()
        await expect(distance).to_contain_text("mi")
        await watched.page.locator("[data-setting=units]").click()
        await expect(height).to_contain_text(height_text(feed))
        await watched.page.reload()
        await expect(height).to_contain_text(height_text(feed))
