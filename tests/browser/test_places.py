"""Places by grid and as a code, against libraries of others."""

from __future__ import annotations

import io
import random
from typing import Any

import maidenhead
import mgrs
import pyproj
import pytest
import zxingcpp
from PIL import Image
from playwright.async_api import expect

from server.flight.chase.horizon import CAR_ANTENNA_M, horizon_m
from server.screen.app import create_app
from tests.browser.conftest import PATIENCE_MS
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

ODD = [
    (60.4, 5.3), (61.0, 3.0), (78.2, 15.6), (78.2, 8.9), (72.0, 41.9), (72.0, 42.1),  # of other widths
    (0.0, 0.0), (-0.0001, 6.0), (83.99, -179.999), (-79.99, 179.999), (55.9999, 2.9999),
]  # fmt: skip
PLACES = ODD + [
    (random.Random(n).uniform(-79.9, 83.9), random.Random(n + 10_000).uniform(-179.9, 179.9))
    for n in range(400)
]


async def said(open_page: Any, what: str) -> Any:
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        return await page.evaluate(
            f"async places => {{ const grid = await import('/web/grid.js');"
            f" return places.map(([lat, lon]) => {what}); }}",
            PLACES,
        )


async def test_mgrs_as_the_library_writes_it(open_page: Any) -> None:
    """The mgrs package wraps the code of the U.S. National Geospatial-Intelligence Agency."""
    oracle = mgrs.MGRS()
    for place, words in zip(PLACES, await said(open_page, "grid.mgrs(lat, lon)"), strict=True):
        ours, theirs = words.replace(" ", "").zfill(15), oracle.toMGRS(*place).zfill(15)
        assert ours[:5] == theirs[:5], place
        for ten in (slice(5, 10), slice(10, 15)):  # within the metre at which both cut
            assert abs(int(ours[ten]) - int(theirs[ten])) <= 1, place


async def test_utm_as_proj_computes_it(open_page: Any) -> None:
    """PROJ's extended transverse Mercator, to 2 mm."""
    for (lat, lon), ours in zip(PLACES, await said(open_page, "grid.utm(lat, lon)"), strict=True):
        south = " +south" if lat < 0 else ""
        there = pyproj.Proj(f"+proj=utm +zone={ours['zone']}{south} +ellps=WGS84")
        assert (ours["easting_m"], ours["northing_m"]) == pytest.approx(there(lon, lat), abs=2e-3)


async def test_locators_hold_their_place(open_page: Any) -> None:
    """Read by the maidenhead package, which gives a square's south-west corner. (Its writer rounds

    the last sign up within 0.003 of a square.)"""
    found = await said(open_page, "grid.locator(lat, lon)")
    for (lat, lon), ours in zip(PLACES, found, strict=True):
        south, west = maidenhead.to_location(ours)
        assert -1e-9 <= lat - south < 1 / 240 + 1e-9, ours
        assert -1e-9 <= lon - west < 1 / 120 + 1e-9, ours
    same = [maidenhead.to_maiden(*place, precision=4).lower() for place in PLACES]
    assert sum(a.lower() == b for a, b in zip(found, same, strict=True)) > 0.98 * len(PLACES)


async def test_near_the_poles_there_is_no_such_grid(open_page: Any) -> None:
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        found = await page.evaluate(
            "async () => { const { mgrs, utm, locator } = await import('/web/grid.js');"
            " return [mgrs(84.1, 0), utm(-80.1, 0), locator(90, 180), locator(-90, -180)]; }"
        )
    assert found == [None, None, "RR99xx99", "AA00aa00"]


async def test_the_radio_horizon_is_the_stations_own(open_page: Any) -> None:
    heights = [0.0, 100.0, 1_500.0, 30_000.0]
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        ours = await page.evaluate(
            "async heights => { const { horizon_m } = await import('/web/map/horizon.js');"
            " return heights.map(horizon_m); }",
            heights,
        )
    assert ours == pytest.approx([horizon_m(h, CAR_ANTENNA_M) for h in heights])


@pytest.mark.parametrize("night", [False, True], ids=["day", "night"])
async def test_a_phone_reads_the_code_from_the_screen(open_page: Any, night: bool) -> None:
    """zxing reads the page's own picture, as a phone's camera would."""
    feed = DemoFeed(since_launch_s=6_000)
    landing = feed.state().flights[0].landing
    assert landing is not None
    lat, lon = landing.latitude_deg, landing.longitude_deg
    async with serving(create_app(feed)) as port:
        watched = await open_page(port, night=night)
        page = watched.page
        await page.get_by_text("Grid, locator, QR code").click()
        code = page.locator(".share-code")
        await code.scroll_into_view_if_needed()
        await page.wait_for_function("() => document.querySelector('.share-code').naturalWidth > 0")
        (found,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(await code.screenshot())))
        shown = await page.locator("[data-panel=landing] .coordinates").first.inner_text()
        # written as finely as it is known (within kilometres), handed on as it was worked out
        assert shown == f"{lat:.3f}, {lon:.3f}"
        code_lat, code_lon = map(float, found.text.removeprefix("geo:").split(","))
        assert (code_lat, code_lon) == pytest.approx((lat, lon), abs=1e-5)
        square = await page.locator("[data-panel=landing] .share-text").nth(1).inner_text()
        theirs = mgrs.MGRS().toMGRS(lat, lon)
        assert square.replace(" ", "")[:5] == theirs[:5]
        watched.assert_quiet(port)
