"""Ten questions of a crew are answered from the first screen, without scrolling, at each size and phase."""

from __future__ import annotations

import itertools
import re
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from playwright.async_api import expect

from server.screen.app import create_app
from tests.browser.test_several import MOST_OVERLAP, labels, overlap
from tests.browser.visible import on_screen, visible_text
from tests.screen.demo_feed import LANDED_S, DemoFeed, height_text
from tests.screen.serving import serving

CHICAGO = ZoneInfo("America/Chicago")
SIZES = [(1366, 633), (1024, 768), (390, 844), (844, 390), (1920, 1080)]
PHASES = {
    "pad": -120.0,
    "climb": 3_000.0,
    "fall": 6_700.0,
    "alarm": 7_500.0,
    "lost": LANDED_S + 400.0,
}
PHASES["ground"] = LANDED_S + 1_200.0


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
            cut = [one for one in (await on_screen(page))["cut"] if one[1] in BAND]
            assert cut == [], phase
            pairs = itertools.combinations(await labels(page), 2)
            assert max((overlap(a, b) for a, b in pairs), default=0.0) <= MOST_OVERLAP, phase
        watched.assert_quiet(port)


BAND = {
    "answer-label",
    "figure",
    "beside",
    "answer-note",
    "reporting-name",
    "state",
    "now-place",
    "now-way",
}


@pytest.mark.parametrize("scale", [80, 130, 160])
async def test_larger_text_leaves_figures_and_map(open_page: Any, scale: int) -> None:
    """One setting scales all: the figures grow with it, nothing in the band is cut, the map keeps room."""
    feed = DemoFeed(since_launch_s=PHASES["fall"])
    async with serving(create_app(feed)) as port:
        page = (await open_page(port)).page
        await page.evaluate(f"() => localStorage.setItem('leeward.scale', '{scale}')")
        await page.reload()
        height = page.locator("[data-answer=height] .figure")
        await expect(height).to_contain_text(height_text(feed))
        size = await height.evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
        assert size == pytest.approx(25.0 * scale / 100.0, rel=0.02)
        cut = [one for one in (await on_screen(page))["cut"] if one[1] in BAND]
        assert cut == []
        box = await page.locator(".map").bounding_box()
        assert box is not None
        assert box["height"] > (380 if scale <= 100 else 250)


async def test_a_laptop_window_under_an_alarm_keeps_its_map(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=PHASES["alarm"])
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, size=(1366, 633))).page
        await expect(page.locator(".alarm")).to_be_visible()
        box = await page.locator(".map").bounding_box()
        assert box is not None
        assert box["height"] >= 400
