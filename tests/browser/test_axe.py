"""axe-core finds no violation, on each page, in both palettes and at both sizes."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.async_api import Page, expect

from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.keys import Keys
from tests.browser.conftest import PATIENCE_MS, PHONE, WIDE
from tests.machine import require_node_tools
from tests.screen import demo_feed as flight
from tests.screen.demo_feed import TOKEN, DemoFeed
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

LANDED_S = flight.LANDED_S + 60.0
PALETTES = pytest.mark.parametrize("night", [False, True], ids=["day", "night"])


async def violations(page: Page) -> list[str]:
    """All of axe's rules but the experimental ones, each with the nodes that break it."""
    source = (require_node_tools() / "axe-core" / "axe.min.js").read_text()
    await page.evaluate(f"() => {{ {source} }}")
    found = await page.evaluate("async () => (await axe.run(document)).violations")
    return [f"{v['id']}: {node['html'][:160]}" for v in found for node in v["nodes"]]


async def open_all(page: Page) -> None:
    """Everything that a touch unfolds."""
    await page.get_by_role("button", name="Layers").click()
    await page.get_by_text("Grid, locator, QR code").click()
    await page.locator(".cautions summary").click()
    for row in await page.locator(".expander").all():
        await row.click()


@PALETTES
@pytest.mark.parametrize("mode", ["live", "replay"])
async def test_the_main_page(open_page: Any, night: bool, mode: Any) -> None:
    feed = DemoFeed(mode, since_launch_s=7_200)  # with alarms to acknowledge and stale figures
    async with serving(create_app(feed, terrain=lambda lat, lon: 512.0)) as port:
        page = (await open_page(port, night=night)).page
        await expect(page.locator(".alarm")).to_be_visible()
        await open_all(page)
        await page.get_by_role("group", name="Chart").get_by_role("button", name="Sensors").click()
        assert await violations(page) == []


@PALETTES
async def test_the_notice_at_the_start(open_page: Any, night: bool) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=6_000))) as port:
        page = (await open_page(port, night=night, ready="dialog[open]")).page
        assert await violations(page) == []


@PALETTES
async def test_a_lost_station(open_page: Any, night: bool) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=6_000))) as port:
        page = (await open_page(port, night=night)).page
    await expect(page.locator(".lost-strip")).to_be_visible()
    assert await violations(page) == []


@PALETTES
async def test_the_tabs_of_a_phone(open_page: Any, night: bool) -> None:
    async with serving(create_app(DemoFeed("replay", since_launch_s=LANDED_S + 400))) as port:
        page = (await open_page(port, night=night, size=PHONE, has_touch=True)).page
        for tab in ("Map", "Landing", "Trackers", "Flight", "More"):
            await page.locator(".tabs").get_by_role("button", name=tab).tap()
            assert await violations(page) == [], tab


@pytest.mark.parametrize(("size", "night"), [(WIDE, False), (PHONE, True)], ids=["wide", "phone"])
@pytest.mark.parametrize(
    ("path", "ready"),
    [("/walk", ".walk-distance"), (f"/beacon/{TOKEN}", "#start")],
)
async def test_the_other_pages(
    open_page: Any, night: bool, size: tuple[int, int], path: str, ready: str
) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=LANDED_S))) as port:
        page = (await open_page(port, path, night=night, size=size, ready=ready)).page
        assert await violations(page) == []


@pytest.mark.parametrize(("size", "night"), [(WIDE, False), (PHONE, True)], ids=["wide", "phone"])
async def test_the_pages_of_the_keys(open_page: Any, night: bool, size: tuple[int, int]) -> None:
    keys = Keys("the-watchers-own-key", "the-crews-own-key")
    told = ScreenSettings(keys=keys, guarded=True, beacons=(("Phone", TOKEN),))
    async with serving(create_app(DemoFeed(), settings=told)) as port:
        page = (await open_page(port, "/", night=night, size=size, ready="#key")).page
        assert await violations(page) == []
        await page.fill("#key", keys.crew)
        await page.click("#open")
        await page.wait_for_selector("body[data-role='crew']")
        await page.goto(f"http://127.0.0.1:{port}/links")
        await page.wait_for_selector("#links img")
        assert await violations(page) == []


async def test_axe_sees_a_mistake(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=LANDED_S))) as port:
        page = (await open_page(port, "/walk", ready=".walk-distance")).page
        await page.evaluate(
            "() => document.querySelector('.walk-arrow').removeAttribute('aria-label')"
        )
        await page.evaluate(
            "() => { document.querySelector('.walk-row dt').style.color = '#ccc'; }"
        )
        found = " ".join(await violations(page))
    assert "color-contrast" in found
