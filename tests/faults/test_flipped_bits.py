"""One bit turned on the disk: nothing that was altered is used, whatever the bit stood for."""

from __future__ import annotations

import contextlib
import random
import sqlite3
from pathlib import Path

import pytest

from server.flight.inputs import Command
from server.journal.database import Journal, JournalError
from server.journal.recording import read_recording
from server.journal.recover import open_journal
from server.journal.salvage import read_what_is_there
from tests.faults.rounds import rounds
from tests.flights import T0, packet

HEARD = [packet(2.0 * i) for i in range(300)]
SAID = [Command(T0 + i, "acknowledge", f"alarm {i}") for i in range(10)]


def journal_at(path: Path) -> Path:
    with Journal(path) as journal:
        journal.append([*HEARD, *SAID])
    return path


def altered_with(path: Path, *statements: str) -> Path:
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        for statement in statements:
            db.execute(statement)
    return path


def as_of_before_check_sums(path: Path) -> Path:
    columns = [f"ALTER TABLE {table} DROP COLUMN crc" for table in ("receptions", "commands")]
    return altered_with(journal_at(path), *columns, "DROP TABLE checked")


@pytest.mark.parametrize("number", [1, 17, 300])
def test_an_entry_that_lost_its_check_sum_is_not_used(tmp_path: Path, number: int) -> None:
    """The bit that says how a number is stored can make it none at all."""
    path = altered_with(
        journal_at(tmp_path / "tern.sqlite3"),
        f"UPDATE receptions SET crc = NULL WHERE number = {number}",
        "UPDATE commands SET crc = NULL WHERE number = 3",
    )
    wanted = [one for i, one in enumerate(HEARD, 1) if i != number]
    recording = read_recording(path)
    assert list(recording.receptions) == wanted
    assert list(recording.commands) == [one for i, one in enumerate(SAID, 1) if i != 3]
    assert "2 entries are not what was written" in recording.problems[0]
    journal, problems = open_journal(path)
    with journal:
        assert [one for _, one in journal.receptions()] == wanted
        assert (journal.altered.count, problems) == (1, [])
        assert journal.altered.first == f"reception {number}"


def test_entries_of_before_there_were_check_sums_are_used_as_they_are(tmp_path: Path) -> None:
    path = as_of_before_check_sums(tmp_path / "tern.sqlite3")
    recording = read_recording(path)
    assert (list(recording.receptions), list(recording.commands)) == (HEARD, SAID)
    for _ in range(2):
        with Journal(path) as journal:
            journal.append(HEARD[:10])
    altered_with(
        path,
        "UPDATE receptions SET crc = NULL WHERE number = 305",
        "UPDATE receptions SET crc = NULL WHERE number = 12",
    )
    with Journal(path) as journal:
        assert len(list(journal.receptions())) == 319, "the 12th never had one"
        assert journal.altered.first == "reception 305"
        assert [command for _, command in journal.commands()] == SAID


def test_a_journal_that_does_not_say_since_when_is_used_as_it_is(tmp_path: Path) -> None:
    """As of before that was noted: some entries of before there were any were given one later."""
    path = altered_with(
        journal_at(tmp_path / "tern.sqlite3"),
        "UPDATE receptions SET crc = NULL WHERE number IN (3, 7)",
        "DROP TABLE checked",
    )
    assert list(read_recording(path).receptions) == HEARD
    with Journal(path) as journal:
        journal.append(HEARD[:1])
    altered_with(path, "UPDATE receptions SET crc = NULL WHERE number IN (8, 301)")
    with Journal(path) as journal:
        assert len(list(journal.receptions())) == 299
        assert (journal.altered.count, journal.altered.first) == (2, "reception 8")


def test_salvage_uses_no_entry_that_lost_its_check_sum(tmp_path: Path) -> None:
    path = altered_with(
        journal_at(tmp_path / "tern.sqlite3"),
        "UPDATE receptions SET crc = NULL WHERE number = 17",
        "UPDATE commands SET crc = NULL WHERE number = 3",
    )
    path.write_bytes(path.read_bytes()[:-5_000])
    found = read_what_is_there(path)
    assert HEARD[15] in found.receptions
    assert HEARD[16] not in found.receptions
    assert SAID[2] not in found.commands


@pytest.mark.parametrize(
    ("word", "turned"),
    [
        (b"crc INTEGER", b"cvc INTEGER"),
        (b"payload BLOB", b"payloae BLOB"),
        (b"TABLE receptions", b"TABLE recdptions"),
        (b"blereceptions", b"bleradeptions"),  # its name beside the statement
        (b"NOT NULL", b"NOT JULL"),
        (b"TABLE commands", b"TABLE commanes"),
        (b"station TEXT", b"stapion TEXT"),
        (b"TABLE about", b"TABLE qbout"),
        (b"CREATE TABLE receptions", b"CREAT\xc5 TABLE receptions"),  # nor is the error a text
        (b"checkedchecked", b"c\xe8eckedchecked"),
        (b"SQLite format 3", b"SQLite fozmat 3"),
    ],
)
def test_a_bit_in_the_words_that_make_a_table_hides_no_entry(
    tmp_path: Path, word: bytes, turned: bytes
) -> None:
    path = journal_at(tmp_path / "tern.sqlite3")
    data = path.read_bytes()
    assert word in data
    path.write_bytes(data.replace(word, turned))
    journal, (told,) = open_journal(path)
    with journal:
        assert [one for _, one in journal.receptions()] == HEARD
        assert [one for _, one in journal.commands()] == SAID
    assert (told.kind, told.count) == ("journal_damaged", 300)


def test_a_bit_in_its_version_ends_no_start(tmp_path: Path) -> None:
    path = altered_with(
        journal_at(tmp_path / "tern.sqlite3"), "UPDATE about SET value = '3' WHERE key = 'schema'"
    )
    journal, (told,) = open_journal(path)
    with journal:
        assert [one for _, one in journal.receptions()] == HEARD
    assert (told.kind, told.count) == ("journal_damaged", 300)


def test_a_journal_of_another_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = altered_with(
        journal_at(tmp_path / "tern.sqlite3"),
        "UPDATE about SET value = '3' WHERE key = 'schema'",
        "PRAGMA user_version = 3",
        "ALTER TABLE receptions RENAME COLUMN wire TO wired",
    )
    with pytest.raises(JournalError, match="schema 1 expected, found 3"):
        open_journal(path)
    assert not list(tmp_path.glob("*damaged*"))


def test_a_database_of_something_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "map.mbtiles"
    altered_with(path, "CREATE TABLE tiles (zoom_level INTEGER)")
    before = path.read_bytes()
    with pytest.raises(JournalError, match="not a journal's"):
        open_journal(path)
    altered_with(path)
    assert sorted(f.name for f in tmp_path.iterdir()) == ["map.mbtiles"]
    assert path.read_bytes()[100:] == before[100:]


@pytest.mark.parametrize("seed", range(rounds(150)))
def test_no_turned_bit_takes_an_altered_entry_nor_ends_a_start(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    path = journal_at(tmp_path / "tern.sqlite3")
    data = bytearray(path.read_bytes())
    at = chance.randrange(len(data))
    data[at] ^= 1 << chance.randrange(8)
    path.write_bytes(data)
    journal, problems = open_journal(path)
    with journal:
        used = [one for _, one in journal.receptions()]
        said = [one for _, one in journal.commands()]
        assert set(used) <= set(HEARD)
        assert set(said) <= set(SAID)
        if len(used) < len(HEARD) or len(said) < len(SAID):
            assert journal.altered.count or problems, "what is missing is told"
