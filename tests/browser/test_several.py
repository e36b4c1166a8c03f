"""Three flights on one page: all are seen, one is chosen, and no label lies on another."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

import pytest_asyncio
from playwright.async_api import Page, expect

from server.screen.app import create_app
from server.session.replay import Replay
from tests.browser.conftest import PATIENCE_MS, PHONE, WIDE
from tests.browser.matrix import Case, arrange
from tests.browser.overlaps import look
from tests.screen.serving import serving
from tests.three_boxes import NAMES, three_flown, three_heard, three_plan

expect.set_options(timeout=PATIENCE_MS)


@pytest_asyncio.fixture(scope="module", loop_scope="session")
async def three() -> AsyncIterator[Replay]:
    """Stands where the first has landed and the others fall; no test changes it."""
    player = Replay(three_heard(), three_plan(), name="three.log", speed=1.0, clock=lambda: 0.0)
    await player.control("pause", None)
    await player.control("seek", three_flown().ours[2].truth.burst_s + 600.0)
    player.settle_landing()
    yield player
    player.close()


def strip(page: Page, name: str) -> Any:
    return page.locator(f'[data-flight="{name}"]')


async def test_one_is_chosen_and_the_others_stay_in_sight(three: Replay, open_page: Any) -> None:
    async with serving(create_app(three)) as port:
        watched = await open_page(port)
        page = watched.page
        await expect(page.locator(".flight-choice")).to_have_count(3)
        await expect(strip(page, "Lark 11")).to_have_attribute("aria-pressed", "true")
        await expect(strip(page, "Lark 13")).to_contain_text("descending")
        when = page.locator("[data-answer=when]")
        first = await when.inner_text()
        await strip(page, "Lark 13").click()
        await expect(page.locator(".flight-name")).to_have_text("Lark 13")
        await expect(when).not_to_have_text(first)
        await expect(page.locator("[data-panel=trackers]")).to_contain_text("Main 13")
        await expect(page.locator("[data-panel=trackers]")).not_to_contain_text("Main 12")
        await expect(page.locator("[data-panel=vehicles]")).to_contain_text(
            "the landing of Lark 13"
        )
        outlines = await page.locator(".symbol-payload path").evaluate_all(
            "marks => marks.map((mark) => mark.getAttribute('d'))"
        )
        assert len(set(outlines)) == 3, "told apart by shape"
        await expect(page.locator(".area-90")).to_have_count(3)
        await expect(page.locator(".area-90.other-flight")).to_have_count(2)
        await expect(page.locator("[data-panel=log]")).to_contain_text("Lark 12: Burst")
        await page.reload()
        await expect(page.locator(".flight-name")).to_have_text("Lark 13")
        watched.assert_quiet(port)


async def test_in_a_low_window_they_stand_in_the_bar(three: Replay, open_page: Any) -> None:
    async with serving(create_app(three)) as port:
        page = (await open_page(port, size=(1366, 633))).page
        await expect(page.locator(".bar .flight-choice")).to_have_count(3)
        for place in ("Lark 11", "Lark 13"):
            await expect(strip(page, place)).to_be_in_viewport(ratio=1)
        await expect(page.locator(".driver")).to_be_in_viewport(ratio=1)
        box = await page.locator(".map").bounding_box()
        assert box is not None
        assert box["height"] >= 400
        await page.set_viewport_size({"width": WIDE[0], "height": WIDE[1]})
        await expect(page.locator(".strips .flight-choice")).to_have_count(3)
        await expect(page.locator(".flight-name")).to_be_in_viewport(ratio=1)


async def test_no_label_lies_on_another(three: Replay, open_page: Any) -> None:
    async with serving(create_app(three)) as port:
        page = (await open_page(port)).page
        for size, scale in (
            (WIDE, 100),
            (WIDE, 160),
            (PHONE, 100),
            (PHONE, 160),
            ((1024, 768), 80),
        ):
            for name in NAMES:
                await strip(page, name).click()
                await expect(page.locator(".flight-choice[aria-pressed=true]")).to_contain_text(
                    name
                )
                await arrange(page, Case(name, "day", size, scale))
                looked = await look(page)
                assert looked.labels > 0
                assert looked.bad == (), (size, scale, name)


async def test_the_winds_by_height_are_told_by_source(three: Replay, open_page: Any) -> None:
    async with serving(create_app(three)) as port:
        watched = await open_page(port)
        page = watched.page
        await strip(page, "Lark 13").click()
        panel = page.locator("[data-panel=winds]")
        await panel.locator("summary").click()
        await expect(panel.locator(".winds-key li")).to_have_count(4)
        for name in (*NAMES, "one sigma"):
            await expect(panel.locator(".winds-key")).to_contain_text(name)
        marks = await panel.locator("svg.winds .winds-mark").evaluate_all(
            "marks => [...new Set(marks.map((mark) => mark.getAttribute('class')))]"
        )
        assert len(marks) == 3, "told apart by shape"
        await expect(panel.locator(".winds-band")).to_have_count(1)
        await strip(page, "Lark 11").click()
        await expect(panel.locator(".winds-band")).to_have_count(0)  # it has landed
        watched.assert_quiet(port)


async def test_a_walker_chooses_too(three: Replay, open_page: Any) -> None:
    async with serving(create_app(three)) as port:
        watched = await open_page(port, "/walk", size=PHONE, ready=".walk-distance")
        page = watched.page
        await expect(page.locator(".flight-choice")).to_have_count(3)
        before = await page.locator(".walk-distance").inner_text()
        await strip(page, "Lark 12").click()
        await expect(page.locator(".flight-name")).to_have_text("Lark 12")
        await expect(page.locator(".walk-distance")).not_to_have_text(before)
        watched.assert_quiet(port)


async def test_a_projector_names_them_all(three: Replay, open_page: Any) -> None:
    async with serving(create_app(three)) as port:
        watched = await open_page(port, "/show", size=(1920, 1080), ready=".show-figure")
        page = watched.page
        rows = page.locator(".show-names li")
        await expect(rows).to_have_count(3)
        await expect(rows.first).to_contain_text("landed")
        await expect(rows.last).to_contain_text("descending")
        # one that flies is shown large, or the one that the link names
        await expect(page.locator(".show-name")).not_to_contain_text("Lark 11")
        await page.goto("about:blank")
        await page.goto(f"http://127.0.0.1:{port}/show#flight=Lark%2011")
        await expect(page.locator(".show-name")).to_contain_text("Lark 11, one of 3")
