"""The line to the station: lost, said, found again without a reload. And the other pages."""

import json
import re
from dataclasses import replace
from typing import Any

from playwright.async_api import WebSocket, expect

from server.flight.inputs import FlightPlan, Plan
from server.flight.mission import Mission
from server.flight.mission_state import Problem, ProblemKind
from server.flight.times import moment
from server.flight.view.snapshot import snapshot
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.feed import History
from server.screen.hub import Client
from server.screen.messages import Resume
from tests.browser.conftest import PATIENCE_MS
from tests.screen import demo_feed as flight
from tests.screen.demo_feed import TOKEN, DemoFeed, height_text
from tests.screen.serving import serving, until

expect.set_options(timeout=PATIENCE_MS)


async def test_the_station_is_killed_and_comes_back(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await expect(page.locator(".lost-strip")).to_be_hidden()
    # the server is gone
    await expect(page.locator(".lost-strip")).to_be_visible()
    await expect(page.locator(".lost-strip")).to_contain_text("Station lost for")
    height = page.locator("[data-answer=height]")
    await expect(height).to_contain_text(height_text(feed))  # the last state is kept
    heard = page.locator(".reporting-age").first
    first = await heard.inner_text()
    await expect(heard).not_to_have_text(first)  # and goes on ageing
    feed.go(2_400)
    async with serving(create_app(feed), port):
        await expect(page.locator(".lost-strip")).to_be_hidden()
        await expect(height).to_contain_text(height_text(feed))


async def test_a_broken_line_is_resumed_not_begun_again(open_page: Any, monkeypatch: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    app = create_app(feed)
    hub = app.state.hub
    clients: list[Client] = []
    join = hub.join

    def joining(resume: Resume) -> Client:
        clients.append(join(resume))
        return clients[-1]

    monkeypatch.setattr(hub, "join", joining)
    said: list[str | bytes] = []
    heard: list[str | bytes] = []

    def listen(line: WebSocket) -> None:
        line.on("framesent", lambda text: said.append(text))  # noqa: PLW0108 - playwright marks its handlers
        line.on("framereceived", lambda text: heard.append(text))  # noqa: PLW0108 - the same

    async with serving(app) as port:
        watched = await open_page(port)
        watched.page.on("websocket", listen)
        for client in clients:
            client.dropped.set()
        await until(lambda: len(heard) > 0)
        assert json.loads(said[0])["session"] == hub.session
        assert json.loads(heard[0])["kind"] in ("update", "beat"), "what was missed, not all"
        feed.go(2_400)
        height = watched.page.locator("[data-answer=height]")
        await expect(height).to_contain_text(height_text(feed))
        await expect(watched.page.locator(".lost-strip")).to_be_hidden()


async def test_old_evidence_looks_old(open_page: Any) -> None:
    """The main tracker sinks behind the horizon: every figure that rests on it says so."""
    landed_s = flight.LANDED_S + 60.0
    feed = DemoFeed(since_launch_s=landed_s)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        for name in ("headline", "when", "where", "height"):
            cell = page.locator(f"[data-answer={name}]")
            await expect(cell).to_have_attribute("data-stale", "true")
            await expect(cell).to_contain_text(re.compile("ago|old|silent"))
        await expect(page.locator("[data-panel=landing] .card-aside")).to_contain_text("old: 3 min")


async def test_a_car_that_was_heard_long_ago_says_so(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    old = moment(feed.now_s - 720)
    feed.changes["vehicles"] = tuple(replace(car, time=old) for car in feed.state().vehicles)
    async with serving(create_app(feed)) as port:
        page = (await open_page(port)).page
        told = {"where": "position 12\u00a0min old", "headline": "position 12\u00a0min old"}
        for name, age in told.items():
            cell = page.locator(f"[data-answer={name}]")
            await expect(cell).to_have_attribute("data-stale", "true")
            await expect(cell).to_contain_text(age)


async def test_a_replay_is_scrubbed(open_page: Any) -> None:
    feed = DemoFeed("replay", since_launch_s=1_800)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await expect(page.locator(".mode")).to_have_text("Replay")
        surface = page.get_by_role("slider", name="Moment of the replay")
        box = await surface.bounding_box()
        assert box is not None
        y = box["y"] + box["height"] / 2
        await page.mouse.click(box["x"] + box["width"] * 0.75, y)  # after the burst
        await expect(page.locator("[data-answer=height]")).to_contain_text("descending")
        await page.mouse.click(box["x"] + box["width"] * 0.3, y)  # before it
        await expect(page.locator("[data-answer=height]")).to_contain_text("ascending")
        before_s = feed.now_s
        await surface.press("ArrowRight")
        await until(lambda: feed.now_s == before_s + 60)
        await page.get_by_role("button", name="30 times as fast").click()
        await page.get_by_role("button", name="Play", exact=True).click()
        await expect(page.get_by_role("button", name="Pause", exact=True)).to_be_visible()
        assert feed.speed == 30
        watched.assert_quiet(port)


async def test_a_phone_saves_up_and_sends(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=8_000)
    place = {"latitude": 37.9487, "longitude": -97.9448, "accuracy": 8.0}
    granted = {"geolocation": place, "permissions": ["geolocation"]}
    async with serving(create_app(feed)) as port:
        path = f"/beacon/{TOKEN}"
        watched = await open_page(port, path, ready="#start", **granted)
        page = watched.page
        assert feed.received == []  # nothing before a person starts it
        await page.get_by_role("button", name="Start on the ground").click()
        await until(lambda: len(feed.received) == 1)
        source, body = feed.received[0]
        assert source == "phone-1"
        assert b'"latitude":37.9487' in body
        await expect(page.locator("#status")).to_contain_text("Sending")
        await expect(page.locator("#saved")).to_have_text("0")
        watched.assert_quiet(port)


async def test_a_phone_in_the_air_is_silent(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=8_000)
    fast = """() => {
      const coords = {latitude: 37.9, longitude: -98, altitude: 9000, accuracy: 10, speed: 70};
      navigator.geolocation.watchPosition = (found) => {
        setTimeout(() => found({timestamp: Date.now(), coords}));
        return 1;
      };
    }"""
    async with serving(create_app(feed)) as port:
        watched = await open_page(port, f"/beacon/{TOKEN}", ready="#start")
        await watched.page.evaluate(fast)
        await watched.page.get_by_role("button", name="Start on the ground").click()
        await expect(watched.page.locator("#status")).to_contain_text("in the air")
        assert feed.received == []
        assert await watched.page.evaluate("localStorage.length") == 0


async def test_a_station_that_has_heard_nothing(open_page: Any, monkeypatch: Any) -> None:
    feed = DemoFeed()
    untold = Problem(ProblemKind.MAP_UNUSED, detail="No tracker is named")
    plan = Plan(flights=(FlightPlan(name="Nothing yet"),))
    nothing = replace(snapshot(Mission(plan)), mode="live", problems=(untold,))
    monkeypatch.setattr(feed, "state", lambda: nothing)
    empty = History(tracks={}, fixes={}, vehicles={}, sensors={})
    monkeypatch.setattr(feed, "history", lambda: empty)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        for name in ("when", "where", "height"):
            await expect(watched.page.locator(f"[data-answer={name}]")).to_contain_text("not known")
        await expect(watched.page.locator("[data-answer=contact]")).to_contain_text("none yet")
        await expect(watched.page.locator("[data-answer=headline]")).to_contain_text("Not ready")
        await expect(watched.page.locator(".problems")).to_have_text("No tracker is named.")
        strip = watched.page.locator(".problem-strip")  # seen at once, whatever is scrolled away
        await expect(strip).to_contain_text("No tracker is named.")
        await strip.get_by_role("button", name="Seen").click()
        await expect(strip).to_be_hidden()
        watched.assert_quiet(port)


async def test_a_page_that_gets_no_socket_polls(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    async with serving(create_app(feed, settings=ScreenSettings(max_clients=0))) as port:
        watched = await open_page(port, ready=".band")
        page = watched.page
        height = page.locator("[data-answer=height]")
        await expect(height).to_contain_text(height_text(feed))
        await expect(page.locator(".lost-strip")).to_be_hidden()
        feed.go(2_400)
        await expect(height).to_contain_text(height_text(feed))


async def test_a_rehearsal_says_so_across_the_page(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        strip = watched.page.locator(".mode-strip")
        await expect(strip).to_be_hidden()
        feed.changes = {"mode": "rehearsal"}
        feed.changed()
        await expect(strip).to_contain_text("Nothing is in the air")
        await expect(watched.page.locator(".mode")).to_have_text("Rehearsal")
        await expect(watched.page).to_have_title(re.compile("^Rehearsal: "))
