"""Faults of the network and of who is there: broker, peers, readers, heads without end, one folder twice."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import shutil
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path

import aiomqtt
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import WebSocketException

from server.flight.inputs import Reception
from server.sync.broker import Broker, _client
from server.sync.entry import Chunk, Lane, beginning, link, pack_chunk, sign
from server.sync.keys import stretched
from server.sync.ledger import Ledger
from server.sync.peers import Peer
from server.sync.talk import Caller, Identity, Sealed, TalkError
from tests.bench._faults_watch import CAR, FLIGHT, PEER, Row, Watch, marks, watched
from tests.screen.serving import mute, until
from tests.sync.made import KEY, Host, calling_all, ledger, running
from tests.sync.mosquitto import PASSWORD, USER, Mosquitto, mosquitto
from tests.sync.test_peers import QUICK, Car, address

HARM_TIMES, OTHERS = 21, 300
SECRET = stretched(KEY)


async def broker(folder: Path, times: int, chance: random.Random) -> Row:
    """A broker that drops, doubles, reorders and forgets; lost: what a spectators' server has not."""
    row, there = Row(times), mosquitto(folder)
    async with watched(row, folder / "station") as watch:
        shutil.copy(folder / "tls.certificate.pem", watch.folder / "ca.pem")
        watch.write_plan(
            CAR
            + f'[mqtt]\nhost = "127.0.0.1"\nport = {there.port}\ntopic = "team/tern-7"\nkey = "{KEY}"\n'
            + f'user = "{USER}"\npassword = "{PASSWORD}"\nca_file = "ca.pem"\n'
        )
        spec = replace(there.spec(), key=SECRET)
        async with watch.station():
            for number in range(times):
                web = ledger(f"web-{number}")
                follows = Broker(web, Host(web), FLIGHT, spec, clock=lambda: 0.0, backoff=QUICK)
                async with there.running(), running(follows.run()):
                    await watch.more(30)
                    await _meddle(there, chance)
                    await watch.more(10)
                (folder / "mosquitto.db").unlink(missing_ok=True)  # forgets all
            last = ledger("web")
            follows = Broker(last, Host(last), FLIGHT, spec, clock=lambda: 0.0, backoff=QUICK)
            async with there.running(), running(follows.run()):
                await watch.more(10)
                sent = watch.sent
                with contextlib.suppress(TimeoutError):
                    await until(lambda: len(_there(last)) >= sent, 60.0)
        watch.count_lost()
        row.lost += len(set(range(sent)) - _there(last))
    return row


def _there(held: Ledger) -> set[int]:
    return marks(one for _, one in held.receptions())


async def _meddle(there: Mosquitto, chance: random.Random) -> None:
    """All that it keeps once more, in another order, and a tenth of it taken away."""
    spec = there.spec()
    kept: list[tuple[str, bytes]] = []
    async with _client(aiomqtt, spec) as client:
        await client.subscribe(f"{spec.topic}/+/+/+", qos=1)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(1.0):
                async for message in client.messages:
                    if isinstance(message.payload, bytes):
                        kept.append((str(message.topic), message.payload))
        for topic, payload in chance.sample(kept, len(kept)):
            await client.publish(topic, payload, qos=1, retain=True)
        for topic, _ in chance.sample(kept, len(kept) // 10):
            await client.publish(topic, b"", qos=1, retain=True)


async def harmful_peer(folder: Path, times: int, chance: random.Random) -> Row:
    """Who knows the key and means harm, beside the other car; lost: of the payload's or its packets."""
    row = Row(times)
    async with watched(row, folder) as watch:
        watch.write_plan(CAR + PEER.partition("address")[0])
        async with watch.station() as station:
            port = int(station.address.rsplit(":", 1)[1])
            car = Car(ledger("car-2"))
            car.know(Peer("car-1", SECRET, address(port)), flight=FLIGHT)
            async with running(calling_all(car.peers)):
                given = _of_the_other_car()
                for number in range(times):
                    car.ledger.append(given[number::times])
                    for harm in range(HARM_TIMES):
                        with contextlib.suppress(TalkError, WebSocketException, OSError):
                            await _harm(port, harm % 7, chance, car)
                    await watch.more(10)
                await watch.until(lambda s: s["links"][0]["receptions"] >= len(given))
        watch.count_lost()
        row.sent += len(given)
    return row


async def _harm(port: int, kind: int, chance: random.Random, car: Car) -> None:
    async with connect(address(port), compression=None, max_size=None) as websocket:
        key = Ed25519PrivateKey.generate()
        name = "car-2" if kind == 0 else f"car-{chance.randrange(10, 99)}"
        caller = Caller(SECRET)
        await websocket.send(caller.hello())
        sealed = caller.accept(await websocket.recv())
        said = sealed.introduce(Identity(key, name, FLIGHT))
        if kind == 0:  # poses as the other car
            told = json.loads(said) | {"station": car.ledger.station.hex()}
            said = json.dumps(told).encode()
        await _say(websocket, sealed, b"I" + said)
        lane = Lane(key.public_key().public_bytes_raw(), f"{name}/tnc")
        if kind == 1:  # unpacks to a thousand times its size
            await _say(websocket, sealed, b"H" + bytes(7_900_000))
        elif (
            kind == 2
        ):  # ten thousand entries, signed as they should be, and then as many in one chunk
            for chunk in (*_signed(key, lane, 1_000), *_signed(key, lane, 10_000)):
                await _say(websocket, sealed, b"C" + pack_chunk(chunk))
        elif kind == 3:  # lanes and names that nobody has
            lanes = [[chance.randbytes(32).hex(), "x", 5] for _ in range(2_500)]
            names = {lane[0]: f"made-{n}" for n, lane in enumerate(lanes[:997])}
            listed = {"lanes": lanes, "names": names, "lacks": []}
            await _say(websocket, sealed, b"H" + json.dumps(listed).encode())
        elif kind == 4:  # another's lane, bent
            theirs = next(iter(car.ledger.have()))
            whole = car.ledger.chunk(theirs, 0)
            assert whole is not None
            bent = replace(whole, signature=bytes(64))
            await _say(websocket, sealed, b"C" + pack_chunk(bent))
        elif kind == 5:  # asks for all, again and again
            for _ in range(200):
                own = car.ledger.have()
                lacks = [[one.station.hex(), one.source, n] for one in own for n in range(1, 100)]
                listed = {"lanes": [], "names": {}, "lacks": lacks}
                await _say(websocket, sealed, b"H" + json.dumps(listed).encode())
        else:  # records of noise
            for _ in range(50):
                await websocket.send(chance.randbytes(chance.randrange(1, 60_000)))
        await asyncio.sleep(0.3)


def _of_the_other_car() -> list[Reception]:
    now_ms = round(1_000 * time.time())
    said = (f"N0CALL-9>APZLWD:>car {n}".encode() for n in range(OTHERS))
    return [Reception(now_ms - 10 * n, "car-2/tnc", "tnc2", line) for n, line in enumerate(said)]


async def _say(websocket: ClientConnection, sealed: Sealed, message: bytes) -> None:
    for record in sealed.seal(message):
        await websocket.send(record)


def _signed(key: Ed25519PrivateKey, lane: Lane, each: int) -> Iterator[Chunk]:
    entries = tuple(Reception(n, lane.source, "tnc2", b"x") for n in range(10_000))
    chain = beginning(lane)
    for first in range(0, len(entries), each):
        part = entries[first : first + each]
        for one in part:
            chain = link(chain, one)
        last = first + each
        yield Chunk(lane, first + 1, part, sign(key, lane, last, chain))


async def one_folder_twice(folder: Path, times: int, chance: random.Random) -> Row:
    """A folder is copied to a second laptop, and both hear; lost: what the other car has not of both."""
    row = Row(times)
    for number in range(times):
        base = Car(ledger("car-2"), Peer("car-1", SECRET), flight=FLIGHT)
        async with base.listening() as port, watched(row, folder / f"{number}") as first:
            first.write_plan(CAR + PEER.format(port=port))
            async with first.station():
                await first.more()
            copy = folder / f"{number}-copied"
            shutil.copytree(first.folder, copy)
            async with watched(row, copy) as second:
                second.write_plan(CAR + PEER.format(port=port))
                async with first.station(), second.station():
                    await first.more(30)
                    await second.more(30)
                    await _told_twice(first)
                    await _told_twice(second)
                    row.said.add(f"car-2: {base.peers.states['car-1'].reason}")
                for watch in (first, second):
                    watch.count_lost()
                kept = [one for _, one in base.ledger.receptions() if "probe" in one.source]
                row.lost += first.sent + second.sent - len(kept)
    return row


async def _told_twice(watch: Watch) -> None:
    await watch.until(lambda s: any(one["kind"] == "name_twice" for one in s["problems"]))


async def mute_readers(folder: Path, times: int, chance: random.Random) -> Row:
    """Readers of the page's socket that never read, twenty at a time."""
    row = Row(times)
    async with watched(row, folder) as watch:
        async with watch.station() as station, contextlib.AsyncExitStack() as stack:
            port = int(station.address.rsplit(":", 1)[1])
            for _ in range(times):
                for _ in range(20):
                    await stack.enter_async_context(mute(port))
                await watch.more()
        watch.count_lost()
    return row


async def slow_heads(folder: Path, times: int, chance: random.Random) -> Row:
    """A hundred connections at a time that send their request byte by byte."""
    row = Row(times)
    async with watched(row, folder) as watch:
        async with watch.station() as station:
            port = int(station.address.rsplit(":", 1)[1])
            for _ in range(times):
                async with _dripping(port, 100):
                    await watch.more(30)
        watch.count_lost()
    return row


@contextlib.asynccontextmanager
async def _dripping(port: int, count: int) -> AsyncIterator[None]:
    async def drip() -> None:
        with contextlib.suppress(OSError):
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            for byte in b"GET / HTTP/1.1\r\nX: " + b"a" * 10_000:
                writer.write(bytes([byte]))
                await writer.drain()
                await asyncio.sleep(0.02)

    async with asyncio.TaskGroup() as tasks:
        dripping = [tasks.create_task(drip()) for _ in range(count)]
        yield
        for one in dripping:
            one.cancel()
