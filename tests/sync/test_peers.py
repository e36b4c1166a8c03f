"""Two and three stations over real sockets: the same end, broken links and poor ones."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi import FastAPI
from websockets.asyncio.client import connect

from server.flight.inputs import Reception
from server.journal.database import Altered, Journal, JournalError
from server.sync import peers as links
from server.sync.incoming import add_peer_route
from server.sync.ledger import Ledger
from server.sync.peers import Peer
from server.sync.talk import Caller
from tests.screen.serving import serving
from tests.sync.cars import FLIGHT, Car, address, same
from tests.sync.made import (
    KEY,
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
