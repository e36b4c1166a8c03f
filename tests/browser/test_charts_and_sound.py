"""What the chart can show, the standard atmosphere beside it, and alarms to the ear."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ambiance import Atmosphere
from playwright.async_api import expect

from server.screen.app import create_app
from tests.browser.conftest import PATIENCE_MS
from tests.screen import demo_feed
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

# notes what would be heard
EARS = """() => {
  window.heard = { tones: [], said: [] };
  const make = AudioContext.prototype.createOscillator;
  AudioContext.prototype.createOscillator = function () {
    const tone = make.call(this);
    const start = tone.start.bind(tone);
    tone.start = (at) => { window.heard.tones.push(tone.frequency.value); start(at); };
    return tone;
  };
  speechSynthesis.speak = ({ text }) => window.heard.said.push(text);
}"""
# timers of 30 s run when the test says so; all others run on, so the link stays whole
REPEATS = """() => {
  const due = new Map();
  const { setInterval: begin, clearInterval: end } = window;
  window.setInterval = (does, ms, ...more) => {
    const id = begin(ms === 30_000 ? () => {} : does, ms, ...more);
    if (ms === 30_000) due.set(id, does);
    return id;
  };
  window.clearInterval = (id) => { due.delete(id); end(id); };
  window.halfMinute = () => due.forEach((does) => does());
}"""


async def test_the_standard_atmosphere(open_page: Any) -> None:
    """Against ambiance (ICAO standard atmosphere, the same as U.S. 1976 below 47 km), and the

    printed rows of U.S. Standard Atmosphere 1976, table I."""
    heights = np.arange(-1_000.0, 47_000.0, 500.0)
    printed = {5_000: (255.68, 540.48), 11_000: (216.77, 227.00), 30_000: (226.51, 11.970)}
    async with serving(create_app(DemoFeed())) as port:
        page = (await open_page(port)).page
        ask = (
            "async heights => { const { standardAt } = await import('/web/atmosphere.js');"
            " return heights.map(standardAt); }"
        )
        ours = await page.evaluate(ask, heights.tolist())
        rows = await page.evaluate(ask, list(printed))
        outside = await page.evaluate(ask, [-1_001, 47_001, None])
    theirs = Atmosphere(heights)
    assert [o["temperature_C"] for o in ours] == pytest.approx(
        theirs.temperature_in_celsius, abs=0.02
    )
    assert [o["pressure_hPa"] for o in ours] == pytest.approx(theirs.pressure / 100, rel=2e-4)
    for row, (kelvin, hpa) in zip(rows, printed.values(), strict=True):
        assert row["temperature_C"] + 273.15 == pytest.approx(kelvin, abs=0.006)
        assert row["pressure_hPa"] == pytest.approx(hpa, rel=1e-4)
    assert outside == [None, None, None]


async def test_the_chart_shows_climb_and_sensors(open_page: Any) -> None:
    feed = DemoFeed("replay", since_launch_s=6_600)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        chart = page.get_by_role("group", name="Chart")
        await expect(chart.get_by_role("button", name="Altitude")).to_have_attribute(
            "aria-pressed", "true"
        )
        before = await page.locator(".chart").screenshot()
        await chart.get_by_role("button", name="Climb").click()
        await expect(chart.get_by_role("button", name="Climb")).to_have_attribute(
            "aria-pressed", "true"
        )
        climb = await page.locator(".chart").screenshot()
        assert climb != before
        await chart.get_by_role("button", name="Sensors").click()
        await page.get_by_label("Sensor", exact=True).select_option("N0CALL-11/Outside")
        await expect(page.locator(".choice .remark")).to_contain_text("standard atmosphere")
        assert await page.locator(".chart").screenshot() != climb
        # the same time axis is the scrubber, whatever is shown
        surface = page.get_by_role("slider", name="Moment of the replay")
        await surface.press("Home")
        await expect(page.locator("[data-answer=height]")).to_contain_text("not known")
        watched.assert_quiet(port)


async def test_the_standard_beside_the_sensors(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    track = feed.state().flights[0].track
    assert track is not None
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        rows = watched.page.locator(".sensors .row")
        standard = Atmosphere(track.altitude_m)
        await expect(rows.filter(has_text="Outside")).to_contain_text(
            f"standard\u00a0−{-standard.temperature_in_celsius[0]:.1f}\u00a0°C"
        )
        await expect(rows.filter(has_text="Pressure")).to_contain_text(
            f"standard\u00a0{standard.pressure[0] / 100:.1f}\u00a0hPa"
        )
        await expect(rows.filter(has_text="Inside")).not_to_contain_text("standard")
        sensors = watched.page.locator("[data-panel=sensors]")
        await expect(sensors).to_contain_text("reads high in sunlight at altitude")


async def test_alarms_to_the_ear_when_they_are_wanted(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await page.evaluate(EARS)
        sounds = page.get_by_role("group", name="Alarm sound")
        test = page.get_by_role("button", name="Test the alarm sound")
        await expect(sounds.get_by_role("button", name="Off")).to_have_attribute(
            "aria-pressed", "true"
        )
        await expect(test).to_be_disabled()
        feed.go(
            6_100
        )  # the burst, in silence: about where it was expected, it is news and no alarm
        await expect(page.locator("[data-panel=log]")).to_contain_text("Burst")
        await expect(page.locator(".alarm")).to_be_hidden()
        assert await page.evaluate("heard") == {"tones": [], "said": []}

        feed.acknowledged = {alarm.id for alarm in feed.state().alarms}
        feed.changed()
        await expect(page.locator(".alarm")).to_be_hidden()
        await sounds.get_by_role("button", name="Tones").click()
        await test.click()
        assert await page.evaluate("heard") == {"tones": [784, 784], "said": []}
        await sounds.get_by_role("button", name="Voice").click()
        feed.go(7_200)  # the main tracker is lost
        await page.wait_for_function("() => heard.said.length > 0")
        heard = await page.evaluate("heard")
        assert heard["tones"][2:] == [784, 784]
        assert heard["said"][0].startswith("Main is silent: last heard at")
        feed.changed()
        await page.reload()
        await expect(sounds.get_by_role("button", name="Voice")).to_have_attribute(
            "aria-pressed", "true"
        )
        watched.assert_quiet(port)


async def test_an_urgent_alarm_is_said_again_until_it_is_acknowledged(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=7_900)
    feed.acknowledged = {alarm.id for alarm in feed.state().alarms}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await page.evaluate(EARS)
        await page.evaluate(REPEATS)
        sounds = page.get_by_role("group", name="Alarm sound")
        await sounds.get_by_role("button", name="Voice").click()
        feed.go(demo_feed.LANDED_S - 60)  # below the height at which to listen and take a bearing
        await page.wait_for_function("() => heard.said.length > 0")
        await page.evaluate("halfMinute(); halfMinute()")
        said = (await page.evaluate("heard"))["said"]
        assert len(said) == 3
        assert len(set(said)) == 1
        await page.locator(".alarm").get_by_role("button", name="Acknowledge").click()
        await expect(page.locator(".alarm")).to_be_hidden()
        await page.evaluate("halfMinute(); halfMinute()")
        assert (await page.evaluate("heard"))["said"] == said
        watched.assert_quiet(port)
