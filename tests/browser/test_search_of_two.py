"""The story of a search by two stations and three phones in real browsers, with a link that breaks."""

from __future__ import annotations

import asyncio
import contextlib
import functools
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import orjson
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from playwright.async_api import Page, expect

from server.debrief.search_tables import areas_table, story_table
from server.flight.inputs import Plan, Reception, VehiclePlan
from server.flight.mission import Mission
from server.flight.search_state import Search
from server.journal.database import Journal
from server.journal.recording import Recording
from server.screen.app import create_app
from server.session.replay import state_at
from server.session.side_tasks import SideTask
from server.session.station import Station
from server.sync.incoming import add_peer_route
from server.sync.keys import stretched
from server.sync.ledger import Ledger
from server.sync.peers import Peer, Peers
from tests.browser.conftest import PATIENCE_MS, PHONE
from tests.debrief.made import replayed
from tests.flight.search.test_lost import LANDED_S, LOST_S, PLAN, TRUE, lost
from tests.flights import T0
from tests.screen.serving import serving
from tests.session.test_station import until
from tests.sync.cars import QUICK, address
from tests.sync.made import KEY, running
from tests.sync.poor_link import PoorLink

expect.set_options(timeout=PATIENCE_MS)

NOW_S = T0 + LANDED_S + 1_200.0
FIRST, SECOND = "car-1", "car-2"
CARS = {
    FIRST: ("Car 1", (-0.03, -0.01)),
    SECOND: ("Car 2", (0.02, 0.03)),
}  # off the true place, degrees
STARTS = {
    "Ann": (-0.03, -0.01),
    "Ben": (0.0, 0.0),
    "Cleo": (0.004, 0.03),
}  # off the true place, degrees


def plan_of(station: str) -> Plan:
    """Both cars carry a receiver of their own; one of them is ours."""
    cars = (
        VehiclePlan(car, source=f"{name}/gps", own=name == station)
        for name, (car, _) in CARS.items()
    )
    return replace(PLAN, station=station, vehicles=tuple(cars))


def stood(station: str) -> list[Reception]:
    """Where its car stood from the loss on, by its own receiver."""
    _, (off_lat, off_lon) = CARS[station]
    told = []
    for elapsed_s in range(int(LOST_S) - 300, int(LANDED_S) + 1_000, 60):
        time = datetime.fromtimestamp(T0 + elapsed_s, UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
        fix = {
            "class": "TPV",
            "mode": 3,
            "time": time,
            "lat": TRUE[0] + off_lat,
            "lon": TRUE[1] + off_lon,
        }
        at_ms = round((T0 + elapsed_s) * 1_000) + 200
        told.append(Reception(at_ms, f"{station}/gps", "gpsd", orjson.dumps(fix)))
    return told


@contextlib.asynccontextmanager
async def station_of(
    name: str, heard: list[Reception], other: Peer
) -> AsyncIterator[tuple[Station, Ledger, int]]:
    """A station with a link to `other`, and its port."""
    ledger = Ledger(Journal(":memory:"), Ed25519PrivateKey.generate(), name)
    ledger.append([*(replace(r, source=f"{name}/tnc") for r in heard), *stood(name)])
    station = Station(Mission(plan_of(name)), ledger, (), lambda: NOW_S)
    peers = Peers(ledger, station, "Tern 7", [other], clock=lambda: NOW_S, backoff=QUICK)
    loop = asyncio.get_running_loop()

    def on_growth(_: object) -> None:
        loop.call_soon_threadsafe(peers.stir)

    ledger.on_growth = on_growth
    app = create_app(station)
    add_peer_route(app, peers)
    calls = (SideTask(to, run) for to, run in peers.calls())
    with contextlib.closing(station):
        async with running(station.run(*calls)), serving(app) as port:
            yield station, ledger, port


def search_of(station: Station) -> Search:
    return station.state().flights[0].search


def receptions(ledger: Ledger) -> list[Reception]:
    return sorted(reception for _, reception in ledger.receptions())


async def on_foot(open_page: Any, port: int, name: str) -> Page:
    """A phone with a position, whose owner has said who it is."""
    off_lat, off_lon = STARTS[name]
    phone = await open_page(
        port,
        "/walk",
        size=PHONE,
        has_touch=True,
        ready=".walk-distance",
        geolocation={
            "latitude": TRUE[0] + off_lat,
            "longitude": TRUE[1] + off_lon,
            "accuracy": 5.0,
        },
        permissions=["geolocation"],
    )
    page: Page = phone.page
    await page.get_by_role("button", name="Use my position").tap()
    await page.get_by_label("Your name").fill(name)
    await page.get_by_label("Your name").press("Tab")
    return page


async def test_two_stations_and_three_phones_find_it_together(open_page: Any) -> None:
    heard = lost()
    async with (
        station_of(FIRST, heard[::2], Peer(SECOND, stretched(KEY), None)) as (
            a,
            books_a,
            port_a,
        ),
        PoorLink(port_a) as link,
        station_of(SECOND, heard[1::2], Peer(FIRST, stretched(KEY), address(link.port))) as (
            b,
            books_b,
            port_b,
        ),
    ):
        both = functools.partial(both_at, a, b)
        await both(lambda search: search.contact == "lost")
        page_a, page_b = [(await open_page(port)).page for port in (port_a, port_b)]
        cards = [page.locator("[data-panel=search]") for page in (page_a, page_b)]
        for card in cards:
            await expect(card.locator(".search-contact")).to_contain_text("Contact lost")
        ann, ben = [await on_foot(open_page, port_a, name) for name in ("Ann", "Ben")]
        cleo = await on_foot(open_page, port_b, "Cleo")

        await bears(ann, 17.0)
        for card in cards:
            await expect(card.locator(".notes li")).to_have_count(1)
        await bears(cleo, 256.0)
        for page in (page_a, page_b):
            await expect(page.locator("path.bearing")).to_have_count(2)
        await both(lambda search: len(search.bearings) == 2)

        link.break_()
        await cleo.get_by_text("Searched", exact=True).tap()
        await cleo.get_by_role("button", name="Begin here").tap()
        await cleo.context.set_geolocation(
            {"latitude": TRUE[0] + 0.006, "longitude": TRUE[1] + 0.03}
        )
        await cleo.get_by_role("button", name="End here").tap()
        await expect(cards[1].locator(".notes")).to_contain_text("searched (open)")
        await ben.get_by_text("Found", exact=True).tap()
        await ben.get_by_label("Note").fill("in a hedge")
        await ben.get_by_role("button", name="It lies here").tap()
        await expect(cards[0].locator(".search-contact")).to_contain_text("in a hedge")
        assert search_of(b).found is None, "nothing came over the broken link"
        assert search_of(a).searched == ()

        link.mend()
        await expect(cards[1].locator(".search-contact")).to_contain_text("in a hedge")
        await both(lambda search: search.found is not None and len(search.searched) == 1)
        for phone in (ann, cleo):
            await expect(phone.locator("main")).to_contain_text("found by Ben")
            await expect(phone.locator("main")).to_contain_text("in a hedge")

        assert receptions(books_a) == receptions(books_b)
        kept = (FIRST, books_a), (SECOND, books_b)
        replays = [
            state_at(receptions(books), plan_of(name), round(NOW_S * 1_000)) for name, books in kept
        ]
        here, there = (replay.flights[0] for replay in replays)
        assert here.search == there.search
        assert (here.events, here.track) == (
            there.events,
            there.track,
        )  # ranges are from the own car
        again = here.search
        await both(lambda search: search == again)  # the last one is under way
        records = [
            replayed(Recording("lost.log", receptions(books), (), {}, ()), plan_of(name))
            for name, books in kept
        ]
        for table in (story_table, areas_table):
            assert table(records[0]) == table(records[1])
        story = sorted((row[1], row[2].split()[0]) for row in story_table(records[0]).rows)
        assert story == [
            ("Ann", "bearing"),
            ("Ben", "found"),
            ("Cleo", "bearing"),
            ("Cleo", "searched"),
        ]


async def bears(phone: Page, degrees: float) -> None:
    await phone.get_by_text("Bearing", exact=True).tap()
    await phone.get_by_label("Bearing in degrees").fill(f"{degrees:.0f}")
    await phone.get_by_role("button", name="Sharp").tap()
    await phone.get_by_text("Bearing", exact=True).tap()  # folded again


async def both_at(a: Station, b: Station, holds: Any) -> None:
    """Until it holds on both, and both have the same search."""
    for station in (a, b):
        await until(station, lambda: holds(search_of(a)) and holds(search_of(b)))
        await until(station, lambda: search_of(a) == search_of(b))
