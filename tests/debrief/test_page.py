"""The flight page in Debian's Chromium with the network cut off."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import pytest
from playwright.async_api import Browser, Page, Route

from server.debrief.charts import Axes, Series, chart, ticks, time_ticks
from server.debrief.figures import figures, tracker_shares, uncertain
from server.debrief.page import flight_page
from server.debrief.profile import pictures
from server.debrief.reader import Reader, reading, zone_named
from server.debrief.receivers import receiver_counts
from server.debrief.record import FlightRecord
from server.debrief.sentences import Course, summary
from server.debrief.sounding import CAVEAT, sounding
from server.debrief.words import metres
from server.journal.recording import Recording, inferred_plan, read_recording
from tests.browser.conftest import WIDE
from tests.browser.overlaps import overlap
from tests.debrief.made import demo, plain, replayed
from tests.flights import LAUNCH, T0, real_logs

MOST_BYTES = 5_000_000


PHONE = (390, 844)
# pairs of names on the map of which one lies over the other, a town's over anything
OVERLAPS = """(() => {
  const shown = [...document.querySelectorAll("#place .town, #place .event, #place .vehicle")]
    .filter((e) => getComputedStyle(e).visibility === "visible").map((e) => e.firstElementChild);
  const towns = shown.filter((e) => e.parentNode.className.includes("town"));
  const over = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
  return towns.flatMap((t) => shown.filter((o) => o !== t
    && over(t.getBoundingClientRect(), o.getBoundingClientRect())).map((o) => t.textContent + o.textContent));
})()"""
# events whose place lies outside of the map, or under the list of layers
OUTSIDE = """(() => {
  const map = document.getElementById("place").getBoundingClientRect();
  const list = document.querySelector(".leaflet-control-layers").getBoundingClientRect();
  const within = (x, y, r) => x > r.left && x < r.right && y > r.top && y < r.bottom;
  return [...document.querySelectorAll("#place .event")].filter((e) => {
    const { left, top } = e.getBoundingClientRect();
    return !within(left, top, map) || within(left, top, list);
  }).map((e) => e.textContent);
})()"""


MOST_BEFORE_DETAILS_PX = 4_000
BEFORE_DETAILS_PX = "document.getElementById('details').getBoundingClientRect().top + scrollY"
DEAD_LINKS = """[...document.querySelectorAll('.contents a')]
  .filter((a) => document.getElementById(a.hash.slice(1)) === null).map((a) => a.hash)"""
# predictions that are not in view; each is a circle of 4 px, as nothing else is
FAR_PREDICTIONS = """(() => {
  const map = Object.values(window).find((one) => one instanceof L.Map);
  let far = 0;
  map.eachLayer((layer) => {
    if (layer instanceof L.CircleMarker && layer.options.radius === 4)
      far += map.getBounds().contains(layer.getLatLng()) ? 0 : 1;
  });
  return far;
})()"""


async def opened(
    browser: Browser, page_file: Path, size: tuple[int, int]
) -> tuple[Page, list[str], list[str]]:
    """The page, what it asked for beside itself, and what it complained of."""
    context = await browser.new_context(viewport={"width": size[0], "height": size[1]})
    await context.set_offline(True)
    asked: list[str] = []
    complaints: list[str] = []

    async def cut(route: Route) -> None:
        if route.request.url == page_file.as_uri():
            await route.continue_()
        else:
            asked.append(route.request.url)
            await route.abort()

    await context.route("**/*", cut)
    page = await context.new_page()
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("dialog", lambda dialog: complaints.append(dialog.message))
    page.on("console", lambda m: complaints.append(m.text) if m.type != "log" else None)
    await page.goto(page_file.as_uri())
    await page.wait_for_selector(".leaflet-map-pane canvas")
    return page, asked, complaints


async def assert_right(
    browser: Browser, record: FlightRecord, folder: Path, size: tuple[int, int] = WIDE
) -> Page:
    written = flight_page(record, pictures(sounding(record)), CAVEAT)
    assert len(written) < MOST_BYTES
    path = folder / "page.html"
    path.write_bytes(written)
    page, asked, complaints = await opened(browser, path, size)
    assert asked == []
    assert complaints == []
    assert await page.locator("h1").inner_text() == record.name
    painted = await page.evaluate(
        "(() => { const c = document.querySelector('.leaflet-map-pane canvas');"
        " return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some(v => v > 0) })()"
    )
    assert painted
    wide = await page.evaluate("document.documentElement.scrollWidth")
    assert wide <= size[0]
    assert await page.evaluate(OVERLAPS) == []
    assert await page.evaluate(OUTSIDE) == []
    assert await page.evaluate(BEFORE_DETAILS_PX) <= MOST_BEFORE_DETAILS_PX
    assert await page.evaluate(DEAD_LINKS) == []
    assert await page.evaluate(FAR_PREDICTIONS) == 0
    return page


async def test_the_demos_page_needs_no_network(browser: Browser, tmp_path: Path) -> None:
    page = await assert_right(browser, demo(), tmp_path)
    text = await page.locator("main").inner_text()
    burst = demo().last("burst")
    assert burst is not None
    for words in (
        "Burst altitude",
        metres(burst.altitude_m),
        "Predictions against the truth",
        "N0CALL-10",
    ):
        assert words in text
    assert await page.locator("svg[role=img]").count() >= 8
    events = await page.locator(".event").all_inner_texts()
    assert events == ["launch", "burst", "landing"]
    grounds = await page.locator(".vehicle span").evaluate_all(
        "names => names.map((name) => [name.textContent, getComputedStyle(name).backgroundColor])"
    )
    assert [name for name, _ in grounds] == ["Car 1", "Car 2"]
    assert len({colour for _, colour in grounds}) == 2, "cars are told apart"
    boxes = await page.locator(".vehicle span").evaluate_all(
        "names => names.map((name) => name.getBoundingClientRect().toJSON())"
    )
    assert overlap(*boxes) == 0.0
    lines = await page.locator("td + td").first.evaluate(
        "cell => parseFloat(getComputedStyle(cell).borderLeftWidth)"
    )
    assert lines > 0.0, "columns are told apart"


def test_the_page_is_written_for_its_reader() -> None:
    """Central Daylight Time is UTC-05:00 (IANA, America/Chicago); 1 mi = 1,609.344 m (NIST SP 811)."""
    with reading(Reader(zone_named("America/Chicago"), "us")):
        page = flight_page(demo()).decode()
    found, launch = figures(demo()), demo().first("launch")
    assert found.burst_altitude_m is not None
    assert found.distance_m is not None
    assert launch is not None
    local = datetime.fromtimestamp(round(launch.time_s) - 5 * 3_600, UTC)
    away = f"{found.distance_m / 1_609.344:,.1f} mi"
    assert (
        f'<p class="summary">Tern 7 was launched at {local:%H:%M:%S} CDT, burst at '
        f"{found.burst_altitude_m / 0.3048:,.0f} ft and was at rest {away} NE of the launch at "
        in page
    )
    text = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.DOTALL)
    assert "All times are CDT (UTC-05:00)" in text
    assert not re.search(r"\d\u00a0?(m|km|m/s)\b(?! *²)", text), "one system of units"
    assert " UTC." not in text
    assert "13:00" not in re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL), "one zone"


def test_a_zone_that_is_none_is_an_error() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        zone_named("Mars/Olympus")
    with pytest.raises(ValueError, match="no time zone"):
        zone_named("../../etc/passwd")
    assert zone_named("") is None


def test_a_flight_in_one_sentence() -> None:
    course = Course("Tern 7", 0.0, 30_000.0, 30_000.0, 7_200.0, "at rest")
    assert summary(course) == (
        "Tern 7 was launched at 00:00:00 UTC, burst at 30,000 m and was at rest at 02:00:00 UTC."
    )
    ends = {
        "found": "was found by Car 2 12.0 km NE of the launch.",
        "predicted": "was not heard on the ground: it is expected 12.0 km NE of the launch.",
        "unknown": "was not followed to the ground.",
    }
    for ended, words in ends.items():
        course = Course(
            "Tern 7", None, None, 9_000.0, None, cast("Any", ended), "Car 2", 12_000.0, 45.0
        )
        assert summary(course) == f"Tern 7 was seen as high as 9,000 m and {words}"


async def test_a_phone_shows_the_whole_flight(browser: Browser, tmp_path: Path) -> None:
    page = await assert_right(browser, demo(), tmp_path, PHONE)
    assert await page.locator("#layers .leaflet-control-layers").count() == 1
    label_px = await page.evaluate(
        "document.querySelector('svg text').getBoundingClientRect().height"
    )
    assert label_px > 9.0  # of a chart, as it is seen
    await page.locator("#layers label", has_text="Smoothed track").click()
    assert (
        not await page.locator("#layers label", has_text="Smoothed track")
        .locator("input")
        .is_checked()
    )


async def test_a_window_too_small_for_a_map_breaks_nothing(
    browser: Browser, tmp_path: Path
) -> None:
    path = tmp_path / "page.html"
    path.write_bytes(flight_page(plain()))
    page, asked, complaints = await opened(browser, path, (100, 100))
    await page.set_viewport_size({"width": WIDE[0], "height": WIDE[1]})
    await page.wait_for_selector("#place .leaflet-control-layers")
    assert asked == complaints == []
    assert await page.evaluate(OUTSIDE) == []


async def test_paper_shows_the_map_as_the_screen_does(browser: Browser, tmp_path: Path) -> None:
    page = await assert_right(browser, demo(), tmp_path)
    await page.emulate_media(media="print")
    box = await page.locator("#place").bounding_box()
    assert box is not None
    assert box["width"] == pytest.approx(700.0, abs=3.0)  # A4 within margins of 12 mm: 703
    assert not await page.locator(".leaflet-control-layers").is_visible()
    assert (await page.pdf(format="A4")).count(b"/Type /Page\n") <= 8


async def test_hostile_names_are_only_words(browser: Browser, tmp_path: Path) -> None:
    page = await assert_right(browser, plain(), tmp_path)
    assert await page.locator("script", has_text="alert(1)").count() == 0


@pytest.mark.parametrize("log", real_logs()[:40:15], ids=lambda p: p.stem)
async def test_real_flights_pages(browser: Browser, tmp_path: Path, log: Path) -> None:
    recording = read_recording(log)
    await assert_right(browser, replayed(recording, inferred_plan(recording)), tmp_path)


def test_the_figures_of_the_plain_flight_are_those_it_was_made_with() -> None:
    found = figures(plain())
    assert found.burst_altitude_m == pytest.approx(LAUNCH[2] + 5.0 * 5_280.0, abs=150.0)
    assert found.ascent_rate_ms == pytest.approx(5.0, abs=0.1)
    # 5 m/s at the ground, times e^(z / 14 km)
    assert found.descent_rate_low_ms == pytest.approx(5.3, abs=0.3)
    assert found.highest_ground_speed_ms == pytest.approx(
        8.0, abs=2.5
    )  # too fast at the sudden stop


def test_tracker_shares_add_up() -> None:
    shares = tracker_shares(demo())
    assert sum(s.share for s in shares) == pytest.approx(1.0)
    assert sum(s.used for s in shares) == len(demo().track)
    assert all(s.sent == s.heard + s.missed for s in shares)
    main = shares[0]
    assert main.farthest is not None
    assert main.farthest.distance_m > 50_000.0
    station, by_tracker, total = receiver_counts(shares)[0]
    assert station == "tnc"
    assert sum(by_tracker) == total


def test_a_gap_is_told() -> None:
    heard = [r for r in plain().recording.receptions if not 2_000 < r.heard_at_s - T0 < 2_900]
    recording = Recording("gap.log", heard, (), {}, ())
    found = uncertain(replayed(recording, inferred_plan(recording)))
    assert any(u.words.startswith("no fix for 1") for u in found)


def test_charts_escape_and_tick() -> None:
    svg = chart(Axes("<x>", "m", True), [Series('"><script>', "red", [(0.0, 1.0), (60.0, 2.0)])])
    assert "<script" not in svg
    assert "<x>" not in svg
    assert chart(Axes("x", "y"), [Series("none", "red", [])]) == ""
    assert ticks(0.0, 30_166.0, 5) == [0.0, 10_000.0, 20_000.0, 30_000.0, 40_000.0]
    for same in (0.0, 7.0, -1e17, 1e300):  # a reading that never changes
        assert "<svg" in chart(Axes("x", "y"), [Series("same", "red", [(0.0, same), (60.0, same)])])
    assert time_ticks(10.0, 3_590.0) == [600.0, 1200.0, 1800.0, 2400.0, 3000.0]
