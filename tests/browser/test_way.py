"""The demo flight over a valley: the way over real roads on the page, with the reader process behind it."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import zxingcpp
from PIL import Image
from playwright.async_api import expect

from server.flight.times import parse_time
from tests.browser.conftest import PATIENCE_MS, PHONE
from tests.session.running import leeward


def port_of(address: str) -> int:
    port = urlsplit(address).port
    assert port is not None
    return port


FALLING = "2026-06-13T07:36:00Z"


async def test_the_way_over_the_roads_of_the_valley(open_page: Any, tmp_path: Any) -> None:
    async with leeward("replay", "valley", "--speed", "1") as running:
        async with httpx.AsyncClient(base_url=running.address, timeout=60.0) as client:
            seek = {"action": "seek", "value": parse_time(FALLING) / 1000.0}
            asked = await client.post(
                "/api/replay", json=seek, headers={"Origin": str(client.base_url)}
            )
            assert asked.is_success
        watched = await open_page(port_of(running.address), zone="Europe/Vaduz")
        card = watched.page.locator('[data-panel="way"]')
        await expect(card).to_contain_text("Where to wait", timeout=PATIENCE_MS)
        await expect(card).to_contain_text("From Car 1’s position")
        for name in ("Drive", "Over the area", "Before it lands", "Leave by, for 9 in 10", "Then"):
            await expect(card.locator("dt", has_text=name).first).to_be_visible()
        await expect(card.locator(".turn").first).to_contain_text("Start on")
        await expect(watched.page.locator(".credits")).to_contain_text(
            "© OpenStreetMap contributors"
        )
        assert await watched.page.locator("path.road-way").count() == 2
        # the other car's way
        await card.get_by_role("button", name="Car 2").click()
        await expect(card).to_contain_text("From Car 2’s position")
        # to a phone: the code, the link and the words say the same place
        await card.get_by_text("Hand over to a phone").click()
        link = await card.get_by_role("link", name="OpenStreetMap").get_attribute("href")
        place = {k: float(v[0]) for k, v in parse_qs(urlsplit(link).query).items()}
        told = await card.locator(".handed-text").inner_text()
        assert "Wren 3 lands about" in told
        assert f"drive to {place['mlat']:.5f}, {place['mlon']:.5f}" in told
        assert "as of" in told
        code = card.locator(".handed-code")
        await code.scroll_into_view_if_needed()
        await code.screenshot(path=tmp_path / "code.png")
        (read,) = zxingcpp.read_barcodes(Image.open(tmp_path / "code.png"))
        latitude_deg, longitude_deg = map(float, read.text.removeprefix("geo:").split(",")[:2])
        assert abs(latitude_deg - place["mlat"]) < 1e-5
        assert abs(longitude_deg - place["mlon"]) < 1e-5
        # how far, as lines on the map
        await card.get_by_role("button", name="How far in").click()
        await expect(watched.page.locator("path.road-reach").first).to_be_attached(
            timeout=PATIENCE_MS
        )
        watched.assert_quiet(port_of(running.address))


async def test_on_a_phone_it_stands_with_the_landing(open_page: Any) -> None:
    async with leeward("replay", "valley", "--speed", "1") as running:
        async with httpx.AsyncClient(base_url=running.address, timeout=60.0) as client:
            seek = {"action": "seek", "value": parse_time(FALLING) / 1000.0}
            await client.post("/api/replay", json=seek, headers={"Origin": str(client.base_url)})
        watched = await open_page(port_of(running.address), size=PHONE)
        await watched.page.locator(".tabs button", has_text="Landing").click()
        card = watched.page.locator('[data-panel="way"]')
        await expect(card).to_contain_text("Where to wait", timeout=PATIENCE_MS)
        await expect(card).to_be_visible()
        assert await watched.page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
