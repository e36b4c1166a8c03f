"""Who may do what: without a key nothing, with the watcher's nothing but look, and nobody for ever."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Callable
from functools import partial
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient

from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.keys import COOKIE, Keys
from server.screen.limits import ANY_WRONG_TOKENS, ASKING, BEACONS, COMMANDS, WRONG_TOKENS, Rate
from tests.screen.demo_feed import JSON_TOKEN, TOKEN, DemoFeed

KEYS = Keys(watch="the watchers' key, long", crew="the crew's key, long too")
FAR = ("192.168.8.77", 40_000)
HERE = ("127.0.0.1", 40_000)
BASE = "http://192.168.8.21:8420"
ORIGIN = {"Origin": BASE}


def make(feed: DemoFeed, clock: Callable[[], float] = lambda: 0.0, **changed: object) -> FastAPI:
    told: dict[str, Any] = {"keys": KEYS, "guarded": True, "beacons": (("Phone", TOKEN),)}
    told["local"] = lambda *_: True  # no socket is behind what is asked here
    settings = ScreenSettings(**told | changed)
    # a clock that stands still: no bucket fills again on a slow machine
    return create_app(feed, settings=settings, bases=lambda: [BASE], clock=clock)


def asking(
    app: FastAPI, who: tuple[str, int] = FAR, key: str | None = None, base: str = BASE
) -> AsyncClient:
    headers = {} if key is None else {"Authorization": f"Bearer {key}"}
    transport = ASGITransport(app, client=who)
    return AsyncClient(transport=transport, base_url=base, headers=headers)


@pytest.fixture
def feed() -> DemoFeed:
    return DemoFeed(since_launch_s=6_700)


@pytest.fixture
def app(feed: DemoFeed) -> FastAPI:
    return make(feed)


SECRETS = (
    "/api/state",
    "/api/history",
    "/api/setup",
    "/api/me",
    "/api/links",
    "/links",
    "/walk",
    "/",
    "/api/terrain?lat=1&lon=2",
    "/api/qr.svg?lat=1&lon=2",
    "/layers/x",
    "/tiles/x/1/1/1",
    "/demo.html",
    "/wire/order.json",
    "/openapi.json",
    "/docs",
)
CHANGES = (
    ("/api/acknowledge", {"id": "burst"}),
    ("/api/vehicle", {"name": "Car 2", "latitude_deg": 1.0, "longitude_deg": 2.0}),
    ("/api/replay", {"action": "pause"}),
)


@pytest.mark.parametrize("path", SECRETS)
async def test_without_a_key_nothing_of_the_flight_is_seen(app: FastAPI, path: str) -> None:
    async with asking(app) as client:
        reply = await client.get(path)
    assert reply.status_code == 401
    for secret in ("N0CALL", "latitude", KEYS.watch, KEYS.crew, TOKEN):
        assert secret not in reply.text


@pytest.mark.parametrize(("path", "body"), CHANGES)
async def test_without_the_crews_key_nothing_is_changed(
    app: FastAPI, feed: DemoFeed, path: str, body: dict[str, Any]
) -> None:
    for key, status in ((None, 401), ("a wrong key of that kind", 401), (KEYS.watch, 403)):
        async with asking(app, key=key) as client:
            reply = await client.post(path, json=body, headers=ORIGIN)
        assert reply.status_code == status
        assert reply.json()["detail"]
    assert feed.commands == []
    async with asking(app, key=KEYS.crew) as client:
        reply = await client.post(path, json=body, headers=ORIGIN)
    assert reply.status_code in (200, 409)


async def test_watchers_see_the_flight_and_no_links(app: FastAPI) -> None:
    async with asking(app, key=KEYS.watch) as client:
        assert (await client.get("/api/state")).status_code == 200
        me = (await client.get("/api/me")).json()
        assert (me["role"], me["links"]) == ("watch", True)
        for path in ("/links", "/api/links"):
            assert (await client.get(path)).status_code == 403


async def test_a_key_is_shown_once_for_a_cookie_that_is_not_the_key(app: FastAPI) -> None:
    async with asking(app) as client:
        page = await client.get("/")
        assert page.status_code == 401
        assert "A key is needed" in page.text
        reply = await client.post("/api/enter", json={"key": KEYS.watch}, headers=ORIGIN)
        assert reply.json() == {"role": "watch"}
        cookie = reply.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert KEYS.watch not in cookie
        assert (await client.get("/")).status_code == 200
        assert (await client.get("/api/state")).status_code == 200
        client.cookies.set(COOKIE, "0" * 64)
    async with asking(app) as client:
        forged = await client.get("/api/state", headers={"Cookie": f"{COOKIE}={'0' * 64}"})
        assert forged.status_code == 401
        worn = await client.get("/api/state", headers={"Cookie": f"{COOKIE}={KEYS.crew}"})
        assert worn.status_code == 401, "the key itself is no cookie"


async def test_over_https_the_cookie_stays_there(app: FastAPI) -> None:
    transport = ASGITransport(app, client=FAR)
    base = BASE.replace("http:", "https:")
    async with AsyncClient(transport=transport, base_url=base) as client:
        reply = await client.post("/api/enter", json={"key": KEYS.crew})
    assert "Secure" in reply.headers["set-cookie"]


async def test_this_machine_needs_no_key_unless_a_proxy_asks_for_another(feed: DemoFeed) -> None:
    app = make(feed, guarded=False)
    for base in ("http://127.0.0.1:8420", "http://LOCALHOST:8420", "http://[::1]:8420"):
        async with asking(app, HERE, base=base) as client:
            assert (await client.get("/api/me")).json()["role"] == "crew"
            for header in ("X-Forwarded-For", "X-Forwarded-Host", "Forwarded", "X-Real-IP", "Via"):
                reply = await client.get("/api/state", headers={header: "127.0.0.1"})
                assert reply.status_code == 401
    async with asking(app, FAR, base="http://127.0.0.1:8420") as client:
        assert (await client.get("/api/state")).status_code == 401
    async with asking(make(feed), HERE) as client:  # it listens to all: so a key from here too
        assert (await client.get("/api/state")).status_code == 401


async def test_a_tunnel_or_a_proxy_that_says_nothing_is_no_way_round_the_key(
    feed: DemoFeed,
) -> None:
    app = make(feed, guarded=False, hosts=("chase.example",))
    for base in (BASE, "http://chase.example", "https://chase.example:8443"):
        async with asking(app, HERE, base=base) as client:  # they hand on the name that was typed
            assert (await client.get("/api/state")).status_code == 401
            assert (await client.get("/api/links")).status_code == 401
    asked = {
        "type": "http",
        "method": "GET",
        "path": "/api/links",
        "raw_path": b"/api/links",
        "query_string": b"",
        "headers": [(b"host", b"127.0.0.1:8420")],
        "client": HERE,
        "scheme": "http",
        "server": HERE,
        "root_path": "",
    }
    for version, status in (("1.1", 200), ("1.0", 401)):  # as nginx asks of itself
        answered: list[dict[str, Any]] = []
        send = partial(_note, answered)
        await app(asked | {"http_version": version}, None, send)  # type: ignore[arg-type]
        assert answered[0]["status"] == status


async def test_a_beacon_posts_and_sees_nothing(app: FastAPI, feed: DemoFeed) -> None:
    body = {"latitude": 38.0, "longitude": -98.0, "timestamp": 1_780_000_000_000}
    async with asking(app) as client:
        assert (await client.get(f"/beacon/{TOKEN}")).status_code == 200
        assert (await client.post(f"/api/beacon/{TOKEN}", json=body)).status_code == 202
        for path in ("/api/state", "/"):
            as_key = {"Authorization": f"Bearer {TOKEN}"}
            assert (await client.get(path, headers=as_key)).status_code == 401
    assert len(feed.received) == 1


async def test_whoever_posts_json_sees_nothing(app: FastAPI, feed: DemoFeed) -> None:
    async with asking(app) as client:
        assert (await client.post(f"/api/json/{JSON_TOKEN}", json={"lat": 1})).status_code == 202
        assert (await client.post(f"/api/json/{TOKEN}", json={"lat": 1})).status_code == 404
        assert (await client.post(f"/api/beacon/{JSON_TOKEN}", json={})).status_code == 404
        assert (await client.get(f"/beacon/{JSON_TOKEN}")).status_code == 404
        as_key = {"Authorization": f"Bearer {JSON_TOKEN}"}
        assert (await client.get("/api/state", headers=as_key)).status_code == 401
        answers = [await client.post(f"/api/json/guess-{i}", json={}) for i in range(12)]
        assert {a.status_code for a in answers} == {404, 429}
    assert [source for source, _ in feed.received] == ["lora"]


async def test_the_crew_gets_links_with_codes_that_read_back(app: FastAPI) -> None:
    async with asking(app, key=KEYS.crew) as client:
        told = (await client.get("/api/links")).json()
        other = (await client.get("/api/links?base=https://tern.example/x")).json()
        bad = await client.get("/api/links?base=javascript:alert(1)")
    assert [link["url"] for link in told["links"]] == [
        f"{BASE}/#key={KEYS.watch}",
        f"{BASE}/#key={KEYS.crew}",
        f"{BASE}/beacon/{TOKEN}",
    ]
    assert other["links"][0]["url"].startswith("https://tern.example/x/#key=")
    assert bad.status_code == 422
    assert all(link["code"].startswith("data:image/svg+xml;base64,") for link in told["links"])


async def test_guessing_is_slowed_down_for_the_guesser_alone(app: FastAPI) -> None:
    async with asking(app) as client:
        answers = [await client.post("/api/enter", json={"key": f"guess {i}"}) for i in range(14)]
        assert [a.status_code for a in answers] == [403] * 10 + [429] * 4
        assert int(answers[-1].headers["retry-after"]) > 0
        right = await client.post("/api/enter", json={"key": KEYS.crew})
        assert right.status_code == 429, "not even the right one for a while"
    async with asking(app, ("192.168.8.78", 1)) as client:
        assert (await client.post("/api/enter", json={"key": KEYS.crew})).status_code == 200


async def test_guesses_whose_heads_come_together_are_slowed_down_too(app: FastAPI) -> None:
    """At the heads none was wrong yet; the right key is among the last."""
    go = asyncio.Event()

    async def body(key: str) -> AsyncIterator[bytes]:
        await go.wait()
        yield json.dumps({"key": key}).encode()

    async with asking(app) as client:
        keys = [*(f"guess {i}" for i in range(40)), KEYS.crew]
        sent = [asyncio.create_task(client.post("/api/enter", content=body(key))) for key in keys]
        for _ in range(100):
            await asyncio.sleep(0)
        go.set()
        answers = [(await one).status_code for one in sent]
    assert answers.count(403) <= 10
    assert answers[-1] == 429


async def test_a_guesser_at_the_same_address_shuts_nobody_out(app: FastAPI, feed: DemoFeed) -> None:
    """A street, a hotspot and a phone network may have one address for all."""
    async with asking(app) as crew, asking(app) as stranger:
        await crew.post("/api/enter", json={"key": KEYS.crew}, headers=ORIGIN)
        await crew.get(f"/beacon/{TOKEN}")
        for i in range(30):
            await stranger.post("/api/enter", json={"key": f"guess {i}"})
            await stranger.get(f"/beacon/guess-{i}")
        assert (await stranger.post("/api/enter", json={"key": "x"})).status_code == 429
        assert (await stranger.get("/beacon/guess")).status_code == 429
        assert (await crew.get("/api/state")).status_code == 200
        body = {"latitude": 38.0, "longitude": -98.0, "timestamp": 1_780_000_000_000}
        assert (await crew.post(f"/api/beacon/{TOKEN}", json=body)).status_code == 202
        watcher = {"Cookie": f"{COOKIE}={KEYS.cookie('watch')}"}
        for _ in range(int(ASKING.burst) + 30):
            reply = await stranger.get("/api/me", headers=watcher)
        assert reply.status_code == 429
        assert (await crew.get("/api/state")).status_code == 200
        assert (await crew.post("/api/acknowledge", json={"id": "x"})).status_code != 429


async def test_past_the_pace_no_answer_tells_a_right_token_from_a_wrong_one(
    feed: DemoFeed,
) -> None:
    now_s = 0.0
    app = make(feed, clock=lambda: now_s)
    body = {"latitude": 38.0, "longitude": -98.0, "timestamp": 1_780_000_000_000}
    async with asking(app) as client:
        answers = [await client.post(f"/api/beacon/guess-{i}", json=body) for i in range(40)]
        assert [a.status_code for a in answers].count(404) == WRONG_TOKENS.burst
        reply = await client.post(f"/api/beacon/{TOKEN}", json=body)
        assert (reply.status_code, reply.headers["Retry-After"]) == (429, "1")
        now_s += 1.0
        assert (await client.post(f"/api/beacon/{TOKEN}", json=body)).status_code == 202
        for i in range(40):
            await client.get(f"/beacon/another-guess-{i}")
        assert (await client.get(f"/beacon/{TOKEN}")).status_code == 200, "it was right here before"
        assert (await client.post(f"/api/json/{JSON_TOKEN}", json=body)).status_code == 429


async def test_tokens_are_paced_over_all_addresses_too(feed: DemoFeed) -> None:
    now_s = 0.0
    app = make(feed, clock=lambda: now_s)

    async def guessed_from(first: int, last: int) -> int:
        looked_at = 0
        for i in range(first, last):
            async with asking(app, (f"10.1.{i // 250}.{i % 250}", 1)) as client:
                looked_at += (await client.get(f"/beacon/guess-{i}")).status_code == 404
        return looked_at

    async with asking(app) as phone:
        assert (await phone.get(f"/beacon/{TOKEN}")).status_code == 200
        assert await guessed_from(0, 300) == ANY_WRONG_TOKENS.burst
        now_s += 10.0
        assert await guessed_from(300, 600) == 10.0 * ANY_WRONG_TOKENS.per_s
        assert (await phone.get(f"/beacon/{TOKEN}")).status_code == 200, "nobody's guesses are its"
    async with asking(app, ("10.2.0.1", 1)) as elsewhere:
        assert (await elsewhere.get(f"/beacon/{TOKEN}")).status_code == 429
        now_s += 1.0
        assert (await elsewhere.get(f"/beacon/{TOKEN}")).status_code == 200


async def test_guessing_tokens_and_bearers_counts_too(app: FastAPI) -> None:
    async with asking(app) as client:
        answers = [await client.get(f"/beacon/token-of-no-phone-{i}") for i in range(12)]
        assert {a.status_code for a in answers} == {404, 429}
    async with asking(app, ("10.0.0.9", 1), key="a wrong one") as client:
        answers = [await client.get("/api/state") for _ in range(12)]
        assert {a.status_code for a in answers} == {401, 429}


@pytest.mark.parametrize(
    ("path", "key", "rate"),
    [
        ("/api/acknowledge", KEYS.crew, COMMANDS),
        (f"/api/beacon/{TOKEN}", None, BEACONS),
        (f"/api/json/{JSON_TOKEN}", None, BEACONS),
        ("/api/me", KEYS.watch, ASKING),
    ],
)
async def test_too_often_is_told_with_when_to_ask_again(
    app: FastAPI, path: str, key: str | None, rate: Rate
) -> None:
    async with asking(app, key=key) as client:
        statuses = []
        for _ in range(int(rate.burst) + 30):
            reply = (
                await client.get(path)
                if path == "/api/me"
                else await client.post(path, json={"id": "burst"})
            )
            statuses.append(reply.status_code)
    assert 429 not in statuses[: int(rate.burst)]
    assert statuses[int(rate.burst) :] == [429] * 30


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b'{"key": 1}', b'{"key": ""}', b"x" * 9_000])
async def test_a_bad_way_to_enter_is_told(app: FastAPI, body: bytes) -> None:
    async with asking(app) as client:
        reply = await client.post("/api/enter", content=body)
    assert reply.status_code in (413, 422)
    assert reply.json()["detail"]


async def test_no_key_is_ever_logged(app: FastAPI, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    async with asking(app, key=KEYS.crew) as client:
        await client.get("/api/state")
        await client.post("/api/enter", json={"key": KEYS.watch})
        await client.post("/api/enter", json={"key": KEYS.watch + "?"})
    ours = "\n".join(r.getMessage() for r in caplog.records if not r.name.startswith("httpcore"))
    for secret in (KEYS.watch, KEYS.crew, KEYS.cookie("watch")):
        assert secret not in ours


async def _note(answered: list[dict[str, Any]], message: dict[str, Any]) -> None:
    answered.append(message)
