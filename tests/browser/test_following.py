"""What the map follows: the landing as its area shrinks, us and it, smoothly where that is wanted."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.async_api import Page, expect

from server.screen.app import create_app
from tests.browser.conftest import PHONE
from tests.browser.test_manners import opened
from tests.screen.demo_feed import DemoFeed, height_text
from tests.screen.serving import serving


async def view(page: Page) -> tuple[float, float, float]:
    found = await page.evaluate(
        "() => { const m = window.theMap; const c = m.getCenter(); return [m.getZoom(), c.lat, c.lng]; }"
    )
    zoom, lat, lon = found
    return zoom, lat, lon


async def test_the_landing_is_closed_in_upon_as_its_area_shrinks(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=3_000)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port)
        await page.locator("[data-follow=landing]").click()
        zooms = []
        for since_launch_s in (3_000, 6_100, 6_900, 7_700):
            feed.go(since_launch_s)
            # drawn, map first: until then the view of the moment before passes for this one's
            await expect(page.locator("[data-answer=height]")).to_contain_text(height_text(feed))
            landing = feed.state().flights[0].landing
            assert landing is not None
            await page.wait_for_function(
                """([lat, lon]) => {
                  const { x, y } = window.theMap.latLngToContainerPoint([lat, lon]);
                  const size = window.theMap.getSize();
                  const area = document.querySelector('path.area-90').getBoundingClientRect();
                  const view = window.theMap.getContainer().getBoundingClientRect();
                  const seen = x > 0 && y > 0 && x < size.x && y < size.y;
                  return seen && area.left >= view.left && area.right <= view.right
                    && area.top >= view.top && area.bottom <= view.bottom;
                }""",
                arg=[landing.latitude_deg, landing.longitude_deg],
            )
            zooms.append((await view(page))[0])
        assert zooms == sorted(zooms)
        assert zooms[-1] > zooms[0] + 2
        # the reader's own zoom stays, and the landing stays in view
        await page.locator(".leaflet-control-zoom-out").click()
        await page.wait_for_function("before => window.theMap.getZoom() < before", arg=zooms[-1])
        mine = (await view(page))[0]
        feed.go(7_800)
        await expect(page.locator("[data-follow=landing]")).to_have_attribute(
            "aria-pressed", "true"
        )
        await page.wait_for_timeout(500)
        assert (await view(page))[0] == mine


async def test_us_and_the_landing_are_both_in_view(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_900)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port)
        await page.locator("[data-follow=us]").click()
        state = feed.state()
        own = next(v for v in state.vehicles if v.own)
        landing = state.flights[0].landing
        assert landing is not None
        inside = await page.evaluate(
            "places => places.every((place) => window.theMap.getBounds().contains(place))",
            [[own.latitude_deg, own.longitude_deg], [landing.latitude_deg, landing.longitude_deg]],
        )
        assert inside


async def test_zooming_keeps_what_is_followed(open_page: Any) -> None:
    """By button or wheel, away from the payload: it stays in the middle part of the view."""
    feed = DemoFeed(since_launch_s=6_400)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port)
        follow = page.locator("[data-follow=payload]")
        await follow.click()
        box = await page.locator(".map").bounding_box()
        assert box is not None
        before = (await view(page))[0]
        await page.mouse.move(box["x"] + 150, box["y"] + box["height"] - 90)
        await page.mouse.wheel(0, -400)
        await page.wait_for_function("before => window.theMap.getZoom() > before", arg=before)
        track = feed.state().flights[0].track
        assert track is not None
        await page.wait_for_function(
            "place => window.theMap.getBounds().pad(-0.2).contains(place)",
            arg=[track.latitude_deg, track.longitude_deg],
        )
        await expect(follow).to_have_attribute("aria-pressed", "true")
        # a drag is the reader's own way; while the map zooms it takes none
        await page.wait_for_function("() => document.querySelector('.leaflet-zoom-anim') === null")
        await page.mouse.move(box["x"] + 400, box["y"] + 200)
        await page.mouse.down()
        await page.mouse.move(box["x"] + 300, box["y"] + 250, steps=5)
        await page.mouse.up()
        await expect(follow).to_have_attribute("aria-pressed", "false")


async def test_on_a_phone_what_is_followed_is_a_list(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=6_400))) as port:
        page = await opened(open_page, port, size=PHONE)
        await expect(page.locator("[data-follow=payload]")).to_be_hidden()
        await page.locator(".follow-now").click()
        choice = page.locator("[data-follow=landing]")
        await choice.click()
        await expect(page.locator(".follow-now")).to_have_text("Landing")
        await expect(choice).to_be_hidden()
        box = await page.locator(".follow-now").bounding_box()
        assert box is not None
        assert box["height"] >= 44


@pytest.mark.parametrize("motion", ["reduce", "no-preference"])
async def test_movement_is_smooth_unless_nobody_wants_it(open_page: Any, motion: Any) -> None:
    feed = DemoFeed(since_launch_s=6_400)
    async with serving(create_app(feed)) as port:
        page = await opened(open_page, port)
        await page.emulate_media(reduced_motion=motion)
        await page.evaluate(
            """() => {
              window.glides = 0;
              const icon = document.querySelector('.payload-label').closest('.leaflet-marker-icon');
              const count = () => { window.glides += icon.style.transition.includes('transform') ? 1 : 0; };
              new MutationObserver(count).observe(icon, { attributes: true, attributeFilter: ['style'] });
            }"""
        )
        feed.go(6_440)
        await expect(page.locator("[data-answer=height]")).to_be_visible()
        if motion == "reduce":
            await page.wait_for_timeout(600)
            assert await page.evaluate("() => window.glides") == 0
        else:
            await page.wait_for_function("() => window.glides > 0")
