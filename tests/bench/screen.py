"""The page in Debian's chromium, without a graphics processor: weight, first figures, frames, memory.

A made flight of three hours and three trackers, 10,000 fixes. `--seconds` is how long the
page stays open through replays at 60 times real speed, two at least (360 s). `--against COMMIT`
drives that commit's page and this one's in turns instead.
"""

from __future__ import annotations

import asyncio
import contextlib
import statistics
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from playwright.async_api import Browser, CDPSession, Page, async_playwright

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.screen.app import create_app
from server.session.replay import Replay
from tests.bench._processor import newest_chromium, processor_s
from tests.bench._screen_against import in_turns
from tests.browser.conftest import WIDE
from tests.chromium import CHROMIUM, CHROMIUM_ARGS
from tests.flights import LAUNCH, packet
from tests.machine import require
from tests.screen.serving import serving, until
from tests.seen import seen

FLIGHT_S = 10_800.0
FIXES = 10_000
TRACKERS = ("N0CALL-11", "N0CALL-12", "N0CALL-13")
COLD_STARTS = 5
PAGE_BYTES = 4_096
FOLLOWED_S = 60.0
SPEED = 60.0
ROUNDS = 6  # of dragging and zooming
REQUIRED = {
    "page weight, compressed kB": 400,
    "first useful paint s": 1.5,
    "frame 95 % ms": 50,
    "memory after the last replay / after the first": 1.2,
}

# when the first answer has been painted, in ms since the navigation began
FIRST_FIGURE = """
new MutationObserver((_, watching) => {
  if (!document.querySelector('[data-answer=when] .figure:not(:empty)')) return;
  watching.disconnect();
  setTimeout(() => { window.firstFigure = performance.now(); }); // the task after its frame
}).observe(document, { subtree: true, childList: true, characterData: true });
sessionStorage.setItem('leeward.notice', 'seen');
"""
COUNT_FRAMES = """() => {
  const frames = [];
  let before = performance.now();
  let on = true;
  const count = (now) => { frames.push(now - before); before = now; if (on) requestAnimationFrame(count); };
  requestAnimationFrame(count);
  window.frames_ms = () => { on = false; return frames.slice(1); };
}"""


def run(seconds: float = 360.0, against: str | None = None) -> dict[str, Any]:
    """Figures beside what is wanted of them."""
    if against is not None:
        return in_turns(against, _followed_and_dragged)
    return asyncio.run(_measure(seconds)) | {"required below": REQUIRED}


async def _measure(seconds: float) -> dict[str, Any]:
    feed = Replay(receptions(), PLAN, name="bench", speed=1.0, clock=time.monotonic)
    playing = asyncio.create_task(feed.run())
    figures: dict[str, Any] = {"fixes": FIXES}
    try:
        async with serving(create_app(feed)) as port:
            address = f"http://127.0.0.1:{port}/"
            await feed.control("seek", feed.end_s - 600.0)
            await until(lambda: seen(feed.state())["landing"] is not None)
            figures |= await _cold_starts(address)
            async with _browser() as browser:
                figures |= await _frames(await _open(browser, address))
            async with _browser() as browser:
                figures |= await _memory(browser, address, feed, seconds)
    finally:
        playing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await playing
        feed.close()
    return figures


PLAN = Plan(
    flights=(
        FlightPlan(
            name="Bench",
            launch=LaunchPlan(*LAUNCH),
            trackers=tuple(TrackerPlan(name, name) for name in TRACKERS),
        ),
    )
)


def receptions() -> list[Reception]:
    every_s = FLIGHT_S / FIXES
    return [packet(n * every_s, TRACKERS[n % len(TRACKERS)]) for n in range(FIXES)]


@contextlib.asynccontextmanager
async def _browser() -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        path = require(CHROMIUM)
        browser = await playwright.chromium.launch(executable_path=path, args=CHROMIUM_ARGS)
        try:
            yield browser
        finally:
            await browser.close()


async def _open(browser: Browser, address: str) -> Page:
    page = await browser.new_page(viewport={"width": WIDE[0], "height": WIDE[1]})
    await page.add_init_script(FIRST_FIGURE)
    await page.goto(address)
    await page.wait_for_function("() => window.firstFigure > 0")
    return page


async def _cold_starts(address: str) -> dict[str, Any]:
    """A browser started anew each time: nothing is in any cache."""
    paints_s, weight = [], 0.0
    for _ in range(COLD_STARTS):
        async with _browser() as browser:
            page = await browser.new_page(viewport={"width": WIDE[0], "height": WIDE[1]})
            await page.add_init_script(FIRST_FIGURE)
            session = await page.context.new_cdp_session(page)
            await session.send("Network.enable")
            sizes: list[float] = []
            session.on(
                "Network.loadingFinished", lambda e, to=sizes: to.append(e["encodedDataLength"])
            )
            await page.goto(address)
            await page.wait_for_function("() => window.firstFigure > 0")
            paints_s.append(await page.evaluate("() => window.firstFigure") / 1000)
            await page.wait_for_load_state("networkidle")
            weight = sum(sizes)
    return {
        "page weight, compressed kB": round(weight / 1000, 1),
        "first useful paint s": round(statistics.median(paints_s), 3),
        "first useful paint, worst of 5 s": round(max(paints_s), 3),
    }


async def _frames(page: Page) -> dict[str, Any]:
    """All fixes of all trackers shown, new ones arriving; the reader drags and zooms."""
    for row in await page.locator(".expander").all():
        await row.click()
    for show in await page.locator(".details button").all():
        await show.click()
    await page.evaluate(COUNT_FRAMES)
    await page.mouse.move(400, 350)
    for n in range(ROUNDS):
        await page.mouse.down()
        await page.mouse.move(400 + 150 * (-1) ** n, 280, steps=40)
        await page.mouse.move(400, 350, steps=40)
        await page.mouse.up()
        for _ in range(4):
            await page.mouse.wheel(0, -240 if n % 2 else 240)
            await page.evaluate("() => new Promise((done) => setTimeout(done, 250))")
        await page.mouse.move(1_150, 500)
        await page.mouse.wheel(0, 400)  # the panels
        await page.mouse.move(400, 350)
    frames = sorted(await page.evaluate("() => window.frames_ms()"))
    return {
        "frames": len(frames),
        "frame median ms": round(statistics.median(frames), 1),
        "frame 95 % ms": round(frames[int(0.95 * len(frames))], 1),
        "frame worst ms": round(frames[-1], 1),
    }


async def _followed_and_dragged(address: str) -> dict[str, float]:
    """A minute of a flight at 30 times real speed, then what the reader does."""
    async with _browser() as browser:
        page = await _open(browser, address)
        await page.wait_for_timeout(3_000)  # what it takes to begin
        browser_id = newest_chromium()
        began_s, spent_s = time.monotonic(), processor_s(browser_id)
        await page.wait_for_timeout(1e3 * FOLLOWED_S)
        share = (processor_s(browser_id) - spent_s) / (time.monotonic() - began_s)
        spent_s = processor_s(browser_id)
        frames = await _frames(page)
        return {
            "processor share while it follows, %": 100 * share,
            "processor s of dragging": processor_s(browser_id) - spent_s,
        } | frames


async def _memory(browser: Browser, address: str, feed: Replay, seconds: float) -> dict[str, Any]:
    """Left open through replays of the whole flight, one after another."""
    await feed.control("seek", feed.start_s)
    page = await _open(browser, address)
    session = await page.context.new_cdp_session(page)
    replay_s = FLIGHT_S / SPEED
    seen = []
    for _ in range(max(2, round(seconds / replay_s))):
        await feed.control("seek", feed.start_s)
        await feed.control("speed", SPEED)
        await until(lambda: feed.position_s >= feed.end_s, patience_s=replay_s + 60)
        await page.wait_for_timeout(3_000)
        seen.append(await _held(session))
    megabytes = [one["heap MB"] for one in seen]
    return {
        "replays": len(seen),
        "memory after the first replay": seen[0],
        "memory after the last": seen[-1],
        "largest heap MB after one": max(megabytes),
        "memory after the last replay / after the first": round(megabytes[-1] / megabytes[0], 3),
    }


async def _held(session: CDPSession) -> dict[str, Any]:
    """What is still held after the garbage has been collected."""
    for _ in range(2):
        await session.send("HeapProfiler.collectGarbage")
    heap = await session.send("Runtime.getHeapUsage")
    counts = await session.send("Memory.getDOMCounters")
    return {
        "heap MB": round(heap["usedSize"] / 1e6, 2),
        "nodes": counts["nodes"],
        "listeners": counts["jsEventListeners"],
        "largest renderer MB": round(_largest_renderer_bytes() / 1e6, 1),
    }


def _largest_renderer_bytes() -> int:
    """Resident bytes of chromium's largest renderer: our page's."""
    found = [0]
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if b"--type=renderer" in (process / "cmdline").read_bytes():
                found.append(int((process / "statm").read_text().split()[1]) * PAGE_BYTES)
    return max(found)
