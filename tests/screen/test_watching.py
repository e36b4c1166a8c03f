"""What watchers poll: cacheable, the same for all, and carried by Debian's nginx with a micro-cache."""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import re
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import httpx
import orjson
import pytest
from httpx import ASGITransport, AsyncClient

from server.flight.mission_state import State
from server.screen import hub as hubs
from server.screen import watching
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.hub import Hub
from server.screen.keys import Keys
from server.screen.messages import Resume
from server.screen.replies import as_json
from server.screen.watching import watch_path
from tests.nginx import nginx
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import serving
from tests.session.running import free_port

KEYS = Keys("watch-" + "w" * 20, "crew-" + "c" * 20)
BASE = "http://192.168.8.21:8420"
README = Path(__file__).parents[2] / "server" / "screen" / "README.md"


def asking(app: object) -> AsyncClient:
    transport = ASGITransport(app, client=("203.0.113.7", 40_000))  # type: ignore[arg-type]
    return AsyncClient(transport=transport, base_url=BASE)


async def test_the_state_is_the_same_bytes_for_everybody_and_may_be_cached() -> None:
    feed = DemoFeed(since_launch_s=1_800)
    app = create_app(feed, settings=ScreenSettings(keys=KEYS, guarded=True))
    path = watch_path(KEYS)
    assert KEYS.watch not in path
    async with asking(app) as client:
        first = await client.get(f"{path}/state")
        assert first.status_code == 200
        assert re.fullmatch(
            r"public, max-age=\d+, stale-while-revalidate=\d+", first.headers["cache-control"]
        )
        assert "set-cookie" not in first.headers
        again = await client.get(f"{path}/state", headers={"If-None-Match": first.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
        plain = await client.get(f"{path}/state", headers={"Accept-Encoding": "identity"})
        assert plain.content == first.content
        assert plain.json()["flights"]
        assert (await client.get(f"{path}/history")).json()["tracks"]
        for wrong in ("/watch/open/state", "/watch/" + "0" * 32 + "/state", f"{path}/links"):
            assert (await client.get(wrong)).status_code == 404
        guesses = [await client.get(f"/watch/{n:032x}/state") for n in range(40)]
        assert guesses[-1].status_code == 429
        assert (await client.get(f"{path}/state")).status_code == 200


async def test_an_answer_is_made_once_a_second_whoever_asks(monkeypatch: object) -> None:
    made = 0

    def write() -> bytes:
        nonlocal made
        made += 1
        return b"%d" % made

    kept = watching.Kept(write)
    answers = await asyncio.gather(*(kept.answer() for _ in range(200)))
    assert made == 1
    assert {answer.body for answer in answers} == {b"1"}
    assert gzip.decompress(answers[0].packed) == b"1"


@pytest.mark.parametrize("crew", [0, 1])
async def test_watchers_are_given_the_state_that_the_crew_has(crew: int) -> None:
    """It is made once for both: with a page open it is the one that was published last."""
    feed = DemoFeed(since_launch_s=1_800)
    asked, state = 0, feed.state

    def counted() -> State:
        nonlocal asked
        asked += 1
        return state()

    feed.state = counted  # type: ignore[method-assign]
    hub = Hub(feed)
    pages = [hub.join(Resume(kind="resume")) for _ in range(crew)]
    written = [hub.written() for _ in range(3)]
    assert written == [as_json(state())] * 3
    assert asked == (1 if pages else 3)


async def test_watchers_are_told_of_a_state_that_cannot_be_made(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Else they would be given the last one, time after time, as if it were new."""
    now_s = 100.0
    monkeypatch.setattr(hubs, "time", SimpleNamespace(monotonic=lambda: now_s))
    feed = DemoFeed(since_launch_s=1_800)
    hub = Hub(feed, beat_s=1.0)
    hub.join(Resume(kind="resume"))
    assert hub.written()

    def fails() -> State:
        raise ValueError("no state")

    feed.state = fails  # type: ignore[method-assign]
    now_s += 1.0  # the sections are a beat old
    for _ in range(3):
        with pytest.raises(ValueError, match="no state"):
            hub.written()


async def test_watchers_are_not_given_what_nobody_has_brought_up_to_date() -> None:
    """A hub that failed to publish, or has no page any more."""
    feed = DemoFeed(since_launch_s=1_800)
    hub = Hub(feed, beat_s=0.0)
    hub.join(Resume(kind="resume"))
    before = orjson.loads(hub.written())["now"]
    feed.go(1_860)
    assert orjson.loads(hub.written())["now"] > before


@contextlib.contextmanager
def micro_cache(station: int, folder: Path) -> Iterator[int]:
    """nginx as the room's README says, but for ports and paths."""
    port = free_port()
    match = re.search(r"```conf\n(proxy_cache_path.*?)```", README.read_text(), re.DOTALL)
    assert match is not None
    text = match[1].replace("/var/cache/nginx/leeward", str(folder / "cache"))
    text = text.replace("127.0.0.1:8420", f"127.0.0.1:{station}")
    with nginx(folder, port, text.replace("listen 80", f"listen {port}")):
        yield port


async def test_a_cache_in_front_asks_the_station_once_for_many(tmp_path: Path) -> None:
    feed = DemoFeed(since_launch_s=1_800)
    asked = 0
    state = feed.state

    def counted() -> object:
        nonlocal asked
        asked += 1
        return state()

    feed.state = counted  # type: ignore[method-assign,assignment]
    settings = ScreenSettings(keys=KEYS, guarded=True)
    async with contextlib.AsyncExitStack() as stack:
        station = await stack.enter_async_context(serving(create_app(feed, settings=settings)))
        port = stack.enter_context(micro_cache(station, tmp_path))
        client = await stack.enter_async_context(httpx.AsyncClient())
        address = f"http://127.0.0.1:{port}{watch_path(KEYS)}/state"
        await client.get(address)
        before = asked
        answers = await asyncio.gather(*(client.get(address) for _ in range(100)))
        other = await client.get(f"http://127.0.0.1:{port}/api/state")
    assert {answer.status_code for answer in answers} == {200}
    assert len({answer.content for answer in answers}) <= 3
    assert asked - before <= 5, "some seconds may pass on a slow machine"
    assert other.status_code == 401
