"""A real mosquitto, with TLS, a user and a disk: stations publish, servers follow, strangers do not."""

from __future__ import annotations

import asyncio
import ssl
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from server.sources.pacing import Backoff
from server.sync.broker import Broker
from server.sync.entry import Chunk, ChunkError, Lane
from server.sync.envelope import Envelope, topic_of
from server.sync.ledger import Ledger
from server.sync.mqtt import BrokerSpec
from tests.sync.made import KEY, Host, carry, contents, heard_by, ledger, running, state_of, told
from tests.sync.mosquitto import Mosquitto, mosquitto

FLIGHT = "two cars"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.sync.broker.SETTLED_AFTER_S", 0.3)
    monkeypatch.setattr("server.sync.broker.RELAY_AFTER_S", 0.3)


@pytest.fixture
def broker(tmp_path: Path) -> Mosquitto:
    return mosquitto(tmp_path)


class End:
    """A station's ledger and its end at the broker."""

    def __init__(self, held: Ledger, spec: BrokerSpec, flight: str = FLIGHT) -> None:
        self.ledger, self.host = held, Host(held)
        self.broker = Broker(
            held, self.host, flight, spec, clock=lambda: 0.0, backoff=Backoff(0.1, 0.2)
        )
        held.on_growth = lambda _: self.broker.stir()


def same(*ends: End) -> bool:
    return all(contents(end.ledger) == contents(ends[0].ledger) for end in ends)


async def test_two_stations_and_a_server_end_the_same_and_who_comes_late_too(
    broker: Mosquitto,
) -> None:
    first = End(told("car-1", slice(0, None, 2)), broker.spec())
    second = End(told("car-2", slice(1, None, 2)), broker.spec())
    server = End(ledger("web-1"), broker.spec())
    ends = first, second, server
    async with broker.running():
        async with running(asyncio.gather(*(end.broker.run() for end in ends))):
            for end in ends:
                await end.host.until(lambda: same(*ends))
            first.ledger.append([replace(heard_by("car-1")[0], payload=b"news")])
            await server.host.until(lambda: same(first, server))
        late = End(ledger("web-2"), broker.spec())  # the stations are gone: the broker keeps it
        async with running(late.broker.run()):
            await late.host.until(lambda: same(server, late))
    assert state_of(late.ledger) == state_of(server.ledger)
    assert len(late.host.admitted) == len(contents(late.ledger)), "nothing came twice"
    assert late.broker.refused == 0


async def test_a_broker_that_goes_and_comes_back_loses_nothing(broker: Mosquitto) -> None:
    giver, taker = End(told("car-1"), broker.spec()), End(ledger("web"), broker.spec())
    async with running(giver.broker.run()), running(taker.broker.run()):
        async with broker.running():
            await taker.host.until(lambda: same(giver, taker))
        await giver.host.until(lambda: giver.broker.state.state == "failed")
        for one in heard_by("car-1")[:7]:  # while there is no broker
            giver.ledger.append([replace(one, payload=one.payload + b" again")])
        async with broker.running():
            await taker.host.until(lambda: same(giver, taker))


async def test_a_broker_that_lost_its_store_is_told_everything_again(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("server.sync.broker.PROBE_S", 0.5)
    giver, taker = End(told("car-1"), broker.spec()), End(ledger("web"), broker.spec())
    async with running(giver.broker.run()):
        async with broker.running(), running(taker.broker.run()):
            await taker.host.until(lambda: same(giver, taker))
            assert "lost" not in (giver.broker.state.reason or "")
        await giver.host.until(lambda: giver.broker.state.state == "failed")
        (broker.folder / "mosquitto.db").unlink()
        late = End(ledger("web-2"), broker.spec())
        async with broker.running(), running(late.broker.run()):
            await late.host.until(lambda: same(giver, late))
            assert "has lost what it kept" in (giver.broker.state.reason or "")
            assert late.broker.state.reason is None or "lost" not in late.broker.state.reason
    # and without the station: another server that has it all tells it
    (broker.folder / "mosquitto.db").unlink(missing_ok=True)
    later = End(ledger("web-3"), broker.spec())
    async with broker.running(), running(taker.broker.run()), running(later.broker.run()):
        await later.host.until(lambda: same(taker, later))


async def test_a_broker_that_kept_its_store_is_not_told_again(broker: Mosquitto) -> None:
    giver, taker = End(told("car-1"), broker.spec()), End(ledger("web"), broker.spec())
    async with running(giver.broker.run()), running(taker.broker.run()):
        async with broker.running():
            await taker.host.until(lambda: same(giver, taker))
        await giver.host.until(lambda: giver.broker.state.state == "failed")
        known = dict(giver.broker.there)
        async with broker.running():
            giver.ledger.append([replace(heard_by("car-1")[0], payload=b"news")])
            await taker.host.until(lambda: same(giver, taker))
            assert all(giver.broker.there[lane] >= last for lane, last in known.items())


async def test_a_server_that_was_away_gets_what_came_meanwhile(broker: Mosquitto) -> None:
    giver, taker = End(told("car-1"), broker.spec()), End(ledger("web"), broker.spec())
    async with broker.running(), running(giver.broker.run()):
        async with running(taker.broker.run()):
            await taker.host.until(lambda: same(giver, taker))
        giver.ledger.append([replace(heard_by("car-1")[0], payload=b"news")])
        async with running(taker.broker.run()):
            await taker.host.until(lambda: same(giver, taker))


async def test_what_a_car_without_network_told_its_neighbour_gets_out_too(
    broker: Mosquitto,
) -> None:
    alone = told("car-2", slice(1, None, 2))
    neighbour = End(told("car-1", slice(0, None, 2)), broker.spec())
    carry(alone, neighbour.ledger)
    server = End(ledger("web"), broker.spec())
    async with broker.running(), running(neighbour.broker.run()), running(server.broker.run()):
        await server.host.until(lambda: same(neighbour, server))
    assert {r.station for _, r in server.ledger.receptions()} == {"car-1", "car-2"}


async def test_a_new_start_publishes_only_what_is_new(broker: Mosquitto) -> None:
    held = told("car-1")
    async with broker.running():
        for news in (b"first", b"second"):
            giver, taker = End(held, broker.spec()), End(ledger("web"), broker.spec())
            held.append([replace(heard_by("car-1")[0], payload=news)])
            async with running(giver.broker.run()), running(taker.broker.run()):
                await taker.host.until(partial(same, giver, taker))
        assert taker.broker.refused == 0
        kept = []
        spec = broker.spec()
        async with _client(spec) as client:
            await client.subscribe(f"{spec.topic}/#", qos=1)
            async for message in client.messages:
                kept.append(message)
                last = sum(len(opened(spec, m).entries) for m in kept)
                if last >= len(contents(held)):
                    break
    assert sum(len(opened(spec, m).entries) for m in kept) == len(contents(held)), "no overlap"
    assert not any(KEY.encode() in bytes(m.payload) or b"N0CALL" in bytes(m.payload) for m in kept)


def _client(spec: BrokerSpec) -> aiomqtt.Client:
    return aiomqtt.Client(
        spec.host,
        spec.port,
        username=spec.user,
        password=spec.password,
        tls_context=ssl.create_default_context(cafile=spec.ca_file),
        protocol=aiomqtt.ProtocolVersion.V5,
    )


def opened(spec: BrokerSpec, message: aiomqtt.Message) -> Chunk:
    return Envelope(spec.key, FLIGHT).open(str(message.topic), bytes(message.payload))[1]


# paho leaves the socket of a failed TLS handshake to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"password": "a wrong one"}, "ot authori"),
        ({"ca_file": None}, "certificate verify failed"),
        ({"port": 9}, "refused"),
        ({"host": "broker..example"}, "next try"),
    ],
)
async def test_what_does_not_work_is_told(
    broker: Mosquitto, changed: dict[str, Any], words: str
) -> None:
    end = End(ledger("web"), broker.spec(**changed))
    async with broker.running(), running(end.broker.run()):
        await end.host.until(lambda: words in (end.broker.state.reason or ""))
        assert end.broker.state.state == "failed"


async def test_strangers_on_the_topic_are_refused_and_counted(broker: Mosquitto) -> None:
    giver, taker = End(told("car-1"), broker.spec()), End(ledger("web"), broker.spec())
    liar = told("car-1", slice(0, 4))
    spec = broker.spec()
    lane = Lane(liar.station, "car-1/tnc")
    chunk = liar.chunk(lane, 0)
    assert chunk is not None
    topic = f"{spec.topic}/{liar.station.hex()[:16]}/{'0' * 8}/1"
    envelope = Envelope(KEY, FLIGHT)
    own = topic_of(spec.topic, lane, 1)
    forged = replace(chunk, signature=bytes(64))
    bad = [
        (own, envelope.seal(own, "car-9", chunk)),  # a name that it does not speak with
        (f"{spec.topic}/a/b/1", b"garbage"),
        (f"{spec.topic}/a/b/2", bytes(100)),
        (topic, envelope.seal(topic, "car-1", chunk)),  # not the lane's topic
        (own, Envelope("quite another shared key", FLIGHT).seal(own, "car-1", chunk)),
        (own, Envelope(KEY, "another flight").seal(own, "car-1", chunk)),
        (own, envelope.seal(own, "car-1", forged)),
    ]
    async with broker.running(), running(taker.broker.run()):
        await taker.host.until(lambda: taker.broker.state.state == "open")
        async with _client(spec) as client:
            for topic_, payload in bad:
                await client.publish(topic_, payload, qos=1)
        await taker.host.until(lambda: taker.broker.refused == len(bad))
        assert "refused" in (taker.broker.state.reason or "")
        assert contents(taker.ledger) == []
        async with running(giver.broker.run()):
            await taker.host.until(lambda: same(giver, taker))


def test_an_envelope_is_for_its_topic_alone() -> None:
    held = told("car-1", slice(0, 3))
    chunk = held.chunk(Lane(held.station, "car-1/tnc"), 0)
    assert chunk is not None
    envelope = Envelope(KEY, FLIGHT)
    sealed = envelope.seal("a/b/c/1", "car-1", chunk)
    assert envelope.open("a/b/c/1", sealed) == ("car-1", chunk)
    for topic, data in (("a/b/c/2", sealed), ("a/b/c/1", sealed[:-1]), ("a/b/c/1", b"")):
        with pytest.raises(ChunkError):
            envelope.open(topic, data)
