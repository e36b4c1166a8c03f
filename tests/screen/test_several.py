"""What the interface says of flights and winds, and what it is told."""

from __future__ import annotations

from pydantic import TypeAdapter

from server.flight.view.winds import Winds
from tests.screen.demo_feed import DemoFeed
from tests.screen.test_app import ORIGIN, asking


async def test_the_winds_are_told_with_their_sources() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    feed.state()
    async with asking(feed) as client:
        answer = await client.get("/api/winds")
        found = TypeAdapter(Winds).validate_json(answer.content)
        assert found.flight == "Tern 7"
        assert [source.name for source in found.sources] == [""]
        heights = [level[0] for level in found.levels]
        assert heights == sorted(heights)
        assert all(level[3] > 0.0 for level in found.levels)
        met = {point[0] for point in found.sources[0].points}
        assert met <= {*heights}
        assert (await client.get("/api/winds?flight=another")).status_code == 404


async def test_a_car_is_assigned_and_a_phase_is_said_of_a_flight() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    async with asking(feed) as client:
        car = {"name": "Car 1", "flight": "Tern 7"}
        assert (await client.post("/api/assign", json=car, headers=ORIGIN)).status_code == 200
        said = {"said": "launched", "flight": "Tern 7"}
        assert (await client.post("/api/phase", json=said, headers=ORIGIN)).status_code == 200
        bad = {"name": "Car 1", "flight": "x" * 101}
        assert (await client.post("/api/assign", json=bad, headers=ORIGIN)).status_code == 422
    assert feed.commands == [
        ("assign", "Car 1", None, None, "Tern 7"),
        ("phase", "launched", None, None, "Tern 7"),
    ]
