"""One Chromium for all tests of a process: starting one took a third of a page's test.

Playwright's objects belong to the loop that made them, so that whoever takes `browser` runs in the
session's loop, and async fixtures beside it name that loop too. Each test has contexts of its own.
"""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from playwright.async_api import Browser, async_playwright

from tests.machine import require

# Debian's Chromium without the windows: a page takes half the processor time of `chromium --headless`
CHROMIUM = "chromium-headless-shell"
CHROMIUM_ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.asyncio(loop_scope="session"), append=False)


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def started() -> AsyncIterator[Browser]:
    path = require(CHROMIUM)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=path, args=CHROMIUM_ARGS)
        yield browser
        await browser.close()


@pytest_asyncio.fixture(loop_scope="session")
async def browser(started: Browser) -> AsyncIterator[Browser]:
    """The one browser; what a test opened in it is closed after it."""
    yield started
    for context in list(started.contexts):
        await context.close()
