"""Bits that turn on the disk: which entry it was is known, the lane goes on, and a good copy heals it."""

from __future__ import annotations

import contextlib
import random
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from server.flight.inputs import Command, Reception
from server.journal.database import Journal, JournalError
from server.journal.recover import open_journal
from server.sync.ledger import Ledger
from tests.faults.rounds import rounds
from tests.flights import T0
from tests.sync.made import carry, contents, flip, heard_by, ledger

HEARD = heard_by("car-1", slice(0, 40))
SAID = Command(T0 + 60.0, "vehicle", "Car 2", 38.1, -98.1, "car-1")


def opened(path: Path, name: str = "car-1") -> Ledger:
    return Ledger(Journal(path), Ed25519PrivateKey.generate(), name)


def kept(path: Path) -> Ledger:
    """A station's journal, and another that has all of it."""
    other = ledger("car-2")
    with contextlib.closing(opened(path)) as held:
        for one in HEARD:
            held.append([one])
        held.append([SAID])
        carry(held, other)
    return other


@pytest.mark.parametrize(
    ("table", "number", "column"),
    [
        ("receptions", 17, "payload"),
        ("receptions", 17, "heard_at_ms"),
        ("receptions", 17, "source"),
        ("receptions", 1, "payload"),
        ("receptions", 40, "wire"),
        ("receptions", 40, "crc"),
        ("commands", 1, "name"),
    ],
)
def test_an_altered_entry_is_left_out_and_the_rest_goes_on(
    tmp_path: Path, table: str, number: int, column: str
) -> None:
    path = tmp_path / "car-1.sqlite3"
    other = kept(path)
    flip(path, table, number, column, bit=6)
    held = opened(path)
    assert held.altered.count == 1
    late = ledger("car-3")
    held.append([heard_by("car-1")[50]])
    carry(held, late)
    assert late.have().keys() == held.have().keys()
    assert set(contents(late)) < {*HEARD, SAID, heard_by("car-1")[50]}
    assert len(contents(late)) == len(HEARD) + 1
    assert late.altered.count == 1
    assert carry(other, held) == 1, "the one that was altered, and nothing twice"
    assert held.altered.count == 0
    assert carry(held, late) == 1
    assert late.altered.count == 0
    carry(held, other)
    assert set(contents(held)) == set(contents(late)) == set(contents(other))
    held.close()
    with contextlib.closing(opened(path)) as again:
        assert again.altered.count == 0
        assert set(contents(again)) == set(contents(late))


@pytest.mark.parametrize(
    ("table", "column"), [("lane_entries", "chain"), ("lane_heads", "signature")]
)
@pytest.mark.parametrize("number", [1, 17, 40])
def test_an_altered_hash_or_signature_costs_nothing(
    tmp_path: Path, table: str, column: str, number: int
) -> None:
    path = tmp_path / "car-1.sqlite3"
    kept(path)
    flip(path, table, number, column)
    held, late = opened(path), ledger("car-3")
    assert held.altered.count == 0
    held.append([heard_by("car-1")[50]])
    carry(held, late)
    # of a lane's last entry nobody can check the word any more
    unproven = {1: SAID, 40: HEARD[39]}.get(number) if table == "lane_heads" else None
    assert set(contents(held)) - set(contents(late)) == ({unproven} if unproven else set())
    held.close()


def test_an_entry_that_lost_its_place_in_its_lane_is_told_anew(tmp_path: Path) -> None:
    path = tmp_path / "car-1.sqlite3"
    kept(path)
    flip(path, "lane_entries", 17, "number", bit=6)
    held, late = opened(path), ledger("car-3")
    carry(held, late)
    assert set(contents(late)) == {*HEARD, SAID}
    held.close()


def test_a_wrong_copy_heals_nothing(tmp_path: Path) -> None:
    """Who brings something else than what was signed is not believed."""
    path = tmp_path / "car-1.sqlite3"
    other = kept(path)
    flip(path, "receptions", 17)
    held = opened(path)
    lane = next(lane for lane in other.have() if lane.source)
    (asked,) = held.lacks()
    assert asked == (lane, 17)
    chunk = other.chunk(lane, 16, 100)
    assert chunk is not None
    bent = replace(chunk, entries=(HEARD[3], *chunk.entries[1:]))
    held.introduce(lane.station, "car-1")
    assert held.take(bent) == []
    assert held.altered.count == 1
    assert held.take(chunk) == [HEARD[16]]
    held.close()


def test_a_journal_of_before_there_were_check_sums(tmp_path: Path) -> None:
    path = tmp_path / "car-1.sqlite3"
    other = kept(path)
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        for table, column in (
            ("receptions", "crc"),
            ("commands", "crc"),
            ("lane_entries", "chain"),
        ):
            db.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
        db.execute("DROP TABLE checked")
    with Journal(path, read_only=True) as plain:
        assert [reception for _, reception in plain.receptions()] == HEARD
        assert [command for _, command in plain.commands()] == [SAID]
    with contextlib.closing(opened(path)) as held:
        assert held.altered.count == 0
        assert contents(held) == contents(other)
        assert carry(held, other) == carry(other, held) == 0
    flip(path, "receptions", 17)  # from now on hashes are kept
    with contextlib.closing(opened(path)) as held:
        assert held.altered.count == 1
        assert carry(other, held) == 1
        assert contents(held) == contents(other)


def test_a_disk_without_room_does_not_end_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "car-1.sqlite3"
    kept(path)
    with monkeypatch.context() as full:
        full.setattr(Journal, "transaction", refuses)
        held = opened(path)
        with pytest.raises(JournalError, match="full"):
            held.append([heard_by("car-1")[50]])
        assert len([*held.receptions()]) == len(HEARD)
    held.append([heard_by("car-1")[50]])
    late = ledger("car-3")
    carry(held, late)
    assert contents(late) == contents(held)
    held.close()


def refuses(_: Journal) -> contextlib.AbstractContextManager[sqlite3.Connection]:
    raise JournalError("database or disk is full")


def test_bits_turned_in_the_file_change_no_packet(tmp_path: Path) -> None:
    """Anywhere in it: an entry is what was written or it is left out, and the start goes on."""
    chance = random.Random(2_020)
    path = tmp_path / "car-1.sqlite3"
    kept(path)
    whole = path.read_bytes()
    written, silent = {*HEARD, SAID}, 0
    for number in range(rounds(40)):
        turned = tmp_path / f"{number}.sqlite3"
        data = bytearray(whole)
        data[chance.randrange(100, len(data))] ^= 1 << chance.randrange(8)
        turned.write_bytes(data)
        journal, problems = open_journal(turned)
        with contextlib.closing(Ledger(journal, Ed25519PrivateKey.generate(), "car-1")) as held:
            found: set[Reception | Command] = set(contents(held))
            assert found <= written
            assert found == written or problems or held.altered.count, number
            silent += found == written
    assert silent < rounds(40)
