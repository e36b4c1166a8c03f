"""The map's manners: what a touch tells, distances, and a place pressed long."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from geographiclib.geodesic import Geodesic
from playwright.async_api import Page, expect

from server.screen.app import create_app
from tests.browser.conftest import MAP_HOOK, PATIENCE_MS, PHONE
from tests.browser.overlaps import settled
from tests.browser.test_vector import near, over
from tests.geodata.vector_maps import openmaptiles
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

CARD = ".place-card"


async def opened(open_page: Any, port: int, **more: Any) -> Page:
    page: Page = (await open_page(port, before=MAP_HOOK, **more)).page
    await page.wait_for_function("() => window.theMap !== undefined")
    await settled(page)  # the map has fitted the flight: it would move away under a pointer
    return page


ZOOMED_OUT = """() => new Promise((done) => {
  window.theMap.once('zoomend', done);
  document.querySelector('.leaflet-control-zoom-out').click();
})"""


async def middle(page: Page, selector: str) -> tuple[float, float]:
    box = await page.locator(selector).first.bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


async def pixel(page: Page, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    x, y = await page.evaluate(
        """([lat, lon]) => {
          const { x, y } = window.theMap.latLngToContainerPoint([lat, lon]);
          const { left, top } = window.theMap.getContainer().getBoundingClientRect();
          return [x + left, y + top];
        }""",
        [latitude_deg, longitude_deg],
    )
    return x, y


async def in_map(page: Page, selector: str) -> bool:
    x, y = await middle(page, selector)
    box = await page.locator(".map").bounding_box()
    assert box is not None
    off_x, off_y = abs(x - box["x"] - box["width"] / 2), abs(y - box["y"] - box["height"] / 2)
    return (
        off_x < box["width"] / 2 - 8 and off_y < box["height"] / 2 - 60
    )  # clear of what lies over it


@pytest.mark.parametrize("size", [(1366, 768), PHONE], ids=["wide", "phone"])
async def test_every_mark_tells_what_it_is(open_page: Any, size: tuple[int, int]) -> None:
    feed = DemoFeed(since_launch_s=6_900)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port, size=size)
        card = page.locator(CARD)
        await page.mouse.click(*await middle(page, ".map .symbol-payload, .mark svg.symbol"))
        await expect(card).to_be_visible()
        shown = feed.state().flights[0]
        assert shown.landing is not None
        assert shown.track is not None
        for selector, title in {
            ".map .tag-own": "Car 1 (ours)",
            ".map .symbol-landing": "Landing of Tern 7",
            ".map .symbol-launch": "Launch of Tern 7",
        }.items():
            await page.keyboard.press("Escape")
            await expect(card).to_be_hidden()
            while not await in_map(page, selector):  # on a phone the launch may have been left out
                await page.evaluate(ZOOMED_OUT)  # until then the marks are under way
            await page.mouse.click(*await middle(page, selector))
            await expect(card.locator("h3")).to_have_text(title)
            await expect(card.get_by_role("link", name="Map program")).to_have_attribute(
                "href", re.compile(r"^geo:-?\d+\.\d{6},-?\d+\.\d{6}$")
            )
        # never over what was touched
        _, y = await middle(page, ".map .symbol-launch")
        box = await card.bounding_box()
        assert box is not None
        assert not (box["y"] < y < box["y"] + box["height"])


async def test_a_receiver_a_town_and_nothing(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_400)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port)
        card = page.locator(CARD)
        await page.mouse.click(*await middle(page, ".map .symbol-station"))
        await expect(card).to_contain_text("another station on the air")
        await expect(card).to_contain_text(re.compile(r"\d+\u00a0packets?, last heard"))
        await page.wait_for_function(
            "() => document.querySelector('canvas.names')?.ariaLabel?.includes('Ellsworth')"
        )
        # GeoNames: Ellsworth, 38.7306° N, 98.2281° W; its name stands right of it
        x, y = await pixel(page, 38.7306, -98.2281)
        await page.mouse.click(x + 30, y)
        await expect(card.locator("h3")).to_have_text("Ellsworth")
        await expect(card).to_contain_text(re.compile(r"about [\d,]+ people"))
        await expect(card).to_contain_text("of the landing")
        await page.mouse.click(*await pixel(page, 38.62, -96.75))
        await expect(card).to_be_hidden()  # nothing is there


async def test_an_old_car_says_so(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_900)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port)
        await page.mouse.click(*await middle(page, ".map .tag:not(.tag-own)"))
        card = page.locator(CARD)
        await expect(card.locator("h3")).to_have_text("Car 2")
        await expect(card).to_contain_text(re.compile(r"position \d+.min ago: old"))
        await expect(card).to_have_attribute("data-stale", "true")


async def test_a_road_of_a_vector_map(open_page: Any, tmp_path: Path) -> None:
    """Aeulestrasse runs through Vaduz at 47.1391° N, 9.5206° E (OpenStreetMap)."""
    path = openmaptiles(tmp_path)
    async with over(path.parent, path.name) as port:
        page = await opened(open_page, port)
        await near(page, 13)
        await page.evaluate(
            "() => window.theMap.setView([47.1391, 9.5212], 16, { animate: false })"
        )
        card = page.locator(CARD)
        await page.wait_for_function(
            "() => document.querySelector('canvas.names')?.ariaLabel?.includes('strasse')"
        )
        found = set()
        for east in range(14):
            await page.mouse.click(*await pixel(page, 47.1391, 9.5196 + 0.0002 * east))
            await asyncio.sleep(0.1)
            if await card.is_visible():
                found.add(await card.locator("h3").inner_text())
        assert "Aeulestrasse" in found or "Äulestrasse" in found, found
        await expect(card).to_contain_text(re.compile("road|Street|Track|Path"))


async def test_a_place_pressed_long(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_400)
    app = create_app(feed, terrain=lambda lat, lon: 512.0)
    async with serving(app) as port:
        page = await opened(open_page, port)
        card = page.locator(CARD)
        wanted = (38.45, -97.35)
        x, y = await pixel(page, *wanted)
        await page.mouse.move(x, y)
        await page.mouse.down()
        await expect(card).to_be_visible()
        await page.mouse.up()
        await expect(card).to_be_visible()  # the end of the touch is no touch of its own
        lat, lon = map(float, (await card.locator("h3").inner_text()).split(", "))
        assert [lat, lon] == pytest.approx(wanted, abs=0.005)
        await expect(card).to_contain_text("ground 510\u00a0m above sea level")
        own = next(v for v in feed.state().vehicles if v.own)
        line = Geodesic.WGS84.Inverse(own.latitude_deg, own.longitude_deg, lat, lon)
        said = re.search(r"([\d.]+)\u00a0km \w+ (\d+)° of Car 1", await card.inner_text())
        assert said is not None
        assert float(said[1]) == pytest.approx(line["s12"] / 1000, rel=0.006)
        assert int(said[2]) == pytest.approx(line["azi1"] % 360, abs=1)
        # nobody leads cars here: the place is handed to the device's map program
        await expect(card.get_by_role("link", name="Drive there")).to_have_attribute(
            "href", re.compile(r"^geo:38\.4\d+,-97\.3\d+$")
        )
        await page.keyboard.press("Escape")
        await expect(card).to_be_hidden()
        await page.mouse.click(x, y, button="right")  # the other button does the same
        await expect(card).to_be_visible()
        await page.mouse.move(x, y - 120)
        await page.mouse.down()
        await page.mouse.move(x - 90, y - 120, steps=6)  # a drag is none
        await asyncio.sleep(0.7)
        await page.mouse.up()
        again = (await card.locator("h3").inner_text()).split(", ")
        assert float(again[0]) == pytest.approx(lat, abs=0.005)  # a pixel
        # the map moves by itself while a finger rests: told is what it was laid on
        await page.keyboard.press("Escape")
        x, y = await pixel(page, *wanted)
        await page.mouse.move(x, y)
        await page.mouse.down()
        await page.evaluate("() => window.theMap.panBy([0, 90], { animate: false })")
        await expect(card).to_be_visible()
        await page.mouse.up()
        lat, lon = map(float, (await card.locator("h3").inner_text()).split(", "))
        assert [lat, lon] == pytest.approx(wanted, abs=0.005)


async def test_distance_and_bearing_between_two_touches(open_page: Any) -> None:
    """Against GeographicLib's geodesics; the page reckons on a sphere."""
    async with serving(create_app(DemoFeed(since_launch_s=6_400))) as port:
        page = await opened(open_page, port)
        button = page.get_by_role("button", name="Measure")
        await button.click()
        a, b = (38.45, -98.1), (38.6, -97.3)
        for place in (a, b):
            await page.mouse.click(*await pixel(page, *place))
            await page.wait_for_timeout(350)  # two quick ones are a double touch
        label = page.locator(".measure-label")
        await expect(label).to_be_visible()
        said = re.fullmatch(r"([\d.]+)\u00a0km (\w+) (\d+)°", await label.inner_text())
        assert said is not None
        line = Geodesic.WGS84.Inverse(*a, *b)
        assert float(said[1]) == pytest.approx(line["s12"] / 1000, rel=0.02)
        assert int(said[3]) == pytest.approx(line["azi1"] % 360, abs=2)
        assert said[2] == "ENE"
        await expect(page.locator(CARD)).to_be_hidden()
        await page.keyboard.press("Escape")
        await expect(label).to_have_count(0)
        await expect(button).to_have_attribute("aria-pressed", "false")


async def test_receivers_rank_below_towns(open_page: Any) -> None:
    """A receiver that stands on a town leaves its name out, not the town's."""
    feed = DemoFeed(since_launch_s=6_400)
    one = feed.state().senders[0]  # to Ellsworth with it
    crowd = [
        replace(one, name=f"N0CALL-LONG-NAME-{n}", latitude_deg=38.7306, longitude_deg=-98.2281)
        for n in range(6)
    ]
    feed.changes["senders"] = (*crowd,)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port)
        await page.wait_for_function(
            "() => document.querySelector('canvas.names')?.ariaLabel?.includes('Ellsworth')"
        )
        hidden = page.locator(".station-label[data-side=none]")
        assert await hidden.count() >= 1
