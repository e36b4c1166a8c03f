"""Two and three stations over real sockets: the same end, broken links, poor ones, and strangers."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi import FastAPI
from websockets.asyncio.client import connect
from websockets.asyncio.server import ServerConnection, serve

from server.flight.inputs import Reception
from server.journal.database import Altered, Journal, JournalError
from server.sources.source import Backoff
from server.sync import peers as links
from server.sync.incoming import add_peer_route
from server.sync.ledger import Ledger
from server.sync.line import Line
from server.sync.peers import Peer, Peers
from server.sync.talk import Caller, Identity
from tests.faults.rounds import rounds
from tests.screen.serving import serving
from tests.sync.made import (
    KEY,
    PATIENCE_S,
    Host,
    calling_all,
    carry,
    contents,
    flip,
    heard_by,
    ledger,
    running,
    state_of,
    told,
)
from tests.sync.poor_link import PoorLink
from tests.sync.test_talk import version_1

FLIGHT = "two cars"
OTHER = "quite another shared key"
QUICK = Backoff(0.05, 0.2)


class Car:
    """A station of this process: its ledger, its links."""

    def __init__(self, held: Ledger, *peers: Peer, flight: str = FLIGHT) -> None:
        self.ledger, self.host = held, Host(held)
        self.know(*peers, flight=flight)
        held.on_growth = lambda _: self.peers.stir()

    def know(self, *peers: Peer, flight: str = FLIGHT) -> None:
        self.peers = Peers(self.ledger, self.host, flight, peers, clock=lambda: 0.0, backoff=QUICK)

    async def accept(self, line: Line) -> None:
        await self.peers.accept(line)

    @contextlib.asynccontextmanager
    async def listening(self) -> AsyncIterator[int]:
        app = FastAPI()
        add_peer_route(app, self)  # type: ignore[arg-type]
        async with serving(app) as port:
            yield port


def address(port: int) -> str:
    return f"ws://127.0.0.1:{port}/peer"


def same(*cars: Car) -> bool:
    return all(contents(car.ledger) == contents(cars[0].ledger) for car in cars)


async def test_two_halves_end_in_the_same_state() -> None:
    base = Car(told("car-1", slice(0, None, 2)), Peer("car-2", KEY))
    async with base.listening() as port:
        car = Car(told("car-2", slice(1, None, 2)), Peer("car-1", KEY, address(port)))
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: same(base, car))
            assert state_of(base.ledger) == state_of(car.ledger)
            assert car.peers.states["car-1"].state == "open"
            assert base.peers.states["car-2"].receptions == len(heard_by("x")) // 2 + 1
            # and what is heard from now on goes at once, both ways
            for one in (base, car):
                one.ledger.append([replace(heard_by(one.ledger.name)[0], payload=b"news")])
            await car.host.until(lambda: same(base, car))
    assert len(car.host.admitted) == len(set(map(repr, car.host.admitted))), "nothing came twice"


async def test_a_chain_of_three_carries_everything_to_its_end() -> None:
    middle = Car(ledger("base"), Peer("car-1", KEY), Peer("car-2", KEY))
    async with middle.listening() as port:
        ends = [
            Car(told(name, part), Peer("base", KEY, address(port)))
            for name, part in (("car-1", slice(0, 100)), ("car-2", slice(100, 200)))
        ]
        async with running(calling_all(ends[0].peers)), running(calling_all(ends[1].peers)):
            await ends[0].host.until(lambda: same(middle, *ends))
            await ends[1].host.until(lambda: same(middle, *ends))
            # who comes later, while the others are linked already
            late = Car(told("car-3", slice(200, 210)), Peer("base", KEY, address(port)))
            middle.ledger.append([replace(heard_by("base")[0], payload=b"news")])
            async with running(calling_all(late.peers)):
                for end in ends:
                    await end.host.until(lambda: same(late, *ends))
            assert ends[0].peers.states["base"].reason == "linked with base"
    assert state_of(ends[0].ledger) == state_of(ends[1].ledger)


async def test_a_link_that_breaks_again_and_again_goes_on_where_it_was() -> None:
    base = Car(told("car-1"), Peer("car-2", KEY))
    async with base.listening() as port, PoorLink(port, cut_after_bytes=5_000) as link:
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(link.port)))
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: same(base, car))
    assert link.connections > 1
    assert len(car.host.admitted) == len(contents(base.ledger)), "no entry was taken in twice"
    assert link.carried_bytes < 4 * whole_bytes(base.ledger), "it did not begin again each time"


def whole_bytes(held: Ledger) -> int:
    return sum(len(one.payload) + 64 for one in contents(held) if isinstance(one, Reception))


async def test_late_for_a_three_hour_flight() -> None:
    """At 256 kbit/s ten seconds carry 320,000 bytes: both ways together take less (bench: fanout)."""
    from server.journal.recording import DEMO_LOG, read_recording

    recorded = read_recording(DEMO_LOG).receptions
    held = ledger("car-1")
    for start in range(0, len(recorded), 3):  # commits as small as those of a live flight
        held.append(
            [
                r if r.wire == "phone" else replace(r, source=f"car-1/{r.source}")
                for r in recorded[start : start + 3]
            ]
        )
    base = Car(held, Peer("car-2", KEY))
    async with base.listening() as port, PoorLink(port) as link:
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(link.port)))
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: same(base, car))
    hours = (recorded[-1].heard_at_s - recorded[0].heard_at_s) / 3_600.0
    assert hours > 2.5
    assert link.carried_bytes < 320_000 * hours / 3.0


async def test_two_that_call_each_other_keep_one_link() -> None:
    one, other = Car(told("car-1")), Car(ledger("car-2"))
    async with one.listening() as port_one, other.listening() as port_other:
        one.know(Peer("car-2", KEY, address(port_other)))
        other.know(Peer("car-1", KEY, address(port_one)))
        async with running(calling_all(one.peers)), running(calling_all(other.peers)):
            await other.host.until(lambda: same(one, other))
            other.ledger.append([replace(heard_by("car-2")[0], payload=b"news")])
            await one.host.until(lambda: same(one, other))
            states = one.peers.states["car-2"].state, other.peers.states["car-1"].state
    assert states == ("open", "open")


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


async def test_nobody_at_the_address_is_told_and_tried_again() -> None:
    base = Car(told("car-1", slice(0, 9)), Peer("car-2", KEY))
    silent = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", 0)
    port = silent.sockets[0].getsockname()[1]
    car = Car(ledger("car-2"), Peer("car-1", KEY, address(port)))
    async with running(calling_all(car.peers)):
        await car.host.until(lambda: car.peers.states["car-1"].state == "failed")
        assert "does not answer" in (car.peers.states["car-1"].reason or "")
        silent.close()
        await silent.wait_closed()
        app = FastAPI()
        add_peer_route(app, base.peers)
        async with serving(app, port):
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


async def test_a_full_disk_at_the_first_meeting_ends_neither_station_nor_link(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    base = Car(told("car-1", slice(0, 9)), Peer("car-2", KEY))
    async with base.listening() as port:
        car = Car(ledger("car-2"), Peer("car-1", KEY, address(port)))
        there_is_room = asyncio.Event()

        async def in_journal(work: Callable[[], object]) -> object:
            if not there_is_room.is_set():
                raise JournalError("database or disk is full")
            return work()

        monkeypatch.setattr(car.host, "in_journal", in_journal)
        async with running(calling_all(car.peers)) as calling:
            await car.host.until(lambda: "full" in (car.peers.states["car-1"].reason or ""))
            assert not calling.done()
            there_is_room.set()
            await car.host.until(lambda: same(base, car))


@pytest.mark.parametrize("host", ["192.168.8..21", "a" * 70 + ".example", "[::1", "nobody.invalid"])
async def test_an_address_that_cannot_be_is_told_and_ends_nothing(host: str) -> None:
    car = Car(ledger("car-2"), Peer("car-1", KEY, f"ws://{host}:8420/peer"))
    async with running(calling_all(car.peers)) as calling:
        await car.host.until(lambda: car.peers.states["car-1"].state == "failed")
        assert host in (car.peers.states["car-1"].reason or "")
        assert not calling.done()


async def test_invented_names_shut_nobody_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than are written down at all: who talks with us is heard all the same, a third one is not."""
    monkeypatch.setattr("server.sync.link.MAX_NAMES", 50)
    base = Car(told("base", slice(0, 9)), Peer("car-1", KEY))
    for i in range(60):
        base.ledger.introduce(f"{i:>32}".encode(), f"made-{i}")
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


async def test_a_lane_that_cannot_be_taken_costs_no_other(caplog: pytest.LogCaptureFixture) -> None:
    liar = told("car-1", slice(0, 20))
    liar.append(heard_by("car-9", slice(0, 5)))  # it speaks for another
    base = Car(liar, Peer("car-2", KEY))
    async with base.listening() as port:
        car = Car(told("car-2", slice(20, 30)), Peer("car-1", KEY, address(port)))
        async with running(calling_all(car.peers)):
            await car.host.until(lambda: len(contents(car.ledger)) == 21 + 11)
            await car.host.until(
                lambda: (
                    "car-9/tnc of car-1 is not taken: car-1 speaks as 'car-9'"
                    in (car.peers.states["car-1"].reason or "")
                )
            )
            await base.host.until(
                lambda: "car-2 does not take car-9/tnc" in (base.peers.states["car-2"].reason or "")
            )
            assert car.peers.states["car-1"].state == "open"
            liar.append([replace(heard_by("car-1")[0], payload=b"news")])
            await car.host.until(lambda: len(contents(car.ledger)) == 22 + 11)


async def test_a_laptop_started_again_is_not_two(monkeypatch: pytest.MonkeyPatch) -> None:
    """It went without a word, and its old line has not ended yet: that one is silent."""
    monkeypatch.setattr(links, "STARTED_AGAIN_S", 0.0)
    base = Car(ledger("base"), Peer("car-1", KEY))
    async with base.listening() as port, connect(address(port)) as before:
        caller = Caller(KEY)
        await before.send(caller.hello())
        sealed = caller.accept(await before.recv())
        for record in sealed.seal(b"I" + sealed.introduce(told("car-1").identity(FLIGHT))):
            await before.send(record)
        await base.host.until(lambda: base.peers.states["car-1"].state == "open")
        car = Car(told("car-1"), Peer("base", KEY, address(port)))
        async with running(calling_all(car.peers)):
            await base.host.until(lambda: same(base, car))
            assert base.peers.states["car-1"].reason == "linked with car-1"


async def test_two_laptops_with_one_folder_are_both_heard_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("server.sync.link.BEAT_S", 0.5)
    path, copy = tmp_path / "car-1.sqlite3", tmp_path / "copied" / "car-1.sqlite3"
    with Journal(path) as journal:
        Ledger(journal, Ed25519PrivateKey.generate(), "car-1").append(heard_by("car-1")[:50])
    copy.parent.mkdir()
    copy.write_bytes(path.read_bytes())
    base = Car(ledger("base"), Peer("car-1", KEY))
    async with base.listening() as port:
        peer = Peer("base", KEY, address(port))
        cars = [
            Car(Ledger(Journal(at), Ed25519PrivateKey.generate(), "car-1"), peer)
            for at in (path, copy)
        ]
        async with running(calling_all(cars[0].peers)), running(calling_all(cars[1].peers)):
            for number, car in enumerate(cars):
                for one in heard_by("car-1")[50 + number : 250 : 2]:
                    car.ledger.append([one])
            await base.host.until(lambda: same(base, *cars))
            await base.host.until(
                lambda: (
                    "2 stations call themselves that" in (base.peers.states["car-1"].reason or "")
                )
            )
        for car in cars:
            assert car.ledger.twice
            assert car.peers.states["base"].state == "open"
            car.ledger.close()
    assert not base.ledger.twice
    assert len(contents(base.ledger)) == 250


async def test_what_was_altered_on_a_disk_comes_back_over_a_link(tmp_path: Path) -> None:
    path, other = tmp_path / "base.sqlite3", told("car-2", slice(0, 60))
    with Journal(path) as journal:
        held = Ledger(journal, Ed25519PrivateKey.generate(), "base")
        carry(other, held)
    flip(path, "receptions", 7)
    base = Car(Ledger(Journal(path), Ed25519PrivateKey.generate(), "base"), Peer("car-2", KEY))
    assert base.ledger.altered == Altered(1, "entry 7 of car-2/tnc")
    async with base.listening() as port:
        car = Car(other, Peer("base", KEY, address(port)))
        late = Car(ledger("late"), Peer("base", KEY, address(port)))
        async with running(calling_all(late.peers)):  # before anybody has the entry
            await late.host.until(lambda: len(contents(late.ledger)) == 60)
            async with running(calling_all(car.peers)):
                await base.host.until(lambda: same(base, car))
                await late.host.until(lambda: same(base, late))
    assert base.ledger.altered.count == late.ledger.altered.count == 0
    assert [one for one in base.host.admitted if isinstance(one, Reception)] == heard_by("car-2")[
        6:7
    ]
    base.ledger.close()
