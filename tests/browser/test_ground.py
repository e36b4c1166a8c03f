"""Wherever a flight is, its page shows coasts, borders, water and towns, and asks nobody else for them."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.async_api import Page, expect

from server.flight.inputs import Plan
from server.journal.recording import inferred_plan, read_recording
from server.screen.app import create_app
from server.screen.assets import WEB
from server.session.replay import Replay
from tests.browser.conftest import PATIENCE_MS, PHONE, WIDE
from tests.browser.overlaps import settled
from tests.elsewhere import PLACES, plan, receptions
from tests.flights import real_logs
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving
from tests.screen.test_palette import DAY, NIGHT

expect.set_options(timeout=PATIENCE_MS)
NEAR, THIN = 9, 40  # of 255, between a colour of the style and a pixel of a field or of a line

COLORADO = "flight-291"
TOWNS = {
    "the Alps": {
        "Chur",
        "Innsbruck",
        "Bolzano",
        "Merano",
        "Bressanone",
        "Feldkirch",
        "Milan",
        "Munich",
    },
    "Tasmania": {"Hobart", "Launceston", "Devonport", "Glenorchy", "Burnie"},
    "across 180°": {"Labasa", "Suva", "Nasinu", "Savusavu", "Lautoka", "Levuka"},
    COLORADO: {"Thornton", "Centennial", "Goodland", "Castle Rock", "Parker", "Burlington"},
}

SOME_NAMED = """towns => {
  const said = document.querySelector('canvas.names')?.getAttribute('aria-label') ?? '';
  return towns.filter((name) => said.includes(name)).length >= 2;
}"""


def flight(where: str) -> Replay:
    if where == COLORADO:
        recording = read_recording(next(p for p in real_logs() if p.stem == where))
        return Replay(
            recording.receptions, inferred_plan(recording), name="b", speed=1.0, clock=lambda: 0.0
        )
    place = PLACES[where]
    made: Plan = plan(place)
    return Replay(receptions(place), made, name="b", speed=1.0, clock=lambda: 0.0)


async def colours(page: Page) -> Any:
    picture = Image.open(io.BytesIO(await page.locator(".map").screenshot())).convert("RGB")
    return picture.getcolors(1_000_000)


def share(counted: Any, colour: str, near: int = NEAR) -> float:
    """Of the picture's pixels that have about that colour."""
    wanted = [int(colour[n : n + 2], 16) for n in (1, 3, 5)]
    total = sum(count for count, _ in counted)
    like = sum(
        count
        for count, rgb in counted
        if max(abs(a - b) for a, b in zip(rgb, wanted, strict=True)) <= near
    )
    return float(like / total)


async def drawn(page: Page) -> None:
    await page.wait_for_function(
        "() => [...document.querySelectorAll('.vector-block')].every((one) => one.painted !== undefined"
        " && one.names !== undefined) && (document.querySelector('canvas.names')?.ariaLabel ?? '') !== ''"
    )


@pytest.mark.parametrize("night", [False, True], ids=["day", "night"])
@pytest.mark.parametrize("where", [*PLACES, COLORADO])
async def test_no_place_is_blank(open_page: Any, where: str, night: bool) -> None:
    feed = flight(where)
    await feed.control("pause", None)
    await feed.control("seek", feed.start_s + 0.8 * (feed.end_s - feed.start_s))
    feed.settle_landing()
    palette = NIGHT if night else DAY
    try:
        async with serving(create_app(feed)) as port:
            watched = await open_page(port, night=night)
            page = watched.page
            await settled(page)  # the map has fitted the flight: it would undo a step
            named = False
            while not named:  # from the flight to its surroundings: there are towns everywhere
                scale = await page.locator(".scale-row").inner_html()
                await page.locator(".leaflet-control-zoom-out").click()
                await page.wait_for_function(
                    "before => document.querySelector('.scale-row').innerHTML !== before", arg=scale
                )
                await settled(page)
                named = await page.evaluate(SOME_NAMED, sorted(TOWNS[where]))
            await page.wait_for_load_state("networkidle")
            await drawn(page)
            counted = await colours(page)
            assert share(counted, palette["map-land"]) > 0.003
            if where in ("Tasmania", "across 180°"):
                assert share(counted, palette["map-water"]) > 0.2
            assert share(counted, palette["map-shore"], THIN) > 0.0004  # rivers and coasts
            credits_ = page.locator(".credits")
            await expect(credits_).to_contain_text("Natural Earth · GeoNames")
            size = await credits_.evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
            assert size <= 13
            watched.assert_quiet(port)
    finally:
        feed.close()


async def test_a_flight_across_180_degrees_is_one_line(open_page: Any) -> None:
    """Its track, landing and areas lie beside each other, and the map follows them all."""
    feed = flight("across 180°")
    await feed.control("pause", None)
    await feed.control("seek", feed.end_s - 60)
    feed.settle_landing()
    try:
        async with serving(create_app(feed)) as port:
            watched = await open_page(port)
            page = watched.page
            await page.get_by_role("button", name="All", exact=True).click()
            await expect(page.locator("path.predicted")).to_have_count(1)
            box = await page.locator("path.area-90").bounding_box()
            view = await page.locator(".map").bounding_box()
            assert box is not None
            assert view is not None
            assert view["x"] < box["x"] < box["x"] + box["width"] < view["x"] + view["width"]
            assert box["width"] < 0.6 * view["width"]
            bar = await page.locator(".scale-length").inner_text()
            assert bar.endswith("km")
            assert int(bar.split()[0].replace(",", "")) <= 50  # not half the Earth
            watched.assert_quiet(port)
    finally:
        feed.close()


async def test_a_browser_that_draws_nothing_beside_the_page_draws_on_it(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=6_400))) as port:
        watched = await open_page(port, before="delete globalThis.OffscreenCanvas")
        await watched.page.wait_for_function(SOME_NAMED, arg=["Hutchinson", "Emporia"])
        await drawn(watched.page)
        watched.assert_quiet(port)


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
async def test_names_do_not_lie_on_each_other(open_page: Any, size: tuple[int, int]) -> None:
    """All that is written on the map, in the layout's own boxes: towns against each other and the flight."""
    async with serving(create_app(DemoFeed(since_launch_s=6_400))) as port:
        watched = await open_page(port, size=size)
        page = watched.page
        await page.wait_for_load_state("networkidle")
        await drawn(page)
        boxes = await page.evaluate(
            """() => {
              const map = document.querySelector('.map').getBoundingClientRect();
              const names = document.querySelector('canvas.names').written.map(({ text, box }) =>
                [text, box.left, box.top, box.right, box.bottom]);
              const labels = [...document.querySelectorAll(
                '.mark-label:not([data-side=none], .station-label)')]
                .filter((node) => node.textContent !== '')
                .map((node) => [node, node.getBoundingClientRect()])
                .map(([node, r]) => [node.textContent, r.left - map.left, r.top - map.top,
                                     r.right - map.left, r.bottom - map.top]);
              return { names, labels };
            }"""
        )
        assert len(boxes["names"]) >= (8 if size == WIDE else 3)
        assert boxes["labels"]
        everything = [*boxes["names"], *boxes["labels"]]
        for n, (text, left, top, right, bottom) in enumerate(everything):
            for other, left2, top2, right2, bottom2 in everything[n + 1 :]:
                both_marks = n >= len(boxes["names"])
                apart = (
                    right <= left2 + 2
                    or right2 <= left + 2
                    or bottom <= top2 + 2
                    or bottom2 <= top + 2
                )
                assert apart or both_marks, (text, other)


async def test_the_nearest_town_comes_from_the_carried_map(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=6_900))) as port:
        page = (await open_page(port)).page
        await expect(page.locator("[data-panel=landing]")).to_contain_text("of Salina")


async def test_a_lost_line_leaves_the_grid(open_page: Any) -> None:
    """The world's tiles cannot be fetched: the flight, the grid and the panels go on."""
    async with serving(create_app(DemoFeed(since_launch_s=6_900))) as port:
        context_page = await open_page(port)
        page = context_page.page
        await page.route("**/tiles/**", lambda route: route.abort())
        await page.reload()
        await expect(page.locator("[data-panel=landing]")).to_contain_text("of the launch")
        assert await page.locator("canvas.grid").count() == 1


def test_no_map_is_left_of_the_first_form() -> None:
    assert [path.name for path in Path(WEB / "basemap").iterdir()] == ["world.pmtiles"]
