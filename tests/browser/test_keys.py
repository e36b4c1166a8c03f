"""A reader with a link: the key is asked for once, a watcher is offered nothing, the crew hands on."""

from __future__ import annotations

import io
import re
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio
import zxingcpp
from PIL import Image
from playwright.async_api import Browser, Page, expect

from tests.browser.conftest import PATIENCE_MS, PHONE, WIDE
from tests.flights import T0
from tests.session.running import Running, Tnc, leeward
from tests.session.test_live import line_at, shift_to_now
from tests.sync.test_stations import PLAN, TNC

CREW, WATCH = "the-crews-own-key", "the-watchers-own-key"
FLOWN_S = 6_000.0


@pytest_asyncio.fixture(loop_scope="session")
async def guarded(tmp_path: Path) -> AsyncIterator[Running]:
    """A station with HTTPS, a burst and an alarm, that asks everybody for a key."""
    assert T0 > 0
    plan = tmp_path / "tern.toml"
    shift_s = shift_to_now(FLOWN_S)
    async with Tnc() as tnc:
        early = "[balloon]\nburst_altitude_m = 34_000\nburst_altitude_sigma_m = 500\n"
        plan.write_text(PLAN + early + TNC.format(port=tnc.port))
        async with leeward("live", str(plan), "--host", "0.0.0.0", "--https", key=CREW) as running:
            running.address = running.address.replace("http:", "https:")
            for i in range(0, 6_000, 60):
                await tnc.send(line_at(float(i), shift_s))
            await running.until(lambda s: any(a["kind"] == "burst" for a in s["alarms"]))
            yield running


async def opened(browser: Browser, size: tuple[int, int] = WIDE) -> tuple[Page, list[str]]:
    context = await browser.new_context(
        viewport={"width": size[0], "height": size[1]}, ignore_https_errors=True
    )
    await context.add_init_script("sessionStorage.setItem('leeward.notice', 'seen')")
    page = await context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    return page, asked


async def test_a_link_opens_the_flight_and_leaves_no_key_behind(
    browser: Browser, guarded: Running
) -> None:
    page, asked = await opened(browser)
    await page.goto(guarded.address + "/")
    await expect(page.locator("h1")).to_have_text("A key is needed")
    await page.fill("#key", "a-wrong-key-of-somebody")
    await page.click("#open")
    await expect(page.locator("#status")).to_contain_text("opens nothing here")
    await page.goto(f"{guarded.address}/#key={WATCH}")
    await expect(page.locator(".flight-name")).to_have_text("Tern test")
    assert "#" not in page.url
    assert await page.evaluate("isSecureContext"), "so that phones give their position"
    await page.wait_for_selector("body[data-role='watch']")
    await page.goto("about:blank")
    await page.goto(f"{guarded.address}/#key={CREW}")  # and with the crew's link it is crew
    await page.wait_for_selector("body[data-role='crew']")
    assert not any(key in url for url in asked for key in (WATCH, CREW) if "#" not in url)


async def test_a_watcher_is_offered_nothing_that_the_station_would_refuse(
    browser: Browser, guarded: Running
) -> None:
    page, _ = await opened(browser)
    await page.goto(f"{guarded.address}/#key={WATCH}")
    await expect(page.locator("section.alarm")).to_be_visible()
    await page.wait_for_selector("body[data-role='watch']")
    for offered in await page.locator(".crew-only").all():
        await expect(offered).to_be_hidden()
    refused = await page.evaluate(
        "fetch('/api/acknowledge', {method: 'POST', body: '{\"id\": \"x\"}'}).then(r => r.status)"
    )
    assert refused == 403


@pytest.mark.parametrize("size", [WIDE, PHONE])
async def test_the_crew_hands_links_on_as_codes(
    browser: Browser, guarded: Running, size: tuple[int, int], tmp_path: Path
) -> None:
    page, _ = await opened(browser, size)
    await page.goto(f"{guarded.address}/#key={CREW}")
    await page.wait_for_selector("body[data-role='crew'][data-links]")
    if size == WIDE:
        await expect(page.locator("section.alarm button").first).to_be_visible()
        await page.get_by_role("link", name="Links to hand on").click()
    else:
        await page.goto(f"{guarded.address}/links")
    codes = page.locator("#links img")
    await expect(codes).to_have_count(2)
    texts = await page.locator(".link-text").all_text_contents()
    for code, text in zip(await codes.all(), texts, strict=True):
        await code.scroll_into_view_if_needed()
        shot = await code.screenshot()
        (found,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(shot)))
        assert found.text == text
    assert re.fullmatch(rf"https://[^/]+/#key={WATCH}", texts[0])
    assert "127.0.0.1" not in texts[0], "of no use to another device"
    width = await page.evaluate("document.documentElement.scrollWidth")
    assert width <= size[0], "nothing sticks out of a phone"
    other, _ = await opened(browser)
    await other.goto(texts[0])
    await expect(other.locator(".flight-name")).to_have_text("Tern test")
