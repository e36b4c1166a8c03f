"""Vector maps on the page: decoded as a library does, drawn by day and night, bad tiles left out."""

from __future__ import annotations

import base64
import gzip
import io
import re
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import mapbox_vector_tile
import pytest
from PIL import Image
from playwright.async_api import Page, expect

from server.geodata.basemap import open_basemap, open_tiles
from server.geodata.tiles import tile_at
from server.geodata.vector_tiles import MOST_BYTES, unpacked
from server.screen.app import create_app
from server.session.replay import Replay
from tests.browser.conftest import PATIENCE_MS, PHONE, WIDE
from tests.browser.test_ground import share
from tests.elsewhere import plan, receptions
from tests.geodata.vector_maps import CREDIT, VADUZ, openmaptiles, protomaps
from tests.screen.serving import serving
from tests.screen.test_palette import DAY, NIGHT

expect.set_options(timeout=PATIENCE_MS)
STANDS_S = 300.0  # the flight is just above the valley


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("maps")


@pytest.fixture(scope="module")
def openmap(folder: Path) -> Path:
    return openmaptiles(folder)


@pytest.fixture(scope="module")
def proto(folder: Path) -> Path:
    return protomaps(folder / "valley.pmtiles", range(9, 14))


@asynccontextmanager
async def over(folder: Path, *files: str) -> AsyncIterator[int]:
    """A flight that has just left Vaduz, on a station with these maps."""
    place = (VADUZ[0], VADUZ[1] - 0.029)
    feed = Replay(receptions(place), plan(place), name="b", speed=1.0, clock=lambda: 0.0)
    basemap = open_basemap(folder, files)
    assert basemap.problems == []
    await feed.control("pause", None)
    await feed.control("seek", feed.start_s + STANDS_S)
    try:
        async with serving(create_app(feed, basemap=basemap)) as port:
            yield port
    finally:
        basemap.close()
        feed.close()


SETTLED = """() => {
  const blocks = [...document.querySelectorAll('.leaflet-tile-pane .vector-block')];
  return blocks.length > 0 && blocks.every((one) => one.shown !== undefined && one.shown === one.painted);
}"""
ZOOM = "() => Math.max(...[...document.querySelectorAll('.vector-block')].map((one) => one.painted ?? 0))"


async def near(page: Page, zoom: float) -> None:
    """Over the payload, at that zoom of the map."""
    await page.get_by_role("button", name="Payload", exact=True).click()
    await page.wait_for_function(SETTLED)
    while (now := await page.evaluate(ZOOM)) < zoom:
        await page.locator(".leaflet-control-zoom-in").click()
        await page.wait_for_function(f"before => ({ZOOM})() !== before", arg=now)
    await page.wait_for_function(SETTLED)


async def colours(page: Page) -> Any:
    picture = Image.open(io.BytesIO(await page.locator(".map").screenshot())).convert("RGB")
    return picture.getcolors(1_000_000)


DECODE = """async packed => {
  const { readTile, properties, geometry } = await import('/web/map/vector/mvt.js');
  const bytes = Uint8Array.from(atob(packed), (letter) => letter.charCodeAt(0));
  return readTile(bytes).map((layer) => ({ name: layer.name, extent: layer.extent,
    features: layer.features.map((one) => ({ type: one.type, properties: properties(layer, one),
      geometry: geometry(layer, one) })) }));
}"""


async def test_the_decoder_agrees_with_the_library(
    open_page: Any, openmap: Path, proto: Path
) -> None:
    """mapbox-vector-tile reads the same tiles: layers, attributes, and every point of every part."""
    compared = 0
    async with over(openmap.parent, openmap.name) as port:
        page = (await open_page(port)).page
        for path in (openmap, proto):
            file = open_tiles(path)
            for z in range(file.info.min_zoom, file.info.max_zoom + 1):
                stored = file.tile(z, *tile_at(*VADUZ, z))
                if stored is None:
                    continue
                body = unpacked(stored)
                ours = await page.evaluate(DECODE, base64.b64encode(body).decode())
                theirs = mapbox_vector_tile.decode(body, default_options={"y_coord_down": True})
                assert [layer["name"] for layer in ours] == list(theirs)
                for layer in ours:
                    wanted = theirs[layer["name"]]
                    assert layer["extent"] == wanted["extent"]
                    assert len(layer["features"]) == len(wanted["features"])
                    for a, b in zip(layer["features"], wanted["features"], strict=True):
                        assert a["properties"] == pytest.approx(b["properties"])
                        found = {
                            (part[n], part[n + 1])
                            for part in a["geometry"]
                            for n in range(0, len(part), 2)
                        }
                        known = set(flat(b["geometry"]["coordinates"]))
                        # of areas the library drops rings that have become flat
                        assert known <= found if a["type"] == 3 else known == found
                        compared += 1
            file.close()
    assert compared > 2_000


def flat(coordinates: Any) -> list[tuple[int, int]]:
    if not coordinates:
        return []
    if isinstance(coordinates[0], int | float):
        return [(int(coordinates[0]), int(coordinates[1]))]
    return [place for part in coordinates for place in flat(part)]


async def test_no_damage_hangs_the_decoder(open_page: Any, openmap: Path) -> None:
    """A real tile with bytes put wrong, 3,000 times: read, or an Error; huge counts end with the bytes."""
    file = open_tiles(openmap)
    stored = file.tile(13, *tile_at(*VADUZ, 13))
    file.close()
    assert stored is not None
    async with over(openmap.parent, openmap.name) as port:
        page = (await open_page(port)).page
        counted = await page.evaluate(
            """async packed => {
              const { prepare } = await import('/web/map/vector/prepare.js');
              const whole = Uint8Array.from(atob(packed), (letter) => letter.charCodeAt(0));
              const counted = { read: 0, error: 0, other: [] };
              let seed = 7;
              const chance = () => (seed = (seed * 48271) % 2147483647) / 2147483647;
              for (let n = 0; n < 3000; n += 1) {
                let bytes = whole.slice(0, n % 3 === 0 ? Math.floor(chance() * whole.length) : undefined);
                for (let k = 0; k < 4; k += 1) {
                  const at = Math.floor(chance() * bytes.length);
                  if (bytes.length > 0) bytes[at] = n % 2 ? 0xff : Math.floor(chance() * 256);
                }
                try {
                  prepare(bytes, 'openmaptiles');
                  counted.read += 1;
                } catch (error) {
                  counted.error += 1;
                  if (!(error instanceof Error)) counted.other.push(String(error));
                }
              }
              return counted;
            }""",
            base64.b64encode(unpacked(stored)).decode(),
        )
    assert counted["other"] == []
    assert counted["read"] + counted["error"] == 3_000
    assert counted["error"] > 500


@pytest.mark.parametrize("night", [False, True], ids=["day", "night"])
@pytest.mark.parametrize("schema", ["openmap", "proto"])
async def test_a_vector_map_is_drawn_in_our_palettes(
    open_page: Any, schema: str, night: bool, request: pytest.FixtureRequest
) -> None:
    path: Path = request.getfixturevalue(schema)
    palette = NIGHT if night else DAY
    async with over(path.parent, path.name) as port:
        watched = await open_page(port, night=night)
        page = watched.page
        await near(page, 13.5)
        await expect(page.locator(".credits")).to_contain_text(CREDIT)
        await expect(page.locator("canvas.names")).to_have_attribute(
            "aria-label", re.compile("Vaduz")
        )
        counted = await colours(page)
        assert share(counted, palette["map-primary"]) > 0.002
        assert share(counted, palette["map-road"]) > 0.01
        if night:  # no bright field
            bright = sum(
                n for n, (r, g, b) in counted if 0.2126 * r + 0.7152 * g + 0.0722 * b > 150
            )
            assert bright / sum(n for n, _ in counted) < 0.03
        before = await colours(page)
        await page.get_by_role("button", name="Layers").click()
        await page.locator(".chooser-list input").last.uncheck()
        await expect(page.locator(".leaflet-tile-pane .vector-block")).to_have_count(0)
        await expect(page.locator(".credits")).not_to_contain_text(CREDIT)
        after = await colours(page)
        assert share(after, palette["map-primary"]) < 0.5 * share(before, palette["map-primary"])
        watched.assert_quiet(port)


@pytest.mark.parametrize("ratio", [1, 2, 3])
async def test_blocks_have_the_screens_own_pixels(
    open_page: Any, openmap: Path, ratio: int
) -> None:
    """Also at half zooms, where the grid is shown smaller; at most 2, for a small machine's sake."""
    async with over(openmap.parent, openmap.name) as port:
        watched = await open_page(port, device_scale_factor=ratio)
        page = watched.page
        await near(page, 13)
        sizes = await page.evaluate(
            """() => [...document.querySelectorAll('.leaflet-tile-pane .vector-block')]
              .filter((one) => one.width > 1).map((one) => [one.width, one.getBoundingClientRect().width])"""
        )
        assert sizes
        for pixels, shown in sizes:
            assert pixels / shown == pytest.approx(min(ratio, 2), rel=0.01)


async def test_beyond_the_files_last_zoom_it_stays_crisp(open_page: Any, openmap: Path) -> None:
    """Zoom 17 is drawn of parts of the tiles of zoom 14: street names, and edges as sharp as before."""
    async with over(openmap.parent, openmap.name) as port:
        watched = await open_page(port)
        page = watched.page
        await near(page, 16.5)
        await expect(page.locator("canvas.names")).to_have_attribute(
            "aria-label", re.compile("strasse|weg", re.IGNORECASE)
        )
        assert share(await colours(page), DAY["map-road"]) > 0.01
        # dots along a horizon of 350 km were drawn to their end: 3 s a frame
        longest_px = await page.evaluate(
            """() => Math.max(...[...document.querySelectorAll('.leaflet-map-pane path')]
              .map((one) => one.getTotalLength()))"""
        )
        assert longest_px < 10_000
        watched.assert_quiet(port)


def damaged(openmap: Path, folder: Path, bodies: list[bytes]) -> Path:
    """The map with its tiles about Vaduz put in the place of others, in turn."""
    path = folder / "damaged.mbtiles"
    path.write_bytes(openmap.read_bytes())
    with sqlite3.connect(path) as data:
        rows = data.execute(
            "SELECT zoom_level, tile_column, tile_row FROM tiles WHERE zoom_level > 8"
        )
        for n, row in enumerate(rows.fetchall()):
            sql = "UPDATE tiles SET tile_data=? WHERE zoom_level=? AND tile_column=? AND tile_row=?"
            data.execute(sql, (bodies[n % len(bodies)], *row))
    data.close()
    return path


async def test_bad_tiles_are_counted_and_left_out(
    open_page: Any, openmap: Path, tmp_path: Path
) -> None:
    """Garbage, a bomb, gzip cut short, a count of 500 million points: the page goes on and says so."""
    huge = b"\x1a\x16\x0a\x05water\x12\x0b\x18\x03\x22\x07\x09\x00\x00\xfa\xff\xff\x7f\x78\x02"
    bodies = [
        b"garbage that is no tile",
        gzip.compress(bytes(2 * MOST_BYTES)),
        gzip.compress(b"x" * 5_000)[:-20],
        gzip.compress(huge),
        b"",
    ]
    damaged(openmap, tmp_path, bodies)
    async with over(tmp_path, "damaged.mbtiles") as port:
        watched = await open_page(port)
        page = watched.page
        await near(page, 13.5)
        await page.get_by_role("button", name="Layers").click()
        note = page.locator(".chooser-note", has_text="cannot be read")
        await expect(note).to_be_visible()
        assert int((await note.inner_text()).split()[0]) >= 2
        await expect(page.locator(".payload-label")).to_be_visible()
        await page.locator("[data-setting=palette]").click()  # the page lives
        await expect(page.locator("html")).to_have_attribute("data-palette", "night")


async def test_a_worker_that_hangs_is_replaced(open_page: Any, openmap: Path) -> None:
    """Nothing is known that hangs it; if it does, its tile is left out and the others come."""
    async with over(openmap.parent, openmap.name) as port:
        page = (await open_page(port)).page
        said = await page.evaluate(
            """async () => {
              const { createEngine } = await import('/web/map/vector/engine.js');
              const made = [];
              class Silent {
                constructor() { this.asked = []; this.listeners = []; made.push(this); }
                addEventListener(_, listener) { this.listeners.push(listener); }
                postMessage(asked) { this.asked.push(asked); }
                terminate() { this.ended = true; }
                say(data) { for (const listener of this.listeners) listener({ data }); }
              }
              const [RealWorker, realNow] = [window.Worker, performance.now];
              const realInterval = window.setInterval;
              let now = 0;
              let tick = () => {};
              window.Worker = Silent;
              performance.now = () => now;
              window.setInterval = (work) => { tick = work; return 1; };
              const engine = createEngine();
              engine.open({ key: 'a' });
              const answers = [];
              engine.paint({ key: 'a' }, (answer) => answers.push(answer));
              made[0].say({ begun: 'a 14 1 2' });
              now = 16_000;
              tick();
              Object.assign(window, { Worker: RealWorker, setInterval: realInterval });
              performance.now = realNow;
              return { ended: made[0].ended, again: made[1].asked, lost: answers[0].lost };
            }"""
        )
    assert said["ended"] is True
    assert said["lost"] is True
    assert {"open": {"key": "a"}} in said["again"]
    assert any(asked.get("avoid") == ["a 14 1 2"] for asked in said["again"])


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
async def test_a_map_that_cannot_be_fetched_leaves_the_page(
    open_page: Any, openmap: Path, size: tuple[int, int]
) -> None:
    """The line is lost: no tile comes, and the flight is shown all the same."""
    async with over(openmap.parent, openmap.name) as port:
        watched = await open_page(port, size=size)
        page = watched.page
        await page.context.set_offline(True)
        await page.locator(".leaflet-control-zoom-in").click()
        await expect(page.locator(".payload-label")).to_be_attached()
        assert await page.locator("canvas.grid").count() == 1
