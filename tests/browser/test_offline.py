"""A page without its station, in a real browser: what it keeps, for whom, and that it looks old."""

from __future__ import annotations

import asyncio
import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI, Request
from playwright.async_api import Browser, Page, expect

from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.certificate import own_certificate, own_names
from server.screen.keys import Keys
from server.screen.serve import uvicorn_server
from tests.browser.conftest import PATIENCE_MS, PHONE
from tests.screen.demo_feed import DemoFeed, height_text
from tests.screen.serving import free_socket, serving, until
from tests.screen.test_keeping import our_own_files

expect.set_options(timeout=PATIENCE_MS)

KEYS = Keys("the-watchers-own-key", "the-crews-own-key")
OTHER_KEYS = Keys("another-watchers-key", "another-crews-key")
GUARDED = ScreenSettings(keys=KEYS, guarded=True)
HEIGHT = "[data-answer=height]"
LOST = ".lost-strip"
KEPT = """async () => {
  const [state, owner] = await Promise.all(['state', 'owner'].map((name) => caches.match(`/kept/${name}`)));
  return state && owner ? { state: await state.json(), owner: await owner.json() } : null;
}"""
TILES = """async () => (await (await caches.open('leeward-seen')).keys())
  .map(({ url }) => new URL(url).pathname).filter((path) => path.startsWith('/tiles/'))"""


async def holds(page: Page, asked: str, about: Any = None) -> None:
    """Waits until an async function gives true; `wait_for_function` takes its promise for that."""
    again = "while (!(await holds(about))) await new Promise((done) => setTimeout(done, 50));"
    async with asyncio.timeout(PATIENCE_MS / 1000):
        await page.evaluate(f"async (about) => {{ const holds = {asked}; {again} }}", about)


def tiles_asked_of(app: FastAPI) -> list[str]:
    """Grows with each that the station is asked for."""
    asked: list[str] = []

    @app.middleware("http")
    async def note(request: Request, answer: Any) -> Any:
        if request.url.path.startswith("/tiles/"):
            asked.append(request.url.path)
        return await answer(request)

    return asked


async def keeps_tiles(page: Page, asked: list[str]) -> None:
    """Waits until all that were asked for until now are kept; at least one."""
    await until(lambda: bool(asked), PATIENCE_MS / 1000)
    all_kept = "asked.every((path) => all.includes(path))"
    await holds(
        page, f"async (asked) => {{ const all = await ({TILES})(); return {all_kept}; }}", asked
    )


async def kept(page: Page, owner: str | None = None) -> Any:
    """Waits until the page, its files, tiles and a state are kept; gives the state and its owner."""
    await holds(
        page,
        """async (owner) => {
          const state = await caches.match('/kept/state');
          return navigator.serviceWorker.controller !== null && state !== undefined
            && (owner === null || (await state.json()).owner === owner);
        }""",
        owner,
    )
    return await page.evaluate(KEPT)


async def older(page: Page, by_s: float) -> None:
    """As if the state had been kept so long ago."""
    await page.evaluate(
        """async (by_s) => {
          const cache = await caches.open('leeward-kept');
          const last = await (await cache.match('/kept/state')).json();
          last.at_ms -= by_s * 1000;
          await cache.put('/kept/state', new Response(JSON.stringify(last)));
        }""",
        by_s,
    )


async def test_a_reload_without_the_station_shows_the_last_state_as_old(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_000)
    app = create_app(feed)
    asked = tiles_asked_of(app)
    async with serving(app) as port:
        page = (await open_page(port, workers="allow")).page
        await kept(page)
        await keeps_tiles(page, asked)
        shown = height_text(feed)
    await older(page, 720)
    await page.reload()
    await expect(page.locator(LOST)).to_contain_text(
        re.compile(r"No station. You see what this device knew at \d\d:\d\d CDT, 12.min ago")
    )
    await expect(page.locator(HEIGHT)).to_contain_text(shown)
    for name in ("when", "height"):  # nothing looks fresh
        cell = page.locator(f"[data-answer={name}]")
        await expect(cell).to_have_attribute("data-stale", "true")
        await expect(cell).to_contain_text(re.compile("12.min|13.min"))
    assert await page.evaluate("document.body.classList.contains('lost')")
    tile = (await page.evaluate(TILES))[0]
    assert await page.evaluate("path => fetch(path).then((reply) => reply.ok)", tile)
    # and it finds the station again by itself
    feed.go(6_300)
    async with serving(create_app(feed), port):
        await expect(page.locator(LOST)).to_be_hidden()
        await expect(page.locator(HEIGHT)).to_contain_text(height_text(feed))


async def test_tiles_that_came_before_the_service_worker_are_kept_too(open_page: Any) -> None:
    """All its files take longer to come than the map: a reload would have no ground."""
    app, drawn = create_app(DemoFeed(since_launch_s=6_000)), asyncio.Event()
    asked = tiles_asked_of(app)

    @app.middleware("http")
    async def late(request: Request, answer: Any) -> Any:
        if request.url.path == "/service-worker.js":
            await drawn.wait()
        return await answer(request)

    async with serving(app) as port:
        page = (await open_page(port, workers="allow")).page
        await until(lambda: bool(asked), PATIENCE_MS / 1000)
        before = list(asked)
        drawn.set()
        await kept(page)
        await keeps_tiles(page, before)


async def test_a_clock_that_was_put_back_makes_nothing_fresh(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=6_000))) as port:
        page = (await open_page(port, workers="allow")).page
        await kept(page)
    await older(page, -3_600)
    await page.reload()
    await expect(page.locator(LOST)).to_contain_text("how long ago is not known")


async def test_a_replay_stands_still(open_page: Any) -> None:
    feed = DemoFeed("replay", since_launch_s=6_000)
    feed.paused = False
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, workers="allow")).page
        await kept(page)
    await page.reload()
    await expect(page.locator(LOST)).to_contain_text("the replay as this device kept it")
    await expect(page.locator(".mode")).to_have_text("Replay")
    await expect(page.locator(".moment")).to_contain_text("Known at 09:40:0")


async def test_an_update_gives_new_files_and_never_both(
    open_page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    web = our_own_files(tmp_path, monkeypatch)
    feed = DemoFeed(since_launch_s=1_800)
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, workers="allow")).page
        await kept(page)
        await expect(page.locator(HEIGHT)).to_contain_text("ascending")
        words = web / "words.js"
        words.write_text(words.read_text().replace("'ascending'", "'going up'"))
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        await page.reload()
        await expect(page.locator(HEIGHT)).to_contain_text("going up")
        releases = {found for url in asked for found in re.findall(r"/~([0-9a-f]{16})/", url)}
        assert len(releases) == 1
        (release,) = releases
        await holds(
            page,
            "async (name) => (await caches.match('/walk', { cacheName: name })) !== undefined",
            f"leeward-files-{release}",
        )
        await holds(
            page,
            "async () => { const r = await navigator.serviceWorker.ready;"
            " return r.installing === null && r.waiting === null && r.active.state === 'activated'; }",
        )
    asked.clear()
    await page.reload()
    await expect(page.locator(LOST)).to_contain_text("No station.")
    await expect(page.locator(HEIGHT)).to_contain_text("going up")
    assert {found for url in asked for found in re.findall(r"/~([0-9a-f]{16})/", url)} == releases


async def test_a_watcher_never_gets_what_the_crew_had(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_000)
    crew, watch = KEYS.owner("crew"), KEYS.owner("watch")
    async with serving(create_app(feed, settings=GUARDED)) as port:
        page = (await open_page(port, f"/#key={KEYS.crew}", workers="allow")).page
        told = await kept(page, crew)
        assert told["owner"] == {**told["owner"], "owner": crew, "role": "crew"}
    address = f"http://127.0.0.1:{port}"
    # without the station: the watchers' link shows nothing of it, nor does a reload of that page
    await page.goto("about:blank")
    await page.goto(f"{address}/#key={KEYS.watch}")
    for _ in range(2):
        await expect(page.locator(LOST)).to_contain_text("No station yet")
        await expect(page.locator(".flight-name")).to_have_text("Leeward")
        await page.reload()
    # the crew's own link does
    await page.goto("about:blank")
    await page.goto(f"{address}/#key={KEYS.crew}")
    await expect(page.locator(HEIGHT)).to_contain_text(height_text(feed))
    await expect(page.locator("body")).to_have_attribute("data-role", "crew")
    async with serving(create_app(feed, settings=GUARDED), port):
        await page.goto("about:blank")
        await page.goto(f"{address}/#key={KEYS.watch}")
        await page.wait_for_selector("body[data-role='watch']")
        told = await kept(page, watch)
        assert told["state"]["owner"] == watch
    await page.reload()
    await expect(page.locator(HEIGHT)).to_contain_text(height_text(feed))
    await expect(page.locator("body")).to_have_attribute("data-role", "watch")


async def test_a_key_that_was_withdrawn_leaves_nothing(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_000)
    async with serving(create_app(feed, settings=GUARDED)) as port:
        page = (await open_page(port, f"/#key={KEYS.crew}", workers="allow")).page
        await kept(page, KEYS.owner("crew"))
    withdrawn = ScreenSettings(keys=OTHER_KEYS, guarded=True)
    async with serving(create_app(feed, settings=withdrawn), port):
        # the page that is still open asks for a key by itself, and nothing of the flight stays on it
        await expect(page.locator("h1")).to_have_text("A key is needed")
        assert await page.evaluate(KEPT) is None
        assert await page.evaluate(TILES) == []
    await page.reload()
    await expect(page.locator(LOST)).to_contain_text("No station yet")
    await expect(page.locator(".flight-name")).to_have_text("Leeward")


async def test_on_foot_without_the_station(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=8_100)
    on_foot = {"size": PHONE, "ready": ".walk-distance", "workers": "allow"}
    granted = {
        "geolocation": {"latitude": 38.75, "longitude": -97.56, "accuracy": 5.0},
        "permissions": ["geolocation"],
    }
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, "/walk", **on_foot, **granted)).page
        await kept(page)
        shown = await page.locator(".walk-distance").inner_text()
    await page.reload()
    await expect(page.locator(LOST)).to_contain_text("No station. You see what this device knew")
    await expect(page.locator(".walk-distance")).to_have_text(shown)
    # what is noted now waits on the device, over a further reload too
    await page.get_by_role("button", name="Use my position").click()
    await page.get_by_text("Found", exact=True).click()
    await page.get_by_role("button", name="It lies here").click()
    queue = page.locator(".note-queue")
    await expect(queue).to_contain_text("not sent yet")
    await page.reload()
    await expect(page.locator(LOST)).to_contain_text("No station. You see what this device knew")
    assert '"found"' in await page.evaluate("localStorage.getItem('leeward.notes')")
    # the whole page is kept too, though this device has never opened it
    await page.goto(f"http://127.0.0.1:{port}/")
    await expect(page.locator(HEIGHT)).to_contain_text(height_text(feed))
    await page.goto(f"http://127.0.0.1:{port}/walk")
    await expect(page.locator(LOST)).to_contain_text("No station. You see what this device knew")
    async with serving(create_app(feed), port):
        await until(lambda: len(feed.received) == 1)
        assert b'"found"' in feed.received[0][1]


async def test_it_can_be_installed(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=600))) as port:
        page = (await open_page(port, workers="allow")).page
        await kept(page)
        session = await page.context.new_cdp_session(page)
        told = await session.send("Page.getAppManifest")
        assert told["errors"] == []
        assert json.loads(told["data"])["name"] == "Leeward"
        # a test's context is a private window, which is all that Chromium holds against it; the headless
        # shell looks at nothing
        errors = (await session.send("Page.getInstallabilityErrors"))["installabilityErrors"]
        assert {error["errorId"] for error in errors} <= {"in-incognito"}


async def test_plain_http_says_what_it_lacks(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=8_100))) as port:
        page = (await open_page(port, "/walk", size=PHONE, ready=".walk-distance")).page
        await page.evaluate(
            "Object.defineProperty(globalThis, 'isSecureContext', { value: false })"
        )
        await page.get_by_role("button", name="Use my position").click()
        await expect(page.locator(".walk-turn")).to_contain_text("started with --https")


async def test_https_whose_warning_was_clicked_away_keeps_nothing_and_says_so(
    browser: Browser, tmp_path: Path
) -> None:
    """Chromium refuses a worker there; with a certificate that it trusts it takes it (tried by hand)."""
    own = own_certificate(tmp_path / "tern.toml", own_names(), datetime.now(UTC))
    with free_socket() as listener:
        server = uvicorn_server(create_app(DemoFeed()), "127.0.0.1", 0, own)
        running = asyncio.create_task(server.serve(sockets=[listener]))
        await until(lambda: server.started)
        context = await browser.new_context(ignore_https_errors=True, service_workers="allow")
        await context.add_init_script("sessionStorage.setItem('leeward.notice', 'seen')")
        page = await context.new_page()
        await page.goto(f"https://127.0.0.1:{listener.getsockname()[1]}/")
        await expect(page.locator(HEIGHT)).to_contain_text("m")
        asked = "navigator.serviceWorker.register('/service-worker.js').then(() => 'kept', () => 'refused')"
        assert await page.evaluate(asked) == "refused"
        await expect(page.locator("[data-panel=settings]")).to_contain_text(
            "This device does not keep the page"
        )
        await context.close()
        server.should_exit = True
        await running
