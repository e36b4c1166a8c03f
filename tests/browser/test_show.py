"""The page for a projector: what is told, how large, to whom, and that it says when it is old."""

from __future__ import annotations

import re
from typing import Any

import pytest
from geographiclib.geodesic import Geodesic
from playwright.async_api import expect

from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.keys import Keys
from tests.browser.conftest import PATIENCE_MS, PHONE
from tests.browser.test_axe import violations
from tests.screen import demo_feed as flight
from tests.screen.demo_feed import DemoFeed, height_text
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

PROJECTORS = pytest.mark.parametrize(
    ("size", "night"),
    [((1920, 1080), False), ((1366, 768), True)],
    ids=["large-day", "small-night"],
)
LANDED_S = flight.LANDED_S + 1_400.0
# what is told at the projector's moments: the phase's own words
MOMENTS = {
    -60.0: ("on the ground", "Told once it flies", "Last heard"),
    3_000.0: ("Height, ascending", "Lands about (CDT)", "Until it lands"),
    6_300.0: ("Height, descending", "Lands about (CDT)", "km flown"),
    flight.LANDED_S + 60.0: (
        "Last height",
        "Should have landed",
        "Since it should have landed",
    ),
    LANDED_S: ("Highest point", "Landed (CDT)", "Flown over ground"),
}


def figure(page: Any, name: str) -> Any:
    return page.locator(f"[data-figure={name}]")


async def show(open_page: Any, port: int, path: str = "/show", **more: Any) -> Any:
    return await open_page(port, path, ready=".show-figure", **more)


@PROJECTORS
async def test_every_phase_fits_and_has_no_controls(
    open_page: Any, size: tuple[int, int], night: bool
) -> None:
    feed = DemoFeed(since_launch_s=-60)
    async with serving(create_app(feed)) as port:
        watched = await show(open_page, port, size=size, night=night)
        page = watched.page
        for moment_s, told in MOMENTS.items():
            feed.go(moment_s)
            for name, text in zip(("height", "landing", "left"), told, strict=True):
                await expect(figure(page, name)).to_contain_text(text)
            cut = await page.evaluate(
                """() => [...document.querySelectorAll('.show-side :is(div, li)')]
                  .filter((node) => node.offsetParent !== null)
                  .filter((node) => {
                    const at = node.getBoundingClientRect();
                    const out = at.bottom > innerHeight || at.right > innerWidth;
                    return out || node.scrollWidth > node.clientWidth + 1;
                  }).map((node) => node.textContent)"""
            )
            assert cut == []
            # digits are 0.72 of the letter's size: 20' from 8 m on a picture of 1.21 m is 46 mm
            px = await page.locator(".show-figure").first.evaluate(
                "node => parseFloat(getComputedStyle(node).fontSize)"
            )
            assert 0.72 * px / size[0] * 1_210 >= 45.0
        assert await page.evaluate("document.body.scrollHeight <= innerHeight")
        buttons = await page.locator("button, input, select, a").all()
        assert [await button.is_visible() for button in buttons].count(True) == 0
        assert await violations(page) == []
        watched.assert_quiet(port)


async def test_the_story_so_far(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=LANDED_S)
    async with serving(create_app(feed)) as port:
        page = (await show(open_page, port, size=(1920, 1080))).page
        story = page.locator(".show-list li:visible")
        await expect(story.first).to_contain_text("Landed")
        await expect(page.locator(".show-list")).to_contain_text(
            re.compile("of [A-Z]")
        )  # towns came
        told = await story.all_inner_texts()
        assert re.search(r"burst at 29,\d\d0\sm", " ".join(told))
        # the highest point is not lower than the burst that is told beside it
        top = await figure(page, "height").locator(".show-figure").inner_text()
        assert top in " ".join(told), top
        assert "Launched" in told[-1], "what happened stays when heights are left out"
        # in time, the newest first
        times = [re.match(r"\d\d:\d\d", text)[0] for text in told]  # type: ignore[index]
        assert times == sorted(times, reverse=True)
        # heights: by the track itself
        rows = feed.history().tracks["Tern 7"]
        passed_s = next(row[0] for row in rows if (row[3] or 0) >= 5_000)
        all_told = await page.locator(".show-list li").all_text_contents()
        (first,) = [text for text in all_told if "Above 5,000" in text]
        minute = int((passed_s - flight.LAUNCH_S + 5) // 60)
        assert first.startswith(f"08:{minute:02d} CDT")
        # the way over ground, against a reference library
        flown_m = 0.0
        before: Any = None
        for row in rows:
            if row[6] not in ("ascent", "float", "descent"):
                continue
            if before is None or row[0] - before[0] >= 20.0:
                if before is not None:
                    flown_m += Geodesic.WGS84.Inverse(before[1], before[2], row[1], row[2])["s12"]
                before = row
        text = await figure(page, "left").locator(".show-figure").inner_text()
        assert float(text.removesuffix("\u00a0km")) == pytest.approx(flown_m / 1_000, rel=0.01)


async def test_a_watcher_polls_and_no_alarm_is_shown(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_700)
    assert feed.state().alarms
    keys = Keys("the-watchers-own-key", "the-crews-own-key")
    told = ScreenSettings(keys=keys, guarded=True, max_clients=0)  # no sockets: it polls
    async with serving(create_app(feed, settings=told)) as port:
        page = (await show(open_page, port, f"/show#key={keys.watch}")).page
        await expect(figure(page, "height")).to_contain_text(height_text(feed))
        feed.go(6_800)
        await expect(figure(page, "height")).to_contain_text(height_text(feed))
        text = await page.locator("body").inner_text()
        for alarm in ("Urgent", "Acknowledge", "silent", "Car 1"):
            assert alarm not in text


async def test_the_camera_follows(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=600)
    async with serving(create_app(feed)) as port:
        page = (await show(open_page, port)).page
        for moment_s in (600.0, 5_000.0, LANDED_S):
            feed.go(moment_s)
            await expect(figure(page, "landing")).not_to_contain_text("not known")
            await page.wait_for_function(
                """() => {
                  const map = document.querySelector('.map').getBoundingClientRect();
                  const marks = [...document.querySelectorAll('.symbol-payload, .map .symbol-landing')];
                  return marks.every((mark) => {
                    const { left, right, top, bottom } = mark.getBoundingClientRect();
                    return left >= map.left && right <= map.right && top >= map.top && bottom <= map.bottom;
                  });
                }"""
            )


@pytest.mark.parametrize(
    ("mode", "words"),
    [
        ("replay", "Replay: this flight was on 6 June 2026."),
        ("rehearsal", "Rehearsal: a made flight. Nothing is in the air."),
    ],
)
async def test_the_mode_is_said(open_page: Any, mode: Any, words: str) -> None:
    feed = DemoFeed("replay" if mode == "replay" else "live", since_launch_s=3_000)
    feed.changes = {"mode": mode}
    async with serving(create_app(feed)) as port:
        page = (await show(open_page, port)).page
        await expect(page.locator(".show-mode")).to_have_text(words)


async def test_old_evidence_and_a_lost_station(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=flight.LANDED_S + 60.0)
    async with serving(create_app(feed)) as port:
        page = (await show(open_page, port)).page
        for name in ("height", "landing", "left"):
            await expect(figure(page, name)).to_have_attribute("data-stale", "true")
    await expect(page.locator(".lost-strip")).to_contain_text("Station lost for")


async def test_the_readers_units(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=3_000)
    async with serving(create_app(feed)) as port:
        page = (await show(open_page, port, zone="Europe/Vienna")).page
        await expect(figure(page, "landing")).to_contain_text("(GMT+2)")
        await page.evaluate("localStorage.setItem('leeward.units', '\"us\"')")
        await page.reload()
        await expect(figure(page, "height")).to_contain_text("ft")
        await expect(page.locator(".show-list")).to_contain_text("Above 20,000\u00a0ft")


async def test_the_way_there(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=600))) as port:
        page = (await open_page(port)).page
        await expect(page.locator("a[href='/show']")).to_have_text("For a projector")
        phone = (await show(open_page, port, size=PHONE)).page
        assert await phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
