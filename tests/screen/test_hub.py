"""The hub: what changed and no more, once for all, kept for those who come back."""

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import orjson
import pytest

from server.flight.mission_state import State
from server.screen.hub import AT_ONCE, Client, Hub
from server.screen.messages import Beat, Resume, Snapshot, Update
from server.screen.replies import as_json
from tests.screen.demo_feed import DemoFeed
from tests.sync.made import running


def received(client: Client) -> list[Any]:
    messages = []
    while not client.messages.empty():
        messages.append(orjson.loads(client.messages.get_nowait()))
    return messages


def resume_of(message: dict[str, Any]) -> Resume:
    return Resume(kind="resume", session=message["session"], sequence=message["sequence"])


def rows_of(tracks: Mapping[str, Any]) -> Any:
    """The rows, or the splice, of the only flight."""
    (rows,) = tracks.values()
    return rows


async def test_a_new_client_gets_a_snapshot() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    (snapshot,) = received(Hub(feed).join(Resume(kind="resume")))
    assert Snapshot.model_validate(snapshot).kind == "snapshot"
    assert snapshot["state"] == orjson.loads(as_json(feed.state()))
    assert len(rows_of(snapshot["history"]["tracks"])) == len(rows_of(feed.history().tracks))


async def test_an_update_carries_the_changed_sections_alone() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed)
    client = hub.join(Resume(kind="resume"))
    (snapshot,) = received(client)
    feed.acknowledged.add("nothing")  # changes no section
    feed.comment = "bat 3.9V"
    hub.publish()
    (update,) = received(client)
    assert Update.model_validate(update).kind == "update"
    assert set(update["state"]) == {"flights"}
    assert [set(flight) for flight in update["state"]["flights"]] == [{"trackers"}]
    assert update["history"] == {}
    assert update["sequence"] == snapshot["sequence"] + 1


def merged(senders: list[Any], change: dict[str, Any]) -> list[Any]:
    """As the page does."""
    by_name = {one["name"]: one for one in senders if one["name"] not in change["gone"]}
    by_name |= {one["name"]: one for one in change["changed"]}
    return sorted(by_name.values(), key=lambda one: one["name"])


async def test_of_many_others_those_that_changed_are_sent() -> None:
    """300 of them went whole to each screen with every packet: 0.8 GB an hour."""
    feed = DemoFeed(since_launch_s=3_000)
    one = feed.state().senders[0]
    crowd = [replace(one, name=f"N0C{n:03d}", packets=1) for n in range(300)]
    feed.changes["senders"] = tuple(crowd)
    hub = Hub(feed)
    client = hub.join(Resume(kind="resume"))
    (snapshot,) = received(client)
    crowd[7] = replace(crowd[7], packets=2)
    del crowd[200]
    feed.changes["senders"] = tuple(crowd)
    hub.publish()
    (update,) = received(client)
    assert Update.model_validate(update).kind == "update"
    told = update["state"]["senders"]
    assert [one["name"] for one in told["changed"]] == ["N0C007"]
    assert told["gone"] == ["N0C200"]
    whole = merged(snapshot["state"]["senders"], told)
    assert whole == orjson.loads(as_json(feed.state()))["senders"]


async def test_updates_add_up_to_the_state() -> None:
    feed = DemoFeed(since_launch_s=-60)
    hub = Hub(feed)
    client = hub.join(Resume(kind="resume"))
    state, history = {}, {}
    for moment in (None, 30, 400, 5_700, 6_700, 7_000, 9_000, 2_000):
        if moment is not None:
            feed.go(moment)
            hub.publish()
        for message in received(client):
            if message["kind"] == "snapshot":
                state, history = message["state"], rows_of(message["history"]["tracks"])
                continue
            flights = message["state"].pop("flights", [{}])
            state["flights"] = [
                old | new for old, new in zip(state["flights"], flights, strict=True)
            ]
            if "senders" in message["state"]:
                state["senders"] = merged(state["senders"], message["state"].pop("senders"))
            state.update(message["state"])
            if message["history"].get("tracks"):
                splice = rows_of(message["history"]["tracks"])
                history[splice["from"] :] = splice["points"]
    assert state == orjson.loads(as_json(feed.state()))
    assert len(history) == len(rows_of(feed.history().tracks))


async def test_nothing_changed_is_a_beat() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed)
    client = hub.join(Resume(kind="resume"))
    received(client)
    hub.publish()
    (beat,) = received(client)
    assert Beat.model_validate(beat).kind == "beat"
    assert (beat["sequence"], beat["now"]) == (
        hub.sequence,
        orjson.loads(as_json(feed.state().now)),
    )


async def test_who_comes_back_gets_what_was_missed() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed)
    client = hub.join(Resume(kind="resume"))
    (snapshot,) = received(client)
    hub.leave(client)
    other = hub.join(Resume(kind="resume"))
    for step in range(3):
        feed.go(3_030 + 30 * step)
        hub.publish()
    back = hub.join(resume_of(snapshot))
    missed = received(back)
    assert [message["kind"] for message in missed] == ["update"] * 3 + ["beat"]
    assert missed[:3] == [m for m in received(other) if m["kind"] == "update"]


async def test_changes_while_nobody_looked_come_as_one_update() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed)
    client = hub.join(Resume(kind="resume"))
    (snapshot,) = received(client)
    hub.leave(client)
    feed.go(3_600)
    kinds = [message["kind"] for message in received(hub.join(resume_of(snapshot)))]
    assert kinds == ["update", "beat"]


@pytest.mark.parametrize(
    "resume",
    [
        Resume(kind="resume", session="of another run", sequence=1),
        Resume(kind="resume", session=None, sequence=1),
        Resume(kind="resume"),
    ],
)
async def test_a_stranger_gets_a_snapshot(resume: Resume) -> None:
    hub = Hub(DemoFeed(since_launch_s=3_000))
    assert [message["kind"] for message in received(hub.join(resume))] == ["snapshot"]


async def test_a_number_from_the_future_gets_a_snapshot() -> None:
    hub = Hub(DemoFeed(since_launch_s=3_000))
    client = hub.join(Resume(kind="resume", session=hub.session, sequence=99))
    assert [message["kind"] for message in received(client)] == ["snapshot"]


async def test_the_ring_is_bounded_in_messages_and_bytes() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    bounds: Any
    for bounds in ({"ring_messages": 3}, {"ring_bytes": 40_000}):
        hub = Hub(feed, **bounds)
        client = hub.join(Resume(kind="resume"))
        (snapshot,) = received(client)
        for step in range(40):
            feed.go(3_030 + 30 * step)
            hub.publish()
            received(client)
        kinds = [message["kind"] for message in received(hub.join(resume_of(snapshot)))]
        assert kinds == ["snapshot"]


async def test_a_slow_client_is_dropped_and_the_others_are_not() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed, queue_messages=4)
    slow, quick = hub.join(Resume(kind="resume")), hub.join(Resume(kind="resume"))
    for step in range(6):
        received(quick)
        feed.go(3_030 + 30 * step)
        hub.publish()
    assert slow.dropped.is_set()
    assert not quick.dropped.is_set()
    assert hub.clients == 1
    assert slow.messages.qsize() == 4  # bounded


async def test_one_message_is_made_for_all() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed)
    first, second = hub.join(Resume(kind="resume")), hub.join(Resume(kind="resume"))
    received(first), received(second)
    feed.go(3_030)
    hub.publish()
    assert first.messages.get_nowait() is second.messages.get_nowait()


async def test_many_changes_at_once_are_one_update() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed, updates_per_s=5)
    client = hub.join(Resume(kind="resume"))
    received(client)
    async with running(hub.run()):
        await asyncio.sleep(0)  # let it subscribe
        for step in range(200):
            feed.go(3_000 + 300 * (step % 4))
        async with asyncio.timeout(20):
            update = orjson.loads(await client.messages.get())
        assert update["kind"] == "update"
        assert update["state"]["now"] == orjson.loads(as_json(feed.state().now))
        assert client.messages.empty()


async def test_what_comes_after_a_pause_waits_for_nothing_and_a_flood_does() -> None:
    """A packet, its landing and a beat go at once; the fourth waits, here for a hundred seconds."""
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed, updates_per_s=0.01)
    client = hub.join(Resume(kind="resume"))
    received(client)
    async with running(hub.run()):
        await asyncio.sleep(0)  # let it subscribe
        for step in range(AT_ONCE):
            feed.go(3_300 + 300 * step)
            async with asyncio.timeout(20):
                assert orjson.loads(await client.messages.get())["kind"] == "update"
        feed.go(3_900)
        for _ in range(100):
            await asyncio.sleep(0)
        assert client.messages.empty()


async def test_a_feed_that_fails_does_not_end_the_screen(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed, updates_per_s=100, beat_s=0.01)
    client = hub.join(Resume(kind="resume"))
    received(client)
    failed = asyncio.Event()

    def broken() -> Any:
        failed.set()
        raise RuntimeError("a section that cannot be made")

    with monkeypatch.context() as patch:
        patch.setattr(feed, "state", broken)
        async with running(hub.run()):
            async with asyncio.timeout(20):
                await failed.wait()
            patch.undo()
            feed.go(3_300)
            async with asyncio.timeout(20):
                assert orjson.loads(await client.messages.get())["kind"] == "update"
    assert "could not be brought up to date" in caplog.text


async def test_many_who_join_at_once_are_sent_one_snapshot(monkeypatch: pytest.MonkeyPatch) -> None:
    """A state and a packed history for each of 190 held the loop for half a second."""
    feed = DemoFeed(since_launch_s=3_000)
    hub = Hub(feed)
    asked = []
    state = feed.state

    def counted() -> State:
        asked.append(state())
        return asked[-1]

    monkeypatch.setattr(feed, "state", counted)
    clients = [hub.join(Resume(kind="resume")) for _ in range(190)]
    snapshots = [client.messages.get_nowait() for client in clients]
    assert all(one is snapshots[0] for one in snapshots)
    assert len(asked) == 1
    feed.comment = "bat 3.9V"
    late = hub.join(Resume(kind="resume"))
    (before,) = received(late)
    hub.publish()
    (update,) = received(late)
    assert update["sequence"] == before["sequence"] + 1, "what it lacked follows at once"
    assert update["state"]["flights"]


def test_a_message_goes_out_at_once_only_where_nothing_is_before_it() -> None:
    """Or two updates would change places, and the page would show the older one."""
    open_now = True
    sent: list[bytes] = []

    def write(frame: bytes) -> bool:
        if open_now:
            sent.append(frame)
        return open_now

    client = Client(asyncio.Queue(4), write=write)
    assert client.offer("0")  # a snapshot: it has no frame yet
    assert client.offer("1", b"1")
    assert sent == []
    assert [client.messages.get_nowait() for _ in range(2)] == ["0", "1"]
    client.busy = True  # the last of them is on its way
    assert client.offer("2", b"2")
    assert client.messages.get_nowait() == "2"
    client.busy = False
    assert client.offer("3", b"3")
    assert sent == [b"3"]
    open_now = False
    assert all(client.offer("more", b"more") for _ in range(4))
    assert not client.offer("one too many", b"one too many")
    assert client.dropped.is_set()
