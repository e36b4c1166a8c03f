"""The whole line at once: a serial TNC, a real gpsd, the real station, a real browser."""

from __future__ import annotations

import asyncio
import os
import time
from pathlib import Path
from typing import Any

from playwright.async_api import expect

from tests.browser.conftest import PATIENCE_MS
from tests.flights import LAUNCH, T0, information, position_at
from tests.session.running import kiss, leeward
from tests.sources.real_gpsd import drive, real_gpsd

PLAN = """
[flight]
name = "Tern test"
[launch]
latitude_deg = {latitude_deg}
longitude_deg = {longitude_deg}
altitude_m = {altitude_m}
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
[[trackers]]
name = "Backup"
role = "backup"
callsign = "N0CALL-12"
[[sources]]
name = "tnc"
kind = "kiss-serial"
device = "{device}"
[[sources]]
name = "gps"
kind = "gpsd-tcp"
host = "127.0.0.1"
port = {gpsd}
[[vehicles]]
name = "Car 1"
source = "gps"
own = true
[alarms]
silent_after_intervals = 2
"""


INTERVAL_S = 5.0  # short, so that a silence is soon a long one


def frame(callsign: str, elapsed_s: float, shift_s: float) -> bytes:
    said = information(elapsed_s + shift_s, position_at(elapsed_s))
    return kiss(f"{callsign}>APZLWD:{said}".encode())


async def test_from_the_serial_port_to_the_page(open_page: Any, tmp_path: Path) -> None:
    now_s = time.time()
    log = tmp_path / "car.nmea"
    log.write_bytes(drive(900, round(now_s), LAUNCH[0] - 0.1, LAUNCH[1] + 0.2))
    master, slave = os.openpty()
    plan = tmp_path / "tern.toml"
    try:
        async with real_gpsd(log) as gpsd:
            plan.write_text(
                PLAN.format(
                    latitude_deg=LAUNCH[0],
                    longitude_deg=LAUNCH[1],
                    altitude_m=LAUNCH[2],
                    device=os.ttyname(slave),
                    gpsd=gpsd,
                )
            )
            async with leeward("live", str(plan)) as running:
                port = int(running.address.rpartition(":")[2])
                await running.until(
                    lambda s: all(e["state"] in ("open", "quiet") for e in s["sources"])
                )
                watched = await open_page(port)
                page = watched.page
                shift_s = now_s - T0 - 1_800.0
                flown_s = 0.0

                async def fly(until_s: float, *callsigns: str) -> None:
                    nonlocal flown_s
                    while flown_s < until_s:
                        for callsign in callsigns:
                            os.write(master, frame(callsign, flown_s, shift_s))
                        flown_s += INTERVAL_S
                        await asyncio.sleep(0.02)  # the pace of the line, not of the test

                await fly(900.0, "N0CALL-11", "N0CALL-12")
                height = page.locator("[data-answer=height]")
                # a quarter of an hour old, and not told as if it were now
                await expect(height).to_contain_text("Last height", timeout=PATIENCE_MS)
                await running.until(lambda s: s["phase"] == "ascent")
                await expect(page.locator("[data-panel=landing]")).to_contain_text("prediction")
                mark = page.locator(".mark-icon:has(.symbol-payload)")
                place = await mark.get_attribute("style")
                before = await height.inner_text()

                # what the crew says counts at once, and can be taken back
                await page.get_by_role("button", name="It has not launched").click()
                said = page.locator("[data-panel=flight] .said")
                await expect(said).to_contain_text("said: not launched")
                await running.until(lambda s: s["phase"] == "ground")
                await page.get_by_role("button", name="Take that back").click()
                await running.until(lambda s: s["phase"] == "ascent")
                await expect(said).not_to_contain_text("said:")

                await fly(1_800.0, "N0CALL-11")
                await page.wait_for_function(
                    "place => document.querySelector('.mark-icon:has(.symbol-payload)')"
                    ".getAttribute('style') !== place",
                    arg=place,
                )
                assert await height.inner_text() != before
                # the car, from the real gpsd
                state = await running.until(lambda s: s["vehicles"] and s["landing"])
                (car,) = state["vehicles"]
                assert car["own"]
                assert LAUNCH[0] - 0.11 < car["latitude_deg"] < LAUNCH[0]
                (way,) = state["ways"]
                assert way["vehicle"] == car["name"]
                assert way["drive_s"] > 0
                await expect(page.locator("[data-panel=vehicles]")).to_contain_text("Car 1")
                # not heard for more than twice its interval of 5 s
                backup = page.locator(".trackers tbody", has_text="Backup")
                await expect(backup).to_have_attribute("data-state", "silent", timeout=PATIENCE_MS)
                watched.assert_quiet(port)
    finally:
        os.close(master)
        os.close(slave)
