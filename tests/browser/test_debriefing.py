"""The debrief that is opened from a replay: made by the real command, in a process of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Browser, expect

from server.commands.debriefing import Debriefing
from server.journal.text import format_line
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.keys import Keys
from server.screen.replay_routes import Recorded
from server.session.moments import Moments
from tests.browser.conftest import PATIENCE_MS
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving, until
from tests.session.running import leeward
from tests.session.test_replay import FLIGHT

expect.set_options(timeout=PATIENCE_MS)

KEYS = Keys("the-watchers-own-key", "the-crews-own-key")


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "made.log"
    path.write_text("\n".join(["# name: made", *map(format_line, FLIGHT)]) + "\n")
    return path


async def test_a_replay_opens_its_debrief(browser: Browser, log: Path) -> None:
    async with leeward("replay", str(log), "--speed", "60") as running:
        context = await browser.new_context(service_workers="block", timezone_id="Asia/Kolkata")
        await context.add_init_script(
            "try { sessionStorage.setItem('leeward.notice', 'seen') } catch {}"
        )
        page = await context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        complaints: list[str] = []
        page.on("pageerror", lambda error: complaints.append(str(error)))
        await page.goto(running.address + "/")
        await page.locator(".more summary").click()
        async with context.expect_page() as opening:
            await page.get_by_role("link", name="Open the debrief").click()
        debrief = await opening.value
        debrief.on("pageerror", lambda error: complaints.append(str(error)))
        await debrief.wait_for_url("**/debrief/made.html")
        await expect(debrief.locator("h1")).to_contain_text("made")
        await expect(debrief.locator(".leaflet-container")).to_be_visible()
        # in the reader's own zone, whatever that of the station is (IANA: IST, +05:30)
        await expect(debrief.locator("main")).to_contain_text("All times are IST (UTC+05:30)")
        # it has no origin here: it reaches neither the station nor what this browser keeps of it
        asked = "fetch('/api/state').then(() => 'read', () => 'refused')"
        assert await debrief.evaluate(asked) == "refused"
        assert await debrief.evaluate("origin") == "null"
        # and the replay goes on meanwhile
        assert (await running.state())["replay"] is not None
        assert complaints == []
    assert not list(log.parent.glob("*.html")), "nothing is left beside the recording"


async def test_what_cannot_be_made_says_why_and_is_tried_again(tmp_path: Path) -> None:
    debriefing = Debriefing(tmp_path / "none.log", None)
    debriefing.begin()
    assert debriefing.standing()["state"] == "making"
    await until(lambda: debriefing.standing()["state"] == "failed")
    assert "none.log" in str(debriefing.standing()["why"])
    debriefing.begin()
    assert debriefing.standing()["state"] == "making"
    assert debriefing.read("../none.log") is None
    await debriefing.close()  # in the middle of it: its process ends


async def test_it_is_the_crews(open_page: Any, tmp_path: Path) -> None:
    async def moments() -> Moments:
        return Moments((), ())

    debriefing = Debriefing(tmp_path / "none.log", None)
    told = ScreenSettings(keys=KEYS, guarded=True)
    recorded = Recorded(moments, debriefing)
    app = create_app(DemoFeed("replay", 600.0), settings=told, recorded=recorded)
    async with serving(app) as port:
        page = (await open_page(port, f"/#key={KEYS.watch}")).page
        await page.wait_for_selector("body[data-role='watch']")
        await expect(page.locator(".jump-tools")).to_be_hidden()
        for path, method in (
            ("/debrief", "GET"),
            ("/debrief/a.html", "GET"),
            ("/api/debrief", "POST"),
        ):
            asked = f"fetch('{path}', {{ method: '{method}' }}).then((reply) => reply.status)"
            assert await page.evaluate(asked) == 403
    async with serving(create_app(DemoFeed())) as port:  # a live station has none
        page = (await open_page(port)).page
        assert await page.evaluate("fetch('/debrief').then((reply) => reply.status)") == 404
        moments_of_it = await page.evaluate("fetch('/api/moments').then((reply) => reply.json())")
        assert moments_of_it == {"flights": [], "alarms": []}
