"""A flight on the page: it moves, turns silent, lands; alarms, units, palettes, sizes."""

import re
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from playwright.async_api import Page, expect

from server.flight.mission_state import UnplacedVehicle
from server.flight.tracker_state import Rejection, RejectionKind
from server.screen.app import create_app
from tests.browser.conftest import PATIENCE_MS, PHONE
from tests.screen import demo_feed as flight
from tests.screen.demo_feed import DemoFeed, height_text, height_text_ft
from tests.screen.serving import serving

expect.set_options(timeout=PATIENCE_MS)

CHICAGO = ZoneInfo("America/Chicago")
LANDED_S = flight.LANDED_S + 60.0


def answer(page: Page, name: str) -> Any:
    return page.locator(f"[data-answer={name}]")


def acknowledge_all(feed: DemoFeed) -> None:
    feed.acknowledged |= {alarm.id for alarm in feed.state().alarms}
    feed.changed()


async def payload_place(page: Page) -> str:
    mark = page.locator(".mark-icon:has(.symbol-payload)")
    return await mark.get_attribute("style") or ""


async def test_a_flight_from_launch_to_landing(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=-120)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await expect(answer(page, "when")).to_contain_text("not known")
        await expect(answer(page, "height")).to_contain_text("on the ground")

        feed.go(1_800)
        await expect(answer(page, "height")).to_contain_text("ascending")
        await expect(answer(page, "height")).to_contain_text(height_text(feed))
        landing = feed.state().flights[0].landing
        assert landing is not None
        lands = landing.time.astimezone(CHICAGO)
        await expect(answer(page, "when").locator(".figure")).to_have_text(f"{lands:%H:%M}")
        await expect(page.locator("[data-panel=landing]")).to_contain_text("prediction")
        lead = page.locator("[data-panel=flight]")
        await expect(lead).to_contain_text(
            re.compile(r"Burst expectedin \d\d\u00a0min, (29|30),\d00")
        )
        await expect(lead).to_contain_text(
            re.compile(r"Landing expectedin [12]\u00a0h\u00a0\d\d\u00a0min")
        )
        place = await payload_place(page)

        feed.go(3_000)
        await expect(answer(page, "height")).to_contain_text(height_text(feed))
        await page.wait_for_function(
            "place => document.querySelector('.mark-icon:has(.symbol-payload)')"
            ".getAttribute('style') !== place",
            arg=place,
        )

        feed.go(7_200)
        main = page.locator(".trackers tbody", has_text="N0CALL-11")
        await expect(main).to_have_attribute("data-state", "silent")
        await expect(main.locator(".state")).to_have_text("silent")
        await expect(answer(page, "height")).to_contain_text("descending")
        reporting = answer(page, "trackers").locator("li")
        await expect(reporting.filter(has_text="Main")).to_have_attribute("data-state", "silent")
        await expect(reporting.filter(has_text="Backup")).to_have_attribute(
            "data-state", "reporting"
        )

        feed.go(LANDED_S + 900)
        await expect(reporting.filter(has_text="Phone")).to_have_attribute(
            "data-state", "reporting"
        )
        await expect(answer(page, "when")).to_contain_text("Landed")
        await expect(page.locator("[data-panel=landing]")).to_contain_text("landed fix")
        landed = next(e for e in feed.state().flights[0].events if e.kind == "landing").time
        assert landed is not None
        assert (
            abs(landed.timestamp() - flight.LAUNCH_S - flight.LANDED_S) < 90.0
        )  # packets: one a minute
        text = f"landed {landed.astimezone(CHICAGO):%H:%M}"
        await expect(page.locator(".landing-label")).to_contain_text(text)
        spot = feed.state().flights[0].landing
        assert spot is not None
        shown = await page.locator("[data-panel=landing] .coordinates").first.inner_text()
        assert shown == f"{spot.latitude_deg:.5f}, {spot.longitude_deg:.5f}"
        watched.assert_quiet(port)


async def test_an_alarm_stays_until_it_is_acknowledged(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_200)
    acknowledge_all(feed)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await expect(page.locator(".alarm")).to_be_hidden()
        feed.go(7_200)
        await expect(page.locator(".alarm-text")).to_contain_text("Last heard at 09:56:03 CDT")
        await expect(page.get_by_role("alert")).to_contain_text("Main is silent")
        await page.locator(".alarm").get_by_role("button", name="Acknowledge").click()
        await expect(page.locator(".alarm")).to_be_hidden()
        alarm = feed.state().alarms[-1].id
        assert feed.commands == [("acknowledge", alarm, None, None)]
        log = page.locator("[data-panel=log]")
        await expect(log).to_contain_text("Main is silent")
        await expect(log.locator(".log-done").first).to_have_text("acknowledged")
        # who it was is asked once, on the device, and nobody must say
        await page.get_by_label("Your name, for the log").fill(" Anna <b>")
        await page.get_by_role("button", name="Keep").click()
        await expect(log.locator(".log-done").first).to_have_text("acknowledged by Anna <b>")
        assert feed.commands[1:] == [("acknowledge", f"{alarm}\nAnna <b>", None, None)]
        await expect(page.locator(".alarm-regret")).to_be_visible()
        await expect(page.locator(".person")).to_be_hidden()
        watched.assert_quiet(port)


async def test_under_an_alarm_a_phones_map_keeps_its_room(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=7_200)
    async with serving(create_app(feed)) as port:
        page = (await open_page(port, size=PHONE)).page
        await expect(page.locator(".alarm")).to_be_visible()
        before = await page.locator(".map").bounding_box()
        assert before is not None
        assert before["height"] > 220
        acknowledge_all(feed)
        await expect(page.locator(".alarm")).to_be_hidden()
        assert await page.locator(".map").bounding_box() == before, "nothing else moves"


async def test_units_palette_and_text_size_stay_chosen(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        root = page.locator("html")
        await expect(root).to_have_attribute("data-palette", "day")
        await page.get_by_role("button", name="Change to the night palette").click()
        await expect(root).to_have_attribute("data-palette", "night")
        await page.get_by_role("button", name="Units: Metric. Change to").click()
        await expect(answer(page, "height")).to_contain_text(height_text_ft(feed))
        await expect(answer(page, "height")).to_contain_text(re.compile(r"\d\d0.ft/min"))
        await page.get_by_role("button", name="A+: larger text").click()
        await page.reload()
        await expect(answer(page, "height")).to_contain_text(height_text_ft(feed))
        await expect(root).to_have_attribute("data-palette", "night")
        size = await root.evaluate("node => getComputedStyle(node).fontSize")
        assert size == "17.6px"  # 110 % of 16 px
        watched.assert_quiet(port)


async def test_the_palette_follows_the_machine_at_first(open_page: Any) -> None:
    async with serving(create_app(DemoFeed(since_launch_s=60))) as port:
        watched = await open_page(port, night=True)
        await expect(watched.page.locator("html")).to_have_attribute("data-palette", "night")
        ground = await watched.page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert ground == "rgb(12, 10, 8)"


async def test_a_phone_has_tabs_and_no_sideways_scroll(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=6_000)
    acknowledge_all(feed)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port, size=PHONE, has_touch=True)
        page = watched.page
        await expect(page.locator(".map")).to_be_visible()
        await expect(page.locator("[data-panel=landing]")).to_be_hidden()
        for tab, panel in (("Landing", "landing"), ("Trackers", "trackers"), ("Flight", "flight")):
            await page.locator(".tabs").get_by_role("button", name=tab).tap()
            await expect(page.locator(f"[data-panel={panel}]")).to_be_visible()
            await expect(page.locator(".map")).to_be_hidden()
            await expect(answer(page, "when")).to_be_visible()
            assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        tabs, cards = [
            await page.locator(selector).evaluate_all(f"all => all.map((one) => one.dataset.{of})")
            for selector, of in ((".tabs button", "tab"), (".side > .card", "on"))
        ]
        assert set(cards) <= set(tabs), "a card on no tab is seen on no phone"
        watched.assert_quiet(port)


async def test_the_map_stays_where_a_reader_put_it(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        everything = page.get_by_role("button", name="All", exact=True)
        await expect(everything).to_have_attribute("aria-pressed", "true")
        await page.mouse.move(400, 400)
        await page.mouse.down()
        await page.mouse.move(520, 300, steps=5)
        await page.mouse.up()
        await expect(everything).to_have_attribute("aria-pressed", "false")
        before = await page.locator(".scale-length").inner_text()
        pane = page.locator(".leaflet-map-pane")
        style = await pane.get_attribute("style")
        feed.go(5_000)
        await expect(answer(page, "height")).to_contain_text(height_text(feed))
        assert await pane.get_attribute("style") == style
        assert await page.locator(".scale-length").inner_text() == before
        await everything.click()
        await expect(everything).to_have_attribute("aria-pressed", "true")


async def test_fixes_on_demand(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    (shown,) = feed.state().flights
    main, backup, *others = shown.trackers
    off = Rejection(RejectionKind.POSITION_OFF, 10_000.0, ("N0CALL-11",))
    feed.flight_changes = {"trackers": (main, replace(backup, last_rejection=off), *others)}
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await page.locator(".expander", has_text="Backup").click()
        details = page.locator(".details:not([hidden])")
        await expect(details).to_contain_text("10.0 km from where N0CALL-11 puts it")
        show = details.get_by_role("button", name="Show its fixes on the map")
        await show.click()
        canvas = page.locator(".leaflet-fixes-pane canvas")
        await expect(canvas).to_have_count(1)
        await page.wait_for_function(  # it is drawn with the next frame
            "node => node.getContext('2d').getImageData(0, 0, node.width, node.height)"
            ".data.some((part) => part > 0)",
            arg=await canvas.element_handle(),
        )
        await details.get_by_role("button", name="Hide its fixes").click()
        watched.assert_quiet(port)


async def test_texts_from_the_air_are_only_text(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    feed.comment = '<img src=x onerror="document.title=1"><script>document.title=2</script>'
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        await page.locator(".expander", has_text="Main").click()
        await expect(page.locator(".packet").first).to_contain_text("<img src=x")
        assert await page.locator(".packet img, .packet script").count() == 0
        assert re.search("Leeward$", await page.title())
        watched.assert_quiet(port)


async def test_a_vehicle_is_placed_by_hand(open_page: Any) -> None:
    name = "Car 2"
    feed = DemoFeed(since_launch_s=6_600)  # not heard of for a while
    async with serving(create_app(feed)) as port:
        watched = await open_page(port)
        page = watched.page
        row = page.locator(".vehicle", has_text=name)
        await row.get_by_role("button", name="Set position").click()
        await page.locator(".map").click(position={"x": 300, "y": 200})
        await expect(row.get_by_role("button", name="Set position")).to_be_visible()
        kind, who, latitude, longitude = feed.commands[-1]
        assert (kind, who) == ("vehicle", name)
        assert 37 < latitude < 39
        assert -99 < longitude < -97


async def test_a_car_that_nobody_heard_can_be_put_on_the_map(open_page: Any) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    feed.changes |= {"vehicles": (), "unplaced": (UnplacedVehicle("Car 1", own=True),)}
    async with serving(create_app(feed)) as port:
        page = (await open_page(port)).page
        row = page.locator(".vehicle", has_text="Car 1, ours")
        await expect(row).to_contain_text("no position yet")
        await expect(page.get_by_role("button", name="Our car", exact=True)).to_be_disabled()
        await expect(answer(page, "headline")).to_contain_text("Our car has no position")
        await row.get_by_role("button", name="Set position").click()
        await page.locator(".map").click(position={"x": 300, "y": 200})
        await expect(row.get_by_role("button", name="Set position")).to_be_visible()
        assert feed.commands[-1][:2] == ("vehicle", "Car 1")
