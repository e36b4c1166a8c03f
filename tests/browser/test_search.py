"""The search in real browsers: loss, a bearing, searched ground, found; a phone whose link breaks."""

from __future__ import annotations

import contextlib
import io
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.async_api import expect

from server.flight.mission import Mission
from server.flight.search_state import Search
from server.journal.database import Journal
from server.journal.photos import photos_beside
from server.screen.app import create_app
from server.session.replay import state_at
from server.session.station import Station
from tests.browser.conftest import PATIENCE_MS, PHONE
from tests.flight.search.test_lost import LANDED_S, PLAN, TRUE, car, lost
from tests.flights import T0
from tests.screen.serving import serving
from tests.session.test_station import until
from tests.sync.made import running

expect.set_options(timeout=PATIENCE_MS)

NOW_S = T0 + LANDED_S + 1_200.0
NEAR = (TRUE[0] - 0.03, TRUE[1] - 0.01)


@contextlib.asynccontextmanager
async def lost_station() -> AsyncIterator[tuple[Station, Journal]]:
    """It has heard the flight to some kilometres up, and its own car near the landing."""
    journal = Journal(":memory:")
    journal.append([*lost(), car(LANDED_S + 900.0, *NEAR)])
    station = Station(Mission(PLAN), journal, (), lambda: NOW_S, {})
    with contextlib.closing(station):
        async with running(station.run()):
            yield station, journal


def picture() -> bytes:
    """Larger than the page lets it be."""
    body = io.BytesIO()
    Image.effect_noise((2_000, 1_500), 40.0).save(body, "PNG")
    return body.getvalue()


def search_of(station: Station) -> Search:
    return station.state().flights[0].search


async def test_the_crew_notes_and_everybody_sees_it(open_page: Any, tmp_path: Path) -> None:
    photos = photos_beside(tmp_path / "tern.sqlite3")
    async with (
        lost_station() as (station, journal),
        serving(create_app(station, photos=photos)) as port,
    ):
        watched = await open_page(port)
        page = watched.page
        card = page.locator("[data-panel=search]")
        await expect(card.locator(".search-contact")).to_contain_text("Contact lost")
        await expect(card).to_contain_text("Last fix")
        await expect(card).to_contain_text("to hear a packet by then")
        await expect(card).to_contain_text("in an hour of open ground")
        await expect(page.locator("path.search-90").first).to_be_attached()

        await card.get_by_text("Bearing", exact=True).click()
        await card.get_by_label("Bearing in degrees").fill("20")
        await card.get_by_role("button", name="Sharp").click()
        await expect(card.locator(".note-told")).to_contain_text("WMM")
        await expect(card.locator(".notes li")).to_contain_text("bearing")
        await expect(page.locator("path.bearing")).to_have_count(1)
        bearing = search_of(station).bearings[0]
        assert 22.0 < bearing.bearing_deg < 27.0, (
            "a compass there shows about four degrees too little"
        )
        assert (bearing.latitude_deg, bearing.longitude_deg) != (0.0, 0.0)

        await card.get_by_role("button", name="Take back").click()
        await expect(card.locator(".notes li")).to_have_count(0)

        phone = await open_page(
            port,
            "/walk",
            size=PHONE,
            has_touch=True,
            ready=".walk-distance",
            geolocation={"latitude": TRUE[0], "longitude": TRUE[1], "accuracy": 5.0},
            permissions=["geolocation"],
        )
        walk = phone.page
        await walk.get_by_role("button", name="Use my position").tap()
        await walk.get_by_text("Searched", exact=True).tap()
        await walk.get_by_role("button", name="Begin here").tap()
        await walk.context.set_geolocation({"latitude": TRUE[0] + 0.002, "longitude": TRUE[1]})
        await walk.wait_for_function("() => performance.now() > 0")
        await walk.get_by_role("button", name="End here").tap()
        await expect(card.locator(".notes li")).to_contain_text("searched (open)")

        await walk.context.set_offline(True)
        await walk.get_by_text("Found", exact=True).tap()
        await walk.get_by_label("Note").fill("in a ditch")
        shot = {"name": "box.png", "mimeType": "image/png", "buffer": picture()}
        await walk.get_by_label("Photo").set_input_files([shot])
        await expect(walk.locator(".note-told")).to_contain_text("The photo goes with")
        await walk.get_by_role("button", name="It lies here").tap()
        await expect(walk.locator(".note-queue")).to_contain_text("not sent yet")
        assert search_of(station).found is None
        await walk.context.set_offline(False)
        await expect(card.locator(".search-contact")).to_contain_text("Found by On foot")
        await expect(card.locator(".search-contact")).to_contain_text("in a ditch")
        found = search_of(station).found
        assert found is not None
        await expect(page.locator("path.search-90")).to_have_count(0)
        kept = photos.of(found.photo or "")
        assert kept is not None, "the photo came with it"
        assert kept.media_type == "image/jpeg", "made smaller by the page"
        assert max(Image.open(io.BytesIO(kept.body)).size) == 1_600
        await page.wait_for_function(
            "() => document.querySelector('[data-panel=search] .search-photo').naturalWidth === 1600"
        )

        await walk.get_by_text("Going there", exact=True).tap()
        await walk.get_by_role("button", name="Cannot reach it").tap()
        await expect(walk.locator(".note-told")).to_contain_text("Say why")
        await walk.get_by_label("Reason").fill("the river is up")
        await walk.get_by_role("button", name="Cannot reach it").tap()
        await expect(card).to_contain_text("On foot cannot reach it: the river is up")

        heard = [reception for _, reception in journal.receptions()]
        again = state_at(heard, PLAN, round(NOW_S * 1_000)).flights[0].search
        await until(station, lambda: search_of(station) == again)  # the last one is under way
