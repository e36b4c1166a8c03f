"""Who may not, who is bent, who poses: told, counted, and in nobody's way."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from dataclasses import replace

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from websockets.asyncio.client import connect
from websockets.asyncio.server import ServerConnection, serve

from server.sources import pacing
from server.sync import peers as links
from server.sync.entry import ChunkError
from server.sync.ledger import NAMES_AT_ONCE
from server.sync.peers import Peer
from server.sync.talk import Caller, Identity
from tests.faults.rounds import rounds
from tests.sources.test_pacing import Clock
from tests.sync.cars import FLIGHT, OTHER, Car, address, same
from tests.sync.made import KEY, PATIENCE_S, calling_all, carry, contents, ledger, running, told
from tests.sync.poor_link import PoorLink
from tests.sync.test_talk import version_1


@pytest.mark.parametrize(
    ("peer", "flight", "words"),
    [
        (Peer("car-1", "quite another shared key"), FLIGHT, "not in this plan"),
        (Peer("car-1", KEY), "another flight", "car-1 follows 'two cars'"),
    ],
)
async def test_who_may_not_is_told_why(peer: Peer, flight: str, words: str) -> None:
    base = Car(told("car-1"), Peer("car-2", KEY))
    async with base.listening() as port:
        car = Car(ledger("car-2"), replace(peer, address=address(port)), flight=flight)
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: words in (car.peers.states["car-1"].reason or ""))
            assert car.peers.states["car-1"].state == "failed"
    assert contents(car.ledger) == []


async def test_strangers_and_the_mute_do_not_disturb_the_team() -> None:
    base = Car(told("car-1"), Peer("car-2", KEY))
    async with base.listening() as port, contextlib.AsyncExitStack() as held:
        for said in (None, b"\0" * 5_000, "[]", '{"leeward": 1}', "x" * 60_000):
            stranger = await held.enter_async_context(connect(address(port)))
            if said is not None:
                await stranger.send(said)
                answer = json.loads(await stranger.recv())
                assert "problem" in answer
                assert KEY not in str(answer)
        quitter = await held.enter_async_context(connect(address(port)))
        await quitter.send(Caller(KEY).hello())
        await quitter.recv()
        await quitter.close()
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(port)))
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: same(base, car))


async def test_strangers_take_nobodys_place(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A hundred that never say who they are, against places for four."""
    monkeypatch.setattr(links, "MAX_UNPROVEN", 4)
    base = Car(told("car-1", slice(0, 9)), Peer("car-2", KEY))
    async with base.listening() as port, contextlib.AsyncExitStack() as held:
        strangers = []
        for i in range(100):
            stranger = await held.enter_async_context(connect(address(port)))
            strangers.append(stranger)
            if i % 10 == 0:
                await stranger.send(version_1(f"\x1b[2J{i}"))
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(port)))
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: same(base, car))
        async with asyncio.timeout(PATIENCE_S):  # all but the last four have lost their places
            await asyncio.gather(*(stranger.wait_closed() for stranger in strangers[:-4]))
    refused = [r.getMessage() for r in caplog.records if "refused" in r.getMessage()]
    assert len(refused) == 1, "whoever calls without end fills no log"
    assert base.peers.refused == 10
    assert not any("\x1b" in words for words in refused)


async def test_another_version_is_told_to_both_crews() -> None:
    """Either may be the older one: each shows the words of the other, or its own."""
    base = Car(told("car-1", slice(0, 9)), Peer("car-2", KEY), Peer("car-3", OTHER))
    async with base.listening() as port, connect(address(port)) as older:
        await older.send(version_1("car-2"))
        assert "another version of Leeward" in json.loads(await older.recv())["problem"]
    reason = base.peers.states["car-2"].reason or ""
    assert "1 call was refused" in reason
    assert "says that it is car-2 calls with another version of Leeward" in reason
    assert base.peers.states["car-3"].reason == "waits for its call"

    async def older_answers(websocket: ServerConnection) -> None:
        await websocket.recv()
        words = "another version of Leeward calls: let all cars have the same"
        await websocket.send(json.dumps({"problem": words}))

    async with serve(older_answers, "127.0.0.1", 0) as server:
        port = next(iter(server.sockets)).getsockname()[1]
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(port)))
        async with running(calling_all(car.peers)):
            await car.host.until(
                lambda: "another version of Leeward" in (car.peers.states["car-1"].reason or "")
            )
            assert car.peers.states["car-1"].state == "failed"


async def test_bent_calls_are_refused_and_counted_and_nothing_is_held_up() -> None:
    chance = random.Random(34)
    base = Car(told("car-1"), Peer("car-2", KEY))
    bent = 0
    async with base.listening() as port, contextlib.AsyncExitStack() as held:
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(port)))
        await held.enter_async_context(running(calling_all(car.peers)))
        for _ in range(rounds(40)):
            hello = bytearray(Caller(KEY).hello().encode())
            hello[chance.randrange(len(hello))] ^= 1 << chance.randrange(8)
            async with connect(address(port)) as stranger:
                await stranger.send(bytes(hello))
                answer = await stranger.recv()
            bent += isinstance(answer, str) and "problem" in json.loads(answer)
        await car.host.until(lambda: same(base, car))
        assert car.peers.states["car-1"].state == "open"
    assert base.peers.refused == bent
    assert bent >= rounds(40) - 2, "a digit in capitals is the same digit"


async def test_bent_records_end_a_link_in_words_and_the_next_goes_on() -> None:
    """One bit of each connection, farther on each time, until all has come."""
    base = Car(told("car-1"), Peer("car-2", KEY))
    async with base.listening() as port, PoorLink(port, bend_after_bytes=600) as link:
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(link.port)))
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: "altered" in (car.peers.states["car-1"].reason or ""))
            link.bend_after_bytes = 2_500
            await car.host.until(lambda: link.connections > 3)
            link.bend_after_bytes = 100_000
            await car.host.until(lambda: same(base, car))
    assert len(car.host.admitted) == len(contents(base.ledger)), "no entry was taken in twice"


async def test_who_knows_the_key_cannot_pose_as_another_station() -> None:
    """Else it could push out the link of whose key it names."""
    base, car = Car(told("car-1"), Peer("car-2", KEY)), Car(told("car-2"))
    async with base.listening() as port:
        car.know(Peer("car-1", KEY, address(port)))
        async with running(calling_all(car.peers)), connect(address(port)) as liar:
            await car.host.until(lambda: same(base, car))
            caller = Caller(KEY)
            await liar.send(caller.hello())
            sealed = caller.accept(await liar.recv())
            mine = Identity(Ed25519PrivateKey.generate(), "car-2", FLIGHT)
            said = json.loads(sealed.introduce(mine)) | {"station": car.ledger.station.hex()}
            for record in sealed.seal(b"I" + json.dumps(said).encode()):
                await liar.send(record)
            await base.host.until(lambda: base.peers.refused == 1)
            assert car.peers.states["car-1"].state == "open"


def test_invented_names_shut_nobody_out_for_good(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over a broker nobody talks with us itself: the name that is said an hour later is written down."""
    clock = Clock()
    monkeypatch.setattr(pacing, "time", clock)
    base = told("base", slice(0, 9))
    for i in range(NAMES_AT_ONCE):
        base.introduce(f"{i:>32}".encode(), f"made-{i}")
    with pytest.raises(ChunkError, match="more stations than any"):
        base.introduce(b"3".rjust(32), "car-3")
    clock.now_s = 10.0
    base.introduce(b"3".rjust(32), "car-3")
    assert base.names[b"3".rjust(32)] == "car-3"


async def test_invented_names_shut_nobody_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than are written down at all: who talks with us is heard all the same, a third one is not."""
    monkeypatch.setattr("server.sync.ledger.NAMES_AT_ONCE", 60)
    monkeypatch.setattr("server.sync.ledger.NAMES_PER_S", 1e-9)
    base = Car(told("base", slice(0, 9)), Peer("car-1", KEY))
    for i in range(60):
        base.ledger.introduce(f"{i:>32}".encode(), f"made-{i}")
    with pytest.raises(ChunkError, match="more stations than any"):
        base.ledger.introduce(b"one more".rjust(32), "made-60")
    third = told("car-3", slice(9, 20))
    async with base.listening() as port:
        car = Car(told("car-1", slice(20, 30)), Peer("base", KEY, address(port)))
        carry(third, car.ledger)
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: len(contents(base.ledger)) == 10 + 11)
            await car.host.until(
                lambda: "more stations than any" in (car.peers.states["base"].reason or "")
            )
            assert car.peers.states["base"].state == "open"
            reason = base.peers.states["car-1"].reason or ""
            assert "car-3/tnc of car-1 is not taken" in reason or "commands of car-1" in reason
    assert len(base.ledger.names) == 62
