"""Faults of the network and of who is there: broker, peers, readers, heads without end, one folder twice."""

from __future__ import annotations

import asyncio
import contextlib
import random
import shutil
import sys
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import aiomqtt

from server.sync.broker import Broker
from server.sync.keys import stretched
from server.sync.ledger import Ledger
from server.sync.mqtt import broker_client
from server.sync.peers import Peer
from tests.bench._faults_watch import FLIGHT, Row, Watch, marks, named, watched
from tests.screen.serving import mute, until
from tests.seen import kinds
from tests.sync.cars import QUICK, Car
from tests.sync.made import KEY, Host, ledger, running
from tests.sync.mosquitto import PASSWORD, USER, Mosquitto, mosquitto

SECRET = stretched(KEY)


async def broker(folder: Path, times: int, chance: random.Random) -> Row:
    """A broker that drops, doubles, reorders and forgets; lost: what a spectators' server has not."""
    row, there = Row(times), mosquitto(folder)
    async with watched(row, folder / "station") as watch:
        shutil.copy(folder / "tls.certificate.pem", watch.folder / "ca.pem")
        watch.write_plan(
            named("car-1")
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
                    await until(lambda: _there(last) >= sent, 60.0)
        watch.count_lost("car-1")
        row.lost += len(sent - _there(last))
    return row


def _there(held: Ledger) -> set[int]:
    return marks((one for _, one in held.receptions()), "car-1")


async def _meddle(there: Mosquitto, chance: random.Random) -> None:
    """All that it keeps once more, in another order, and a tenth of it taken away."""
    spec = there.spec()
    kept: list[tuple[str, bytes]] = []
    async with broker_client(aiomqtt, spec) as client:
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
    """Who knows the key and means harm, beside the other car; lost: of what either heard."""
    row = Row(times)
    async with watched(row, folder / "1") as first, watched(row, folder / "2") as second:
        first.write_plan(named("car-1", "car-2"))
        async with first.station() as station:
            port = station.address.rsplit(":", 1)[1]
            second.write_plan(named("car-2", "car-1", port))
            async with second.station():
                await first.until(lambda s: s["links"][0]["state"] == "open")
                for number in range(times):
                    arguments = ("-m", "tests.bench._faults_harm", port, str(number))
                    harm = await asyncio.create_subprocess_exec(sys.executable, *arguments)
                    assert await harm.wait() == 0
                    await first.more(10)
            with contextlib.suppress(TimeoutError):
                await until(lambda: first.kept("car-2") >= second.sent, 60.0)
        row.lost += len(second.sent - first.kept("car-2"))
        first.count_lost("car-1")
        second.count_lost("car-2")
    return row


async def one_folder_twice(folder: Path, times: int, chance: random.Random) -> Row:
    """A folder is copied to a second laptop, and both hear; lost: what the other car has not of both."""
    row = Row(times)
    for number in range(times):
        base = Car(ledger("car-2"), Peer("car-1", SECRET), flight=FLIGHT)
        async with base.listening() as port, watched(row, folder / f"{number}") as first:
            first.write_plan(named("car-1", "car-2", port))
            async with first.station():
                await first.more()
            copy = folder / f"{number}-copied"
            shutil.copytree(first.folder, copy)
            async with watched(row, copy, first=1_000_000) as second:
                second.write_plan(named("car-1", "car-2", port))
                async with first.station(), second.station():
                    await first.more(30)
                    await second.more(30)
                    await _told_twice(first)
                    await _told_twice(second)
                    row.said.add(f"car-2: {base.peers.states['car-1'].reason}")
                    sent = first.sent | second.sent
                    with contextlib.suppress(TimeoutError):
                        await until(lambda: _there(base.ledger) >= sent, 20.0)  # noqa: B023
                for watch in (first, second):
                    watch.count_lost("car-1")
                row.lost += len(sent - _there(base.ledger))
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
            await watch.until(lambda state: "readers_cut" in kinds(state))  # they answer no ping
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
                    await watch.until(lambda state: "requests_cut" in kinds(state))
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
