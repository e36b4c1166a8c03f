"""Lanes: signed, without gaps, the same on both sides, whoever carried them."""

from __future__ import annotations

import itertools
import random
import sqlite3
from dataclasses import replace
from pathlib import Path

import orjson
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from server.flight.inputs import Command, Reception
from server.journal.database import Journal
from server.sync.entry import Chunk, ChunkError, Lane, pack, unpack
from server.sync.ledger import Gap, Ledger
from server.sync.own_lanes import HEAD_EVERY_ENTRIES
from tests.sync.made import carry, contents, heard_by, ledger, state_of, told


def test_rfc_8032_the_library_signs_as_published() -> None:
    """RFC 8032, section 7.1, test 2."""
    key = Ed25519PrivateKey.from_private_bytes(
        bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    )
    public = key.public_key().public_bytes_raw().hex()
    assert public == "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    assert key.sign(b"\x72").hex() == (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )


def test_two_halves_become_one_whole_on_both_sides() -> None:
    first, second = told("car-1", slice(0, None, 2)), told("car-2", slice(1, None, 2))
    assert carry(first, second) == len(list(first.receptions())) + 1
    carry(second, first)
    assert contents(first) == contents(second)
    assert state_of(first) == state_of(second)
    assert carry(first, second) == carry(second, first) == 0, "nothing is sent twice"


def test_a_third_station_carries_what_it_did_not_hear() -> None:
    first, base, late = told("car-1"), ledger("base"), ledger("car-3")
    carry(first, base)
    assert carry(base, late) == len(contents(first))
    assert contents(late) == contents(first)


def test_what_a_browser_may_say_can_be_carried() -> None:
    """200 characters of 4 bytes: a lane with an entry that nobody takes would end there for ever."""
    longest = Command(1_780_000_000.0, "acknowledge", "\U0001f680" * 200, None, None, "car-1")
    assert unpack(pack(longest)) == longest


@given(cuts=st.lists(st.integers(200, 6_000), min_size=1, max_size=4), seed=st.integers(0, 99))
@settings(max_examples=15, deadline=None)
def test_any_cut_and_order_of_chunks_ends_the_same(cuts: list[int], seed: int) -> None:
    giver, taker = told("car-1", slice(0, 60)), ledger("car-2")
    taker.introduce(giver.station, giver.name)
    chunks = []
    for lane, last in giver.have().items():
        after, sizes = 0, itertools.cycle(cuts)
        while after < last:
            chunk = giver.chunk(lane, after, next(sizes))
            assert chunk is not None
            chunks.append(chunk)
            after = chunk.last
    rest = random.Random(seed).sample(chunks + chunks[: len(chunks) // 2], len(chunks) * 3 // 2)
    while rest:  # those with a gap before them come again
        later = []
        for chunk in rest:
            try:
                taker.take(chunk)
            except Gap:
                later.append(chunk)
        rest = later
    assert contents(taker) == contents(giver)


@given(st.data())
@settings(max_examples=15, deadline=None)
def test_the_state_follows_from_the_set_whoever_heard_what_and_met_whom(
    data: st.DataObject,
) -> None:
    """A flight split by chance between three cars that meet in pairs, some of them while it goes on."""
    names = ("car-1", "car-2", "car-3")
    cars = [ledger(name) for name in names]
    pairs = st.sampled_from(list(itertools.permutations(range(3), 2)))
    for part in range(4):
        for reception in heard_by("nobody", slice(part * 15, part * 15 + 15)):
            for who in data.draw(st.sets(st.sampled_from(range(3)), min_size=1)):
                cars[who].append([replace(reception, source=f"{names[who]}/tnc")])
        for giver, taker in data.draw(st.lists(pairs, max_size=3)):
            carry(cars[giver], cars[taker])
    for giver, taker in data.draw(st.permutations(list(itertools.permutations(range(3), 2)))):
        carry(cars[giver], cars[taker])
    for giver, taker in itertools.permutations(range(3), 2):
        carry(cars[giver], cars[taker])
    states = [orjson.dumps(state_of(car), option=orjson.OPT_SERIALIZE_NUMPY) for car in cars]
    assert states[0] == states[1] == states[2]


def test_what_is_stored_comes_back_after_a_restart(tmp_path: Path) -> None:
    path, key = tmp_path / "car.sqlite3", Ed25519PrivateKey.generate()
    opened = Ledger(Journal(path), key, "car-2")
    carry(told("car-1"), opened)
    opened.append(heard_by("car-2")[:5])
    before, have = contents(opened), opened.have()
    opened.close()
    again = Ledger(Journal(path), key, "car-2")
    assert contents(again) == before
    assert again.have() == have
    again.append(heard_by("car-2")[5:9])
    taker = ledger("base")
    carry(again, taker)
    assert contents(taker) == contents(again)


def test_a_journal_of_before_there_were_stations_is_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "car.sqlite3"
    plain = [replace(r, source="tnc") for r in heard_by("x")[:450]]
    phone = Reception(plain[0].heard_at_ms, "phone", "phone", b'{"latitude": 1, "longitude": 2}')
    with Journal(path) as journal:
        journal.append([*plain, phone])
        journal.append([Command(1e9, "acknowledge", "burst")])
    opened = Ledger(Journal(path), Ed25519PrivateKey.generate(), "car-1")
    taker = ledger("car-2")
    carry(opened, taker)
    sources = {reception.source for _, reception in taker.receptions()}
    assert sources == {"car-1/tnc", "phone"}
    assert [c.station for _, c in taker.commands()] == ["car-1"]
    assert contents(taker) == contents(opened)


def test_a_big_commit_is_signed_in_parts() -> None:
    giver = ledger("car-1")
    giver.append(heard_by("car-1") * 2)
    lane = next(iter(giver.have()))
    chunk = giver.chunk(lane, 0)
    assert chunk is not None
    assert len(chunk.entries) <= HEAD_EVERY_ENTRIES
    assert giver.chunk(lane, giver.have()[lane]) is None
    assert giver.chunk(Lane(b"\0" * 32, "none"), 0) is None


def altered(chunk: Chunk) -> list[Chunk]:
    first = chunk.entries[0]
    assert isinstance(first, Reception)
    changed = replace(first, payload=first.payload + b"0")
    return [
        replace(chunk, entries=(changed, *chunk.entries[1:])),
        replace(chunk, entries=chunk.entries[1:]),
        replace(chunk, entries=chunk.entries[::-1]),
        replace(chunk, signature=bytes(64)),
        replace(chunk, lane=replace(chunk.lane, source="car-1/other")),
    ]


@pytest.mark.parametrize("which", range(5))
def test_what_was_altered_is_refused_and_nothing_of_it_is_kept(which: int) -> None:
    giver, taker = told("car-1"), ledger("car-2")
    taker.introduce(giver.station, "car-1")
    chunk = giver.chunk(Lane(giver.station, "car-1/tnc"), 0, 2_000)
    assert chunk is not None
    with pytest.raises(ChunkError):
        taker.take(altered(chunk)[which])
    assert contents(taker) == []
    assert taker.take(chunk)


def test_a_station_speaks_for_itself_alone() -> None:
    liar, taker = ledger("car-1"), ledger("car-2")
    liar.append(heard_by("car-9")[:3])
    taker.introduce(liar.station, "car-1")
    chunk = liar.chunk(Lane(liar.station, "car-9/tnc"), 0)
    assert chunk is not None
    with pytest.raises(ChunkError, match="car-1 speaks as"):
        taker.take(chunk)
    with pytest.raises(ChunkError, match="nobody introduced"):
        ledger("car-3").take(chunk)


def run_of(journal: Journal, name: str) -> Ledger:
    """As each start of a station: a key of its own."""
    return Ledger(journal, Ed25519PrivateKey.generate(), name)


def test_two_pasts_under_one_key_are_told() -> None:
    key = Ed25519PrivateKey.generate()
    one, other = (Ledger(Journal(":memory:"), key, "car-1") for _ in range(2))
    one.append(heard_by("car-1")[:4])
    other.append(heard_by("car-1")[4:12])
    taker = ledger("car-2")
    carry(one, taker)
    with pytest.raises(ChunkError, match="car-1 says now something else"):
        carry(other, taker)
    assert len(contents(taker)) == 4


def test_a_commit_that_fails_leaves_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    from server.sync import entry

    held = told("car-1")
    before, have = contents(held), held.have()

    def fail(*_: object) -> bytes:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(entry, "sign", fail)
    with pytest.raises(Exception, match="disk is full"):
        held.append(heard_by("car-1")[:3])
    assert contents(held) == before
    assert held.have() == have
    monkeypatch.undo()
    held.append(heard_by("car-1")[:3])
    taker = ledger("car-2")
    carry(held, taker)
    assert contents(taker) == contents(held)


@pytest.mark.parametrize("anew", [False, True])
def test_a_station_renamed_or_begun_again_is_heard_by_those_who_knew_it(
    tmp_path: Path, anew: bool
) -> None:
    path, other, late = tmp_path / "tern.sqlite3", ledger("car-2"), ledger("car-3")
    with Journal(path) as journal:
        before = run_of(journal, "car-1")
        before.append(heard_by("car-1", slice(0, 50)))
        assert carry(before, other) == 50
    name = "car-1" if anew else "base"
    if anew:
        path.unlink()
    with Journal(path) as journal:
        after = run_of(journal, name)
        after.append(heard_by(name, slice(50, 120)))
        assert carry(after, other) == 70
        assert carry(after, late) == (70 if anew else 120)
        carry(other, after)
        carry(after, late)
        assert contents(after) == contents(other) == contents(late)
