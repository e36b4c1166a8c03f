"""Ten questions of a crew are answered from the first screen, without scrolling, at each size and phase."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from playwright.async_api import Page, expect

from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.keys import Keys
from tests.browser.matrix import SIZES, Case, arrange
from tests.browser.overlaps import look
from tests.browser.visible import visible_text
from tests.screen.demo_feed import LANDED_S, DemoFeed, height_text
from tests.screen.serving import serving

CHICAGO = ZoneInfo("America/Chicago")
PHASES = {
    "pad": -120.0,
    "climb": 3_000.0,
    "fall": 6_700.0,
    "alarm": 7_500.0,
    "lost": LANDED_S + 400.0,
}
PHASES["ground"] = LANDED_S + 1_200.0
# what was misread when the page was first tried
MISLEADING = r"Comes down|Sure to|\bLies\b|\bSeen\b|Phone reporting|as fast as planned"
# the corners of the matrix that `python -m tests.browser.matrix` runs whole
CORNERS = {
    "climb": [("day", 160)],
    "fall": [("day", 100), ("night", 80)],
    "alarm": [("night", 130), ("night", 160)],
}


def questions(feed: DemoFeed, phase: str) -> dict[str, str]:
    """What must be readable, as patterns, by what somebody asks."""
    (flight,) = feed.state().flights
    track, landing = flight.track, flight.landing
    assert track is not None
    asked = {
        "is it live?": r"Live",
        "how high is it?": height_text(feed).replace("\u00a0", " "),
        "where is it, in figures?": rf"{track.latitude_deg:.5f}, {track.longitude_deg:.5f}",
        "how far from us, and which way?": r"\d [km]+ [NESW]+ \d{3}°.*from Car 1",
        "is it heard?": r"Contact[^·]*· (\d\d:\d\d|heard|lost|late|found|none yet)",
        "what does each tracker do?": r"Main · .*Backup · .*Phone · ",
    }
    if landing is not None:
        lands = landing.time.astimezone(CHICAGO)
        asked["when does it land?"] = rf"{lands:%H:%M}"
        asked["how sure is that?"] = r"90 % within \d" if phase in ("climb", "fall") else r"\d"
    if phase in ("climb", "fall"):
        asked["are we there in time?"] = (
            r"There [\d hmins]+ (before|after) it · Car 1: [\d hmins]+ to drive"
        )
    if phase == "alarm":
        asked["which tracker is silent, since when?"] = r"Main · silent · \d+ min"
        asked["what is wrong?"] = r"Alarm · .*Main is silent"
    if phase == "pad":
        asked["are we ready?"] = r"Ready to launch\?"
    if phase == "lost":
        asked["where to look?"] = r"Contact lost: -?\d+\.\d{5}, -?\d+\.\d{5}"
    if phase == "ground":
        asked["how do we get to it?"] = r"How to get to it · [\d.]+ k?m [NESW]+ \d{3}° · from Car 1"
    return asked


@pytest.mark.parametrize("size", SIZES, ids=lambda size: "x".join(map(str, size)))
async def test_ten_questions(open_page: Any, size: tuple[int, int]) -> None:
    feed = DemoFeed(since_launch_s=PHASES["climb"])
    async with serving(create_app(feed)) as port:
        watched = await open_page(port, size=size, has_touch=size[0] < 900)
        page = watched.page
        for phase, since_s in PHASES.items():
            feed.go(since_s)
            height = page.locator("[data-answer=height]")
            await expect(height).to_contain_text(height_text(feed))
            await page.evaluate(
                "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
            )
            text = await visible_text(page)
            for asked, answer in questions(feed, phase).items():
                assert re.search(answer, text), (phase, asked, text)
            assert not re.search(MISLEADING, text), (phase, text)
            for leaf in text.split(" · "):
                assert not ("UTC" in leaf and "CDT" in leaf), f"two zones in one line: {leaf}"
            if phase == "lost":
                await no_old_figure_looks_fresh(page)
            for palette, scale in CORNERS.get(phase, [("day", 100)]):
                await arrange(page, Case(phase, palette, size, scale))
                looked = await look(page)
                assert looked.bad == (), (phase, palette, scale)
                assert looked.map_px[1] >= 150, (phase, palette, scale)
            await arrange(page, Case(phase, "day", size, 100))
        watched.assert_quiet(port)


async def no_old_figure_looks_fresh(page: Page) -> None:
    """Nothing is heard for minutes: the last height says so and has no rate, a time that passed is due."""
    height = page.locator("[data-answer=height]")
    await expect(height).to_contain_text(re.compile(r"Last height.*min ago"))
    await expect(height).not_to_contain_text(re.compile("[↓↑]"))
    await expect(height).to_have_attribute("data-stale", "true")
    label = page.locator(".landing-label")
    await expect(label).to_have_text(re.compile(r"^due \d\d:\d\d, .* ago$"))
    await expect(page.locator(".mark:has(> .landing-label)")).to_have_attribute(
        "data-stale", "true"
    )
    await expect(page.locator(".payload-label")).to_contain_text("min ago")


async def test_the_longest_answers_are_shown_whole(open_page: Any) -> None:
    """The word that matters is the last, and old figures tell their age on a second line."""
    feed = DemoFeed(since_launch_s=PHASES["climb"])
    (flight,) = feed.state().flights
    hours = {"drive_s": 11_880.0, "arrives_before_landing_s": -41_880.0}
    feed.flight_changes["ways"] = tuple(replace(way, **hours) for way in flight.ways)  # type: ignore[arg-type]
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, size=SIZES[0])).page
        asked = page.locator("[data-answer=headline]")
        for aged, scales in ((timedelta(0), (100,)), (timedelta(minutes=98), (100, 130))):
            feed.changes["now"] = feed.state().now + aged
            feed.changed()
            if aged:
                await expect(asked).to_have_attribute("data-stale", "true")
            for size in SIZES:
                for scale in scales:
                    await arrange(page, Case("climb", "day", size, scale))
                    text = await visible_text(page)
                    assert "There 11 h 38 min after it" in text, (size, scale, text)
                    if aged:
                        assert "position 1 h 38 min old" in text, (size, scale, text)
                    assert (await look(page)).bad == (), (size, scale)


async def test_larger_text_leaves_figures_and_map(open_page: Any) -> None:
    """One setting scales all: the figures grow with it, and the map keeps room."""
    feed = DemoFeed(since_launch_s=PHASES["fall"])
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, size=(1366, 633))).page
        await expect(page.locator("[data-answer=height]")).to_contain_text(height_text(feed))
        grown: dict[int, list[float]] = {}
        for scale in (100, 80, 130, 160):
            await arrange(page, Case("fall", "day", (1366, 633), scale))
            sizes = await page.locator(".answer .figure, .mark > .landing-label").evaluate_all(
                "nodes => nodes.map((node) => parseFloat(getComputedStyle(node).fontSize))"
            )
            grown[scale] = [
                size / usual for size, usual in zip(sizes, grown.get(0, sizes), strict=True)
            ]
            grown.setdefault(0, sizes)
            box = await page.locator(".map").bounding_box()
            assert box is not None
            assert box["height"] > 350, scale
        assert max(grown[80]) <= 0.81
        assert min(grown[130]) > 1.05
        assert min(grown[160]) > 1.3


async def test_a_phone_sets_its_text(open_page: Any) -> None:
    """Where the bar has no room for it, under More."""
    async with serving(create_app(DemoFeed(since_launch_s=PHASES["fall"]))) as port:
        page = (await open_page(port, size=(390, 844), has_touch=True)).page
        await page.locator("[data-tab=more]").click()
        settings = page.locator("[data-panel=settings]")
        await settings.get_by_role("button", name="larger text").click()
        await expect(settings.locator("output")).to_have_text("110\u00a0%")
        await settings.get_by_role("button", name="Feet, miles, mph").click()
        await settings.get_by_role("button", name="Night").click()
        await expect(page.locator("[data-answer=height] .figure")).to_contain_text("ft")
        assert await page.evaluate("document.documentElement.dataset.palette") == "night"


async def test_a_laptop_window_under_an_alarm_keeps_its_map(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=PHASES["alarm"])
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, size=(1366, 633))).page
        await expect(page.locator(".alarm")).to_be_visible()
        box = await page.locator(".map").bounding_box()
        assert box is not None
        assert box["height"] >= 400


async def test_several_alarms_at_once_undo_and_a_watchers_own(open_page: Any) -> None:
    """All are acknowledged at once and taken back; who only watches puts them out of his own sight."""
    feed = DemoFeed(since_launch_s=LANDED_S - 60.0)
    keys = Keys("the-watchers-own-key", "the-crews-own-key")
    guarded = ScreenSettings(keys=keys, guarded=True)
    async with serving(create_app(feed, settings=guarded)) as port:
        page = (await open_page(port, f"/#key={keys.crew}")).page
        everything = page.get_by_role("button", name=re.compile(r"Acknowledge all \d alarms"))
        count = int(re.findall(r"\d", await everything.get_attribute("aria-label") or "")[0])
        await everything.click()
        await expect(page.locator(".alarm")).to_be_hidden()
        assert [kind for kind, *_ in feed.commands] == ["acknowledge"] * count
        await page.get_by_role("button", name="Not seen after all").click()
        watcher = (await open_page(port, f"/#key={keys.watch}")).page
        await expect(watcher.locator(".alarm")).to_be_visible()
        await expect(watcher.get_by_role("button", name=re.compile("Acknowledge"))).to_have_count(0)
        await watcher.get_by_role("button", name="Put away").click()
        await expect(watcher.locator(".alarm")).to_be_hidden()
        await expect(page.locator(".alarm")).to_be_visible()


async def test_what_is_not_there_cannot_be_followed(open_page: Any) -> None:
    """No car: its button does nothing, and says so by being off."""
    feed = DemoFeed(since_launch_s=PHASES["climb"])
    feed.changes = {"vehicles": ()}
    async with serving(create_app(feed)) as port:
        page = (await open_page(port)).page
        await expect(page.locator("[data-follow=car]")).to_be_disabled()
        await expect(page.locator("[data-follow=payload]")).to_be_enabled()
        text = await visible_text(page)
        assert "from where? our car has no position" in text
        assert "Our car has no position: give it one on the map." in text
        assert not await page.locator(".now-arrow").is_visible(), "no arrow without a direction"
