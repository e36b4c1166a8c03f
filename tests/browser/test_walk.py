"""The page of those on foot, at the size of a phone."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from playwright.async_api import Page, expect

from server.flight.times import moment
from server.screen.app import create_app
from tests.browser.conftest import PATIENCE_MS, PHONE
from tests.screen import demo_feed as flight
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

LANDED_S = flight.LANDED_S + 60.0
SENSORS = ("accelerometer", "gyroscope", "magnetometer")  # a compass is made of them
WALK = {"size": PHONE, "has_touch": True, "ready": ".walk-distance"}


def to_the_south() -> dict[str, float]:
    state, _ = flight.demo_at(LANDED_S + 1_300)
    spot = state.flights[0].landing
    assert spot is not None
    return {"latitude": spot.latitude_deg - 0.01, "longitude": spot.longitude_deg, "accuracy": 6.0}


async def needle_deg(page: Page) -> float:
    turn = await page.locator(".walk-arrow").evaluate(
        "node => node.style.getPropertyValue('--turn')"
    )
    return float(turn.removesuffix("deg")) % 360


async def test_the_way_from_this_phone(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=LANDED_S + 1_300)
    south = to_the_south()
    granted = {"geolocation": south, "permissions": ["geolocation", *SENSORS]}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port, "/walk", **WALK, **granted)
        page = watched.page
        await expect(page.locator(".walk-turn")).to_contain_text("Seen from Car 1")
        await page.get_by_role("button", name="Use my position").tap()
        # 0.01 degrees of latitude are 1.1 km
        await expect(page.locator(".walk-distance")).to_have_text("1.1\u00a0km")
        await expect(page.locator(".walk-bearing")).to_have_text("N 000°")
        await expect(page.locator(".walk-turn")).to_contain_text("North is at the top")
        assert min(await needle_deg(page), 360 - await needle_deg(page)) < 1
        await expect(page.locator(".walk-row", has_text="You")).to_contain_text("sure to 10\u00a0m")
        await expect(page.locator(".walk-row", has_text="How sure9")).to_contain_text(
            "90\u00a0% within"
        )
        await expect(page.locator(".walk-row", has_text="Last signal")).to_contain_text(
            re.compile("Phone|Backup")
        )
        await expect(page.get_by_role("button", name="Use my position")).to_be_hidden()
        # the compass: the phone points east, so the arrow to the north points to its left
        await page.evaluate(
            "dispatchEvent(Object.assign(new Event('deviceorientationabsolute'),"
            " { absolute: true, alpha: 270 }))"
        )
        await expect(page.locator(".walk-turn")).to_contain_text("this phone’s compass")
        assert abs(await needle_deg(page) - 270) < 1
        await page.context.set_geolocation({**south, "latitude": south["latitude"] + 0.0099})
        await expect(page.locator(".walk-bearing")).to_contain_text("inside the search area")
        assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        watched.assert_quiet(port)


async def test_without_leave_it_says_so_and_shows_the_cars_way(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=6_000))) as port:
        watched = await open_page(port, "/walk", **WALK)
        page = watched.page
        await page.evaluate(
            "() => { navigator.geolocation.watchPosition = (_, fail) => fail({ code: 1 }); }"
        )
        await page.get_by_role("button", name="Use my position").tap()
        await expect(page.locator(".walk-turn")).to_contain_text("not allowed")
        await expect(page.locator(".walk-turn")).to_contain_text("Seen from Car 1")
        await expect(page.locator(".walk-distance")).to_have_text(re.compile(r"\d\.\d\u00a0km"))
        await expect(page.locator(".walk-cautions")).to_contain_text("power lines")


async def test_old_evidence_and_a_lost_station(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=7_000)
    landing = feed.state().flights[0].landing
    assert landing is not None
    feed.flight_changes["landing"] = replace(landing, basis="last contact")
    feed.changes["now"] = moment(feed.now_s + 900.0)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port, "/walk", **WALK)
        page = watched.page
        worked = page.locator(".walk-row", has_text="Worked out").locator("dd")
        await expect(worked).to_have_attribute("data-stale", "true")
        await expect(worked).to_contain_text("last contact")
    await expect(page.locator(".lost-strip")).to_contain_text("Station lost for")


async def test_before_there_is_a_landing(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=-60))) as port:
        watched = await open_page(port, "/walk", **WALK)
        await expect(watched.page.locator(".walk-distance")).to_have_text("No landing yet")
        await expect(watched.page.get_by_role("link", name="Map program")).to_be_hidden()
        watched.assert_quiet(port)
