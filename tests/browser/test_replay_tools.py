"""A replay as a tool: jumps, values under the cursor, speed, a link to a moment, an end in the air."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from playwright.async_api import expect

from server.flight.times import moment
from server.journal.recording import DEMO_LOG, read_recording
from server.plan.file import load
from server.screen.app import create_app
from server.screen.replay_routes import Recorded
from server.session.replay import Replay
from tests.browser.conftest import PATIENCE_MS
from tests.browser.test_axe import violations
from tests.screen.demo_feed import BURST_S, LAUNCH_S
from tests.screen.serving import serving, until

expect.set_options(timeout=PATIENCE_MS)


def replay(until_s: float = 1e12, speed: float = 60.0) -> Replay:
    """The demo flight, standing at its start, as far as it was heard then."""
    plan = load(Path(DEMO_LOG).with_suffix(".toml")).for_flight()
    heard = [r for r in read_recording(DEMO_LOG).receptions if r.heard_at_s <= until_s]
    return Replay(heard, plan, name="demo.log", speed=speed, clock=lambda: 0.0)


@pytest_asyncio.fixture(scope="module", loop_scope="session")
async def whole() -> AsyncIterator[Replay]:
    player = replay()
    await player.control("pause", None)
    yield player
    player.close()


async def test_jumps_to_events_and_alarms(whole: Replay, open_page: Any) -> None:
    async with serving(create_app(whole, recorded=Recorded(whole.moments))) as port:
        watched = await open_page(port)
        page = watched.page
        found = await whole.moments()
        events: dict[str, float] = {
            event.kind: event.time.timestamp() for event in found.flights[0].events
        }
        for text, kind in (
            ("Burst at", "burst"),
            ("At rest", "landing"),
            ("Launched at", "launch"),
        ):
            option = page.locator(".jumps option", has_text=text).first
            await expect(option).to_have_count(1)
            await page.locator(".jumps").select_option(value=await option.get_attribute("value"))
            await until(lambda at=events[kind]: 0.0 <= whole.position_s - at < 1.0)  # type: ignore[misc]
        jumped: list[str] = []
        for (
            seen
        ) in found.alarms:  # each of them; backwards a replay begins again, which takes seconds
            alarm, at_s = seen.alarm, seen.seen.timestamp()
            value = f"{at_s + 0.5:.3f}".rstrip("0").rstrip(".")
            option = page.locator(f".jumps option[value='{value}']", has_text="Alarm")
            await expect(option.first).to_have_count(1)
            if at_s < whole.position_s:
                continue
            await page.locator(".jumps").select_option(value=value)
            await until(lambda at=at_s: 0.0 <= whole.position_s - at < 1.0)  # type: ignore[misc]
            assert alarm.id in {one.id for one in whole.state().alarms}
            jumped.append(alarm.kind)
        assert "landed" in jumped
        await page.locator(".more summary").click()
        assert await violations(page) == []
        # nothing is pushed out of the page by the tools
        assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        watched.assert_quiet(port)


async def test_the_speed_that_it_was_begun_with(whole: Replay, open_page: Any) -> None:
    async with serving(create_app(whole)) as port:
        page = (await open_page(port)).page
        begun = page.get_by_role("button", name="60 times as fast")
        await expect(begun).to_have_attribute("aria-pressed", "true")
        await page.get_by_role("button", name="30 times as fast").click()
        await expect(begun).to_have_attribute("aria-pressed", "false")
        await begun.click()
        await expect(begun).to_have_attribute("aria-pressed", "true")
        await until(lambda: whole.state().replay.speed == 60.0)  # type: ignore[union-attr]


async def test_values_under_the_cursor(whole: Replay, open_page: Any) -> None:
    await whole.control("seek", LAUNCH_S + 3_000.0)
    whole.settle_landing()
    async with serving(create_app(whole)) as port:
        page = (await open_page(port)).page
        box = await page.locator(".u-over").bounding_box()
        assert box is not None

        async def at(since_launch_s: float) -> str:
            start_s, end_s = whole.start_s, whole.end_s
            part = (LAUNCH_S + since_launch_s - start_s) / (end_s - start_s)
            await page.mouse.move(box["x"] + part * box["width"], box["y"] + 60)
            return str(await page.locator(".readout").inner_text())

        text = await at(1_500.0)
        found = re.fullmatch(r"08:2(\d):\d\d CDT: ([\d,]+)\sm", text)
        assert found is not None, text
        row = min(
            whole.history().tracks["Tern 7"], key=lambda row: abs(row[0] - LAUNCH_S - 1_500.0)
        )
        assert float(found[2].replace(",", "")) == pytest.approx(row[3], abs=150.0)
        assert "predicted" in await at(4_500.0)
        await page.get_by_role("button", name="Climb").click()
        assert re.search(r": −?\d+(\.\d)?\sm/s$", await at(1_500.0))
        await page.mouse.move(5, 5)
        await expect(page.locator(".readout")).to_have_text("")


async def test_a_link_that_opens_at_a_moment(whole: Replay, open_page: Any) -> None:
    await whole.control("seek", LAUNCH_S + 3_000.0)
    async with serving(create_app(whole)) as port:
        watched = await open_page(port, permissions=["clipboard-read", "clipboard-write"])
        page = watched.page
        await page.locator(".more summary").click()
        await page.get_by_role("button", name="Copy a link to this moment").click()
        link = await page.evaluate("navigator.clipboard.readText()")
        assert re.fullmatch(rf"http://127\.0\.0\.1:{port}/#at=2026-06-06T13:50:0\dZ", link)
        await whole.control("seek", LAUNCH_S)
        await page.goto("about:blank")
        await page.goto(link)
        await until(lambda: abs(whole.position_s - LAUNCH_S - 3_000.0) < 2.0)
        await expect(page.locator(".moment")).to_contain_text("08:50:0")
        await page.wait_for_function("() => location.hash === ''")  # a reload stays where it is
        await page.goto("about:blank")
        await page.goto(f"http://127.0.0.1:{port}/#at=rubbish")
        await expect(page.locator(".moment")).to_contain_text("08:50:0")


async def test_a_log_that_ends_in_the_air_keeps_its_prediction(open_page: Any) -> None:
    player = replay(LAUNCH_S + BURST_S + 600.0)
    await player.control("seek", player.end_s)
    await player.control("pause", None)
    player.settle_landing()
    landing = player.state().flights[0].landing
    assert landing is not None
    assert landing.time > moment(player.end_s)
    assert (await player.moments()).flights[0].ends_in_the_air
    async with serving(create_app(player, recorded=Recorded(player.moments))) as port:
        page = (await open_page(port)).page
        # where the landing's own time stands on the axis, the prediction is still drawn
        await page.wait_for_function("() => document.querySelectorAll('.jumps option').length > 1")
        box = await page.locator(".u-over").bounding_box()
        assert box is not None
        readout = page.locator(".readout")
        for left in (12, 13):  # the chart is drawn again at most every 0.4 s
            await page.mouse.move(box["x"] + box["width"] - left, box["y"] + 60)
            await page.wait_for_timeout(600)
        await expect(readout).to_contain_text("predicted")
        told = await readout.inner_text()
        last = re.match(r"(\d\d:\d\d)", told)
        assert last is not None
        assert last[1] >= f"{(landing.time.hour - 5):02d}:{landing.time.minute - 2:02d}"
    player.close()
