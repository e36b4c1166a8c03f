"""The map's cost in Debian's chromium, without a graphics processor: a vector map beside images.

Both are of one valley. Processor time of all of the browser's processes while a reader drags the map about,
the time until the map is there, and long tasks of the page while it follows a flight at 30 times real speed.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import sqlite3
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw
from playwright.async_api import Browser, Page, async_playwright

from server.geodata.basemap import open_basemap
from server.geodata.mbtiles import MBTiles
from server.geodata.vector_tiles import features, unpacked
from server.screen.app import create_app
from server.session.replay import Replay
from tests.bench._processor import newest_chromium, processor_s
from tests.browser.conftest import MAP_HOOK, WIDE
from tests.chromium import CHROMIUM, CHROMIUM_ARGS
from tests.elsewhere import plan, receptions
from tests.geodata.map_files import addresses, mbtiles
from tests.geodata.vector_maps import BOX, VADUZ, openmaptiles
from tests.machine import require
from tests.screen.serving import serving

DRAGS = 16
ZOOMS = (14, 15)
RASTER_ZOOMS = range(11, 16)
COLOURS = {
    "landcover": "#cfdab9", "landuse": "#e5ddcd", "water": "#c5d9dc", "building": "#d6cab6",
    "waterway": "#5f8a96", "transportation": "#a2957f", "boundary": "#6a5a4a",
}  # fmt: skip
REQUIRED = {"panning, vector / images": 1.5, "tasks above 100 ms": 0}
LONG_TASKS = """
sessionStorage.setItem('leeward.notice', 'seen');
window.long = [];
new PerformanceObserver((list) => {
  for (const { startTime, duration } of list.getEntries()) window.long.push([startTime, duration]);
}).observe({ type: 'longtask', buffered: true });
"""
THERE = """kind => kind === 'images'
  ? [...document.querySelectorAll('img.leaflet-tile')].filter((one) => one.naturalWidth > 0).length > 3
  : kind === 'none' || document.querySelectorAll('.leaflet-tile-pane .vector-block').length > 1 &&
    [...document.querySelectorAll('.leaflet-tile-pane .vector-block')]
      .every((one) => one.names !== undefined)"""


def run(seconds: float = 60.0) -> dict[str, Any]:
    """Figures beside what is wanted of them."""
    return asyncio.run(_measure(seconds)) | {"required below": REQUIRED}


async def _measure(seconds: float) -> dict[str, Any]:
    figures: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        vector = await asyncio.to_thread(openmaptiles, folder)
        images = await asyncio.to_thread(_drawn, vector, folder / "images.mbtiles")
        panned = {}
        for kind, path in (("vector", vector), ("images", images), ("none", None)):
            files = [] if path is None else [path.name]
            async with _page(folder, files) as (page, browser_id):
                began = time.monotonic()
                await page.evaluate("place => window.theMap.setView(place, 14)", list(VADUZ))
                await page.wait_for_function(THERE, arg=kind)
                figures[f"{kind}: map is there after ms"] = round(1e3 * (time.monotonic() - began))
                panned[kind] = await _panned(page, browser_id)
                figures[f"{kind}: processor s for {DRAGS} drags"] = round(panned[kind], 2)
        figures["panning, vector / images"] = round(panned["vector"] / panned["images"], 2)
        figures |= await _following(folder, vector.name, seconds)
    return figures


@contextlib.asynccontextmanager
async def _page(
    folder: Path, files: list[str], speed: float = 1.0
) -> AsyncIterator[tuple[Page, int]]:
    feed = Replay(
        receptions((VADUZ[0], VADUZ[1] - 0.05)),
        plan((VADUZ[0], VADUZ[1] - 0.05)),
        name="bench",
        speed=speed,
        clock=time.monotonic,
    )
    playing = asyncio.create_task(feed.run())
    basemap = open_basemap(folder, files)
    try:
        if speed == 1.0:
            await feed.control("pause", None)
        async with (
            serving(create_app(feed, basemap=basemap)) as port,
            async_playwright() as playwright,
        ):
            browser: Browser = await playwright.chromium.launch(
                executable_path=require(CHROMIUM), args=CHROMIUM_ARGS
            )
            page = await browser.new_page(viewport={"width": WIDE[0], "height": WIDE[1]})
            await page.add_init_script(MAP_HOOK + LONG_TASKS)
            await page.goto(f"http://127.0.0.1:{port}/")
            await page.locator("[data-answer=when] .figure:not(:empty)").first.wait_for()
            yield page, newest_chromium()
            await browser.close()
    finally:
        playing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await playing
        basemap.close()
        feed.close()


async def _panned(page: Page, browser_id: int) -> float:
    """Processor seconds while the map is dragged about at two zooms."""
    box = await page.locator(".map").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = processor_s(browser_id)
    for zoom in ZOOMS:
        await page.evaluate("zoom => window.theMap.setZoom(zoom, { animate: false })", zoom)
        for n in range(DRAGS // len(ZOOMS)):
            across, down = [(-260, 0), (0, -120), (260, 0), (0, 120), (-200, -80)][n % 5]
            await page.mouse.move(x, y)
            await page.mouse.down()
            await page.mouse.move(x + across, y + down, steps=30)
            await page.mouse.up()
            await page.wait_for_timeout(250)
    return processor_s(browser_id) - before


async def _following(folder: Path, name: str, seconds: float) -> dict[str, Any]:
    async with _page(folder, [name], speed=30.0) as (page, _):
        await page.get_by_role("button", name="Payload", exact=True).click()
        await page.evaluate("() => window.theMap.setZoom(13, { animate: false })")
        await page.get_by_role("button", name="Payload", exact=True).click()
        await page.wait_for_timeout(2_000)  # what it takes to begin
        session = await page.context.new_cdp_session(page)
        events: list[dict[str, Any]] = []
        ended = asyncio.Event()
        session.on("Tracing.dataCollected", lambda told: events.extend(told["value"]))
        session.on("Tracing.tracingComplete", lambda _: ended.set())
        await session.send("Tracing.start", {"categories": "toplevel"})
        await page.evaluate("() => { window.long = []; }")
        await page.wait_for_timeout(1e3 * seconds)
        long = await page.evaluate("() => window.long")
        await session.send("Tracing.end")
        await ended.wait()
    # by the clock a task is longer on a machine that does other things; its processor time is not
    pages = _main_threads(events)
    tasks = [e["tdur"] / 1e3 for e in events if (e["pid"], e["tid"]) in pages and "tdur" in e]
    return {
        f"long tasks above 100 ms in {seconds:.0f} s, by the clock": sum(d > 100 for _, d in long),
        "longest task ms, by the clock": round(max((d for _, d in long), default=0)),
        "tasks above 100 ms of processor time": sum(task > 100 for task in tasks),
        "longest task ms, processor time": round(max(tasks, default=0)),
        "load of the machine": round(os.getloadavg()[0], 1),
    }


def _main_threads(events: list[dict[str, Any]]) -> set[tuple[int, int]]:
    """The threads that run pages: the main ones of renderers."""
    return {
        (e["pid"], e["tid"])
        for e in events
        if e.get("name") == "thread_name" and e["args"].get("name") == "CrRendererMain"
    }


def _drawn(vector: Path, path: Path) -> Path:
    """The same valley as PNG images of 256 pixels, drawn plainly from the vector tiles."""
    source = MBTiles(vector)
    empty = mbtiles(path, BOX, range(0), bounds=",".join(map(str, BOX)))
    data = sqlite3.connect(empty)
    for z, x, y in addresses(BOX, RASTER_ZOOMS):
        picture = Image.new("RGB", (256, 256), "#f0ebdf")
        pen = ImageDraw.Draw(picture)
        deep = min(z, source.info.max_zoom)
        part = 1 << (z - deep)
        tile = source.tile(deep, x // part, y // part)
        for feature in [] if tile is None else list(features(unpacked(tile))):
            colour = COLOURS.get(feature.layer)
            if colour is None:
                continue
            for line in feature.parts:
                flat = [(256 * (a * part - x % part), 256 * (b * part - y % part)) for a, b in line]
                if feature.is_area and len(flat) > 2:
                    pen.polygon(flat, fill=colour)
                elif len(flat) > 1:
                    pen.line(flat, fill=colour, width=2)
        out = io.BytesIO()
        picture.save(out, "PNG")
        data.execute(
            "INSERT INTO tiles VALUES (?, ?, ?, ?)", (z, x, (1 << z) - 1 - y, out.getvalue())
        )
    data.commit()
    data.close()
    source.close()
    return path
