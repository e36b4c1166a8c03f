"""The page in Debian's Chromium, against a real server on this machine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal
from urllib.parse import urlsplit

import pytest
from playwright.async_api import Browser, Page

PATIENCE_MS = 60_000.0
# `window.theMap` is the map, out of Leaflet: its hook is called when the page makes it
MAP_HOOK = """
let leaflet;
Object.defineProperty(window, 'L', { configurable: true, set(value) { leaflet = value; }, get() {
  if (leaflet?.Map && !leaflet.seen) {
    leaflet.seen = true;
    leaflet.Map.addInitHook(function () { window.theMap = this; });
  }
  return leaflet;
} });
"""
WIDE, PHONE = (1366, 768), (390, 844)


@dataclass
class Watched:
    """What a page asked for and complained of."""

    page: Page
    hosts: set[str] = field(default_factory=set)
    complaints: list[str] = field(default_factory=list)

    def start(self) -> None:
        self.page.on("request", lambda request: self._host(request.url))
        self.page.on("websocket", lambda socket: self._host(socket.url))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", self._console)

    def _host(self, url: str) -> None:
        if urlsplit(url).scheme != "data":
            self.hosts.add(urlsplit(url).netloc)

    def _console(self, message: Any) -> None:
        if message.type in ("error", "warning") and "blocked by Playwright" not in message.text:
            self.complaints.append(message.text)

    def assert_quiet(self, port: int) -> None:
        assert self.complaints == []
        assert self.hosts == {f"127.0.0.1:{port}"}


@pytest.fixture
def open_page(browser: Browser) -> Callable[..., Any]:
    """Awaited with a port, it opens the page and waits until the first state is drawn."""

    async def open_(
        port: int,
        path: str = "/",
        *,
        size: tuple[int, int] = WIDE,
        night: bool = False,
        ready: str = ".figure",
        zone: str = "America/Chicago",
        workers: Literal["allow", "block"] = "block",  # taking all files costs more than a test
        before: str = "",  # a script that runs before the page's own
        **more: Any,
    ) -> Watched:
        context = await browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme="dark" if night else "light",
            timezone_id=zone,
            reduced_motion="reduce",
            service_workers=workers,
            **more,
        )
        context.set_default_timeout(PATIENCE_MS)
        if before:
            await context.add_init_script(before)
        watched = Watched(await context.new_page())
        watched.start()
        await watched.page.goto(f"http://127.0.0.1:{port}{path}")
        if ready == ".figure":
            await watched.page.get_by_role("button", name="I am not driving").click()
            await watched.page.wait_for_function(
                "() => Boolean(document.querySelector('.figure')?.textContent)"
            )
        else:
            await watched.page.wait_for_selector(ready)
        return watched

    return open_
