"""The routes: the state, commands that refuse in words, and the beacon's."""

from collections.abc import AsyncIterator

import pytest
from httpx import ASGITransport, AsyncClient
from pydantic import TypeAdapter

from server.flight.mission_state import State
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.messages import WholeHistory
from tests.screen import demo_feed as flight
from tests.screen.demo_feed import JSON_TOKEN, TOKEN, DemoFeed

BASE = "http://127.0.0.1:8000"
ORIGIN = {"Origin": BASE}
SMALL = ScreenSettings(max_beacon_bytes=2_000)


@pytest.fixture
def feed() -> DemoFeed:
    return DemoFeed(since_launch_s=6_700)


@pytest.fixture
async def client(feed: DemoFeed) -> AsyncIterator[AsyncClient]:
    async with asking(feed) as client:
        yield client


def asking(feed: DemoFeed, settings: ScreenSettings = SMALL, base: str = BASE) -> AsyncClient:
    transport = ASGITransport(create_app(feed, settings=settings))
    return AsyncClient(transport=transport, base_url=base)


# reading


async def test_state_and_history(client: AsyncClient, feed: DemoFeed) -> None:
    state = TypeAdapter(State).validate_python((await client.get("/api/state")).json())
    assert state.number == feed.state().number
    history = WholeHistory.model_validate((await client.get("/api/history")).json())
    assert {n: len(rows) for n, rows in history.tracks.items()} == {
        n: len(rows) for n, rows in feed.history().tracks.items()
    }
    assert (await client.get("/healthz")).json()["ok"] is True


# who may ask


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8000", "", "127.0.0.1.evil.example"]
)
async def test_a_name_that_is_not_ours_is_refused(client: AsyncClient, host: str) -> None:
    """A stranger's name that points here (DNS rebinding) reads nothing."""
    reply = await client.get("/api/state", headers={"Host": host})
    assert reply.status_code == 403
    assert "known" in reply.text or "name" in reply.text


@pytest.mark.parametrize("host", ["localhost:8000", "192.168.4.1:8000", "[::1]:8000"])
async def test_addresses_and_localhost_are_ours(client: AsyncClient, host: str) -> None:
    assert (await client.get("/api/state", headers={"Host": host})).status_code == 200


async def test_a_name_of_the_settings_is_ours(feed: DemoFeed) -> None:
    settings = ScreenSettings(hosts=("chase.example",))
    async with asking(feed, settings, "http://chase.example") as client:
        assert (await client.get("/api/state")).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:9"])
async def test_another_page_cannot_steer(client: AsyncClient, feed: DemoFeed, origin: str) -> None:
    for path in (
        "/api/acknowledge",
        "/api/vehicle",
        "/api/replay",
        f"/api/beacon/{TOKEN}",
        f"/api/json/{JSON_TOKEN}",
    ):
        assert (
            await client.post(path, content="{}", headers={"Origin": origin})
        ).status_code == 403
    assert feed.commands == [] == feed.received


# commands


async def test_acknowledge(client: AsyncClient, feed: DemoFeed) -> None:
    alarm = feed.state().alarms[0].id
    reply = await client.post("/api/acknowledge", json={"id": alarm}, headers=ORIGIN)
    assert reply.status_code == 200
    assert feed.commands == [("acknowledge", alarm, None, None)]


async def test_an_alarm_that_is_not_there(client: AsyncClient) -> None:
    reply = await client.post("/api/acknowledge", json={"id": "none"}, headers=ORIGIN)
    assert (reply.status_code, reply.json()["detail"]) == (409, "There is no such alarm.")


async def test_place_a_vehicle(client: AsyncClient, feed: DemoFeed) -> None:
    body = {"name": "Car 2", "latitude_deg": 37.9, "longitude_deg": -98.0}
    assert (await client.post("/api/vehicle", json=body, headers=ORIGIN)).status_code == 200
    assert feed.commands == [("vehicle", "Car 2", 37.9, -98.0)]


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/acknowledge", b""),
        ("/api/acknowledge", b"{"),
        ("/api/acknowledge", b"[]"),
        ("/api/acknowledge", b'{"id": ""}'),
        ("/api/acknowledge", b'{"id": "x", "more": 1}'),
        ("/api/acknowledge", b"\xff\xfe"),
        ("/api/vehicle", b'{"name": "Car 2", "latitude_deg": 91, "longitude_deg": 0}'),
        ("/api/vehicle", b'{"name": "Car 2", "latitude_deg": NaN, "longitude_deg": 0}'),
        ("/api/vehicle", b'{"name": "Car 2"}'),
        ("/api/replay", b'{"action": "explode"}'),
        ("/api/replay", b"[" * 3_000),
    ],
)
async def test_a_body_that_makes_no_sense(client: AsyncClient, path: str, body: bytes) -> None:
    reply = await client.post(path, content=body, headers=ORIGIN)
    assert reply.status_code == 422
    assert len(reply.json()["detail"]) > 5


async def test_a_body_that_is_too_long(client: AsyncClient, feed: DemoFeed) -> None:
    reply = await client.post("/api/acknowledge", content=b" " * 5_000, headers=ORIGIN)
    assert reply.status_code == 413
    assert feed.commands == []


async def test_a_replay_is_steered() -> None:
    feed = DemoFeed("replay", since_launch_s=600)
    async with asking(feed) as client:
        for body in (
            {"action": "seek", "value": flight.LAUNCH_S + 60},
            {"action": "speed", "value": 20},
            {"action": "play"},
        ):
            assert (await client.post("/api/replay", json=body, headers=ORIGIN)).status_code == 200
    assert feed.now_s == flight.LAUNCH_S + 60
    assert (feed.speed, feed.paused) == (20, False)


async def test_a_live_flight_is_not(client: AsyncClient) -> None:
    reply = await client.post("/api/replay", json={"action": "pause"}, headers=ORIGIN)
    assert reply.status_code == 409
    assert "live" in reply.json()["detail"]


# the phone


async def test_a_phones_body_is_kept_and_numbered(client: AsyncClient, feed: DemoFeed) -> None:
    body = b'{"coords": {"latitude": 37.9, "longitude": -98.0}, "timestamp": 1777738395000}'
    reply = await client.post(f"/api/beacon/{TOKEN}", content=body)  # no browser: no origin
    assert reply.status_code == 202
    assert reply.json()["number"] > 0
    assert feed.received == [("phone-1", body)]


async def test_what_is_not_json_is_kept_too_and_said(client: AsyncClient, feed: DemoFeed) -> None:
    reply = await client.post(f"/api/beacon/{TOKEN}", content=b"lat=37.9")
    assert reply.status_code == 422
    assert "not JSON" in reply.json()["detail"]
    assert feed.received == [("phone-1", b"lat=37.9")]


@pytest.mark.parametrize(
    ("token", "body", "status"),
    [
        (TOKEN, b"", 400),
        (TOKEN, b"  \n", 400),
        (TOKEN, b"[" + b"1," * 1_000 + b"1]", 413),
        ("another-token", b"{}", 404),
        ("%00", b"{}", 404),
        ("ü", b"{}", 404),
    ],
)
async def test_what_the_beacons_door_refuses(
    client: AsyncClient, feed: DemoFeed, token: str, body: bytes, status: int
) -> None:
    for door, own in (("beacon", TOKEN), ("json", JSON_TOKEN)):
        shown = own if token == TOKEN else token
        reply = await client.post(f"/api/{door}/{shown}", content=body)
        assert reply.status_code == status
        assert len(reply.json()["detail"]) > 10
    assert feed.received == []


async def test_a_beacon_page_needs_its_token(client: AsyncClient) -> None:
    assert (await client.get("/beacon/another-token")).status_code == 404
