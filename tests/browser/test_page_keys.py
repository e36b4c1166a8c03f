"""Keys of the page: what they do, where they do nothing, and the list that says so."""

from __future__ import annotations

from typing import Any

from playwright.async_api import expect

from server.screen.app import create_app
from tests.browser.conftest import PATIENCE_MS
from tests.browser.test_axe import violations
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving, until

expect.set_options(timeout=PATIENCE_MS)


async def test_the_keys_of_a_replay(open_page: Any) -> None:
    feed = DemoFeed("replay", since_launch_s=3_000)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await page.keyboard.press("Space")
        await until(lambda: feed.commands[-1:] == [("play", None)])
        await expect(page.get_by_role("button", name="Pause", exact=True)).to_be_visible()
        await page.keyboard.press("Space")
        await until(lambda: feed.paused)
        await expect(page.get_by_role("button", name="Play", exact=True)).to_be_visible()
        before_s = feed.now_s
        for key, step_s in (
            ("ArrowRight", 60),
            ("ArrowLeft", 0),
            ("Shift+ArrowRight", 600),
            ("Shift+ArrowLeft", 0),
        ):
            await page.keyboard.press(key)
            await until(lambda wanted=step_s: abs(feed.now_s - before_s - wanted) < 2)  # type: ignore[misc]
        for _ in range(3):  # quicker than the replay answers
            await page.keyboard.press("ArrowRight")
        await until(lambda: abs(feed.now_s - before_s - 180) < 2)
        await page.keyboard.press("m")
        await expect(page.locator(".side")).to_be_hidden()
        box = await page.locator(".map").bounding_box()
        assert box is not None
        assert box["width"] > 1_300
        await page.keyboard.press("m")
        await expect(page.locator(".side")).to_be_visible()
        await page.keyboard.press("l")
        await expect(page.locator("[data-follow=landing]")).to_have_attribute(
            "aria-pressed", "true"
        )
        await page.keyboard.press("?")
        listed = page.locator("dialog.keys")
        await expect(listed).to_contain_text("play the replay")
        await expect(listed).to_contain_text("ten minutes on")
        assert await violations(page) == []
        told = len(feed.commands)
        await page.keyboard.press("ArrowRight")  # nothing behind the list is steered
        await page.keyboard.press("?")
        await expect(listed).to_have_count(0)
        assert len(feed.commands) == told
        watched.assert_quiet(port)


async def test_nothing_while_somebody_types_or_something_has_the_focus(open_page: Any) -> None:
    feed = DemoFeed("replay", since_launch_s=3_000)
    async with serving(create_app(feed)) as port:
        page = (await open_page(port)).page
        await page.evaluate(
            "document.body.append(Object.assign(document.createElement('input'), { id: 'typed' }))"
        )
        await page.locator("#typed").focus()
        await page.keyboard.type("m l?")
        await page.keyboard.press("ArrowLeft")
        assert await page.locator("#typed").input_value() == "m l?"
        await expect(page.locator(".side")).to_be_visible()
        await expect(page.locator("dialog")).to_have_count(0)
        await page.locator("#typed").evaluate("node => node.blur()")
        button = page.get_by_role("button", name="Climb")
        await button.focus()
        await page.keyboard.press("Space")  # presses what has the focus
        await expect(button).to_have_attribute("aria-pressed", "true")
        await page.locator(".map").focus()
        await page.keyboard.press("ArrowLeft")  # moves the map
        await page.keyboard.press("Control+m")
        await expect(page.locator(".side")).to_be_visible()
        assert feed.commands == []


async def test_a_live_page_lists_what_it_has(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=-60)
    async with serving(create_app(feed)) as port:
        page = (await open_page(port)).page
        await page.get_by_role("button", name="Keys: a list").click()
        listed = page.locator("dialog.keys div:visible")
        await expect(listed).to_have_text(["mthe map alone"])  # no landing yet, no replay
        await page.keyboard.press("Escape")
        feed.go(3_000)
        await expect(page.locator("[data-answer=height]")).to_contain_text("ascending")
        await page.keyboard.press("Space")
        await page.keyboard.press("?")
        await expect(listed).to_have_text(["mthe map alone", "lthe landing on the map"])
        assert feed.commands == []
