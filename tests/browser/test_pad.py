"""The card of the pad: what is ready, what is not, and that it ends with the launch."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import expect

from server.flight.mission_state import Problem, ProblemKind, Source, UnplacedVehicle
from server.flight.state import Moved, OutlookHour, WindSource
from server.geodata.basemap import open_basemap
from server.screen.app import create_app
from tests.browser.conftest import PATIENCE_MS
from tests.geodata.map_files import mbtiles
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)


async def test_what_is_missing_is_named_and_the_launch_ends_it(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=-60)
    state = feed.state()
    radio = state.sources[0]
    unplugged = Source("gps", "gpsd-tcp", "failed", "connection refused", radio.since, 0)
    feed.changes = {"sources": (radio, unplugged)}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        card = page.locator("[data-panel=pad]")
        line = card.locator(".pad-line")
        await expect(line).to_contain_text("Not ready")
        await expect(line).to_have_attribute("data-grade", "red")
        await expect(card.locator("li", has_text="gps")).to_contain_text("connection refused")
        await expect(card.locator("li", has_text="Phone")).to_contain_text("until it has landed")
        await expect(card.locator("li", has_text="Alarms")).to_contain_text("no sound")
        await card.get_by_role("button", name="Alarm sound on").click()
        await expect(card.locator("li", has_text="Alarms")).to_contain_text("can be heard")

        feed.changes = {}
        feed.changed()
        await expect(line).to_contain_text("Nearly ready")
        feed.changes = {"problems": (Problem(ProblemKind.OWN_CLOCK, ahead_s=200.0),)}
        feed.changed()
        await expect(card.locator("li", has_text="Clock")).to_contain_text("is wrong")

        feed.go(1_800)
        await expect(card).to_be_hidden()
        watched.assert_quiet(port)


async def test_a_tracker_that_is_off_the_pads_height_is_told(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=-60)
    flight = feed.state().flights[0]
    first, *others = flight.trackers
    assert flight.launch.altitude_m is not None
    raised = replace(first, fixes=9, last_altitude_m=flight.launch.altitude_m + 400.0)
    unheard = replace(others[0], heard=0, fixes=0, state="never heard")
    feed.flight_changes = {"trackers": (raised, unheard, *others[1:])}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        card = watched.page.locator("[data-panel=pad]")
        await expect(card.locator("li", has_text=first.label)).to_contain_text(
            "400\u00a0m above the pad"
        )
        await expect(card.locator("li", has_text=others[0].label)).to_contain_text("not heard")


@pytest.mark.parametrize(
    ("box", "grade", "words"),
    [
        ((-99.5, 37.0, -96.5, 39.5), "amber", "% area of the landing is on the stored maps"),
        ((-98.6, 38.0, -98.0, 38.4), "red", "do not cover the 90\u00a0% area"),
    ],
)
async def test_the_stored_maps_are_held_against_the_landing(
    open_page: Any, tmp_path: Path, box: tuple[float, float, float, float], grade: str, words: str
) -> None:
    mbtiles(tmp_path / "sheet", box, range(8, 12))
    basemap = open_basemap(tmp_path, ["sheet"])
    feed = DemoFeed(since_launch_s=-60)
    feed.flight_changes = {"landing": DemoFeed(since_launch_s=6_600).state().flights[0].landing}
    async with serving(create_app(feed, basemap=basemap)) as port:
        watched = await open_page(port)
        card = watched.page.locator("[data-panel=pad]")
        told = card.locator("li", has=watched.page.get_by_text("Map", exact=True))
        await expect(told).to_contain_text(words)
        await expect(told).to_contain_text("Heights of the ground are missing")
        await expect(told).to_have_attribute("data-grade", grade)
    basemap.close()


async def test_room_on_the_disk_and_a_tracker_far_off(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=-60)
    main = feed.state().flights[0].trackers[0]
    heard = replace(main, heard=9, fixes=9, state="reporting")
    feed.flight_changes = {"trackers": (heard,)}
    feed.changes = {
        "problems": (
            Problem(ProblemKind.DISK_FILLS, count=312),
            Problem(ProblemKind.FAR_FROM_LAUNCH, main.name, distance_m=5_183_000.0),
        )
    }
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        card = watched.page.locator("[data-panel=pad]")
        await expect(card.locator("li", has_text="Disk")).to_contain_text("only 312 MB are free")
        await expect(card.locator("li", has_text=main.label)).to_contain_text("5,183 km")
        await expect(
            card.locator("li", has=watched.page.get_by_text("Map", exact=True))
        ).to_contain_text("no streets are stored")


async def test_satellites_cars_winds_and_heights_of_the_ground(open_page: Any) -> None:
    """What the wire tells of the receiver, each car of the plan, and how much of the area has heights."""
    feed = DemoFeed(since_launch_s=-60)
    main, backup, *_ = feed.state().flights[0].trackers
    seen = replace(main, heard=9, fixes=9, state="reporting", satellites=9)
    blind = replace(backup, heard=9, fixes=9, state="reporting", satellites=4)
    landing = DemoFeed(since_launch_s=6_600).state().flights[0].landing
    assert landing is not None
    wind = WindSource("model run", feed.state().now - timedelta(hours=3), 31_000.0, 12_000.0)
    feed.flight_changes = {
        "trackers": (seen, blind),
        "landing": replace(landing, winds=(wind,)),
    }
    feed.changes = {"unplaced": (UnplacedVehicle("Car 3", own=False),)}

    def west_of_it(latitude_deg: float, longitude_deg: float) -> float | None:
        return 500.0 if longitude_deg < landing.longitude_deg else None

    async with serving(create_app(feed, terrain=west_of_it)) as port:
        watched = await open_page(port)
        card = watched.page.locator("[data-panel=pad]")
        await expect(card.locator("li", has_text=main.label)).to_contain_text("9 satellites")
        told = card.locator("li", has_text=backup.label)
        await expect(told).to_contain_text("uses 4 satellites")
        await expect(told).to_have_attribute("data-grade", "amber")
        await expect(card.locator("li", has_text="Car 3")).to_contain_text("no position yet")
        await expect(card.locator("li", has_text="Winds")).to_contain_text("model run, 3 h")
        await expect(
            card.locator("li", has=watched.page.get_by_text("Map", exact=True))
        ).to_contain_text("of it: run leeward pack")
        watched.assert_quiet(port)


async def test_the_countdown_tells_how_the_landing_has_moved(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=-600)
    state = feed.state()
    launch = state.flights[0].launch.time
    assert launch is not None
    moved = Moved(state.now - timedelta(hours=14), launch, 3_240.0, 40.0, 21_500.0)
    feed.flight_changes = {"moved": moved}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        rows = watched.page.locator("[data-panel=flight] dl")
        await expect(rows).to_contain_text("Launch planned")
        await expect(rows).to_contain_text(
            "moved 3.2\u00a0km toward 040° (made 14 h 00 min ago, sure to 21.5\u00a0km then)"
        )


async def test_an_hour_of_the_outlook_is_picked_and_drawn(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=-600)
    state = feed.state()
    launch = state.flights[0].launch.time
    assert launch is not None
    verdicts = ("fit", "doubtful", "unfit")
    hours = tuple(
        OutlookHour(
            state.now - timedelta(hours=14),
            launch + timedelta(hours=number),
            launch + timedelta(hours=number + 2.4),
            38.4,
            -97.9 + 0.2 * number,
            21_500.0,
            verdict,
        )
        for number, verdict in enumerate(verdicts)
    )
    feed.flight_changes = {"outlook": hours}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        card = watched.page.locator("[data-panel=hours]")
        await expect(card.get_by_role("button")).to_have_count(3)
        await expect(watched.page.locator("path.hour-area")).to_have_count(0)
        second = card.get_by_role("button", name="doubtful")
        await second.click()
        await expect(second).to_have_attribute("aria-pressed", "true")
        await expect(card).to_contain_text("90\u00a0% within 21.5\u00a0km")
        await expect(watched.page.locator("path.hour-area")).to_have_count(1)
        await expect(watched.page.locator(".hour-label")).to_contain_text("launched")
        await second.click()
        await expect(watched.page.locator("path.hour-area")).to_have_count(0)
        await second.click()
        feed.flight_changes = {"outlook": ()}  # it has launched
        feed.changed()
        await expect(card).to_be_hidden()
        await expect(watched.page.locator("path.hour-area")).to_have_count(0)
        watched.assert_quiet(port)


async def test_while_the_journal_is_read_no_answer_is_given(open_page: Any) -> None:
    """Half a past on the pad's page would say "Ready" of a box that has landed."""
    feed = DemoFeed(since_launch_s=-60)
    feed.changes = {"problems": (Problem(ProblemKind.JOURNAL_READ, count=43),)}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        headline = watched.page.locator("[data-answer=headline]")
        await expect(headline).to_contain_text("Reading the journal")
        await expect(headline).to_contain_text("43\u00a0%")
        await expect(headline).not_to_contain_text("eady to launch")
        await expect(watched.page.locator(".problem-strip")).to_contain_text(
            "no alarm of the flight sounds and no landing is predicted"
        )
