"""What is in the journal stays, and the text form gives back every byte."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.wires import WIRES
from server.flight.inputs import Command, Reception
from server.flight.times import format_time, parse_time
from server.journal.database import Journal, JournalError
from server.journal.text import LogError, format_line, parse_line, read_header, read_lines

RECEPTION = st.builds(
    Reception,
    heard_at_ms=st.integers(0, 4_000_000_000_000),
    source=st.from_regex(r"\A[!-~]{1,12}\Z"),
    wire=st.sampled_from(sorted(WIRES)),
    payload=st.binary(max_size=120),
)


@given(RECEPTION)
def test_text_form_is_lossless(reception: Reception) -> None:
    line = format_line(reception)
    assert line.isascii()
    assert line.isprintable()
    assert parse_line(line) == reception


def test_text_form_by_example() -> None:
    reception = Reception(1_780_318_800_123, "tnc", "tnc2", b"N0CALL-1>APZ:\\x41\x00\xff ok")
    line = "2026-06-01T13:00:00.123Z tnc tnc2 N0CALL-1>APZ:\\x5cx41\\x00\\xff ok"
    assert format_line(reception) == line
    assert parse_line(line) == reception
    kiss = parse_line("2026-06-01T13:00:00Z radio kiss 00a1B2")
    assert kiss == Reception(1_780_318_800_000, "radio", "kiss", b"\x00\xa1\xb2")


BAD_LINES = [
    ("2026-06-01T13:00:00Z tnc tnc2", "time source wire payload"),
    ("2026-06-01 tnc tnc2 x", "no zone"),
    ("noon tnc tnc2 x", "RFC 3339"),
    ("2026-06-01T13:00:00Z tnc morse x", "none of tnc2, kiss"),
    ("2026-06-01T13:00:00Z tnc kiss 0g", "hex digits"),
    ("2026-06-01T13:00:00Z  tnc2 x", "source's name"),
]


@pytest.mark.parametrize(("line", "words"), BAD_LINES)
def test_a_bad_line_is_told_and_passed_over(line: str, words: str) -> None:
    with pytest.raises(LogError, match=words):
        parse_line(line)
    problems: list[str] = []
    good = "2026-06-01T13:00:00Z tnc tnc2 x"
    assert len(list(read_lines(["# head", line, good], problems))) == 1
    assert problems[0].startswith("line 2: ")
    with pytest.raises(LogError, match="line 2"):
        list(read_lines(["# head", line]))


def test_header() -> None:
    header = read_header(["# name: Tern", "# neck load kg: 2.5", "words", "# late: no"])
    assert header == {"name": "Tern", "neck_load_kg": "2.5"}


def test_times() -> None:
    assert format_time(parse_time("2026-06-01T15:00:00.5+02:00")) == "2026-06-01T13:00:00.500Z"
    with pytest.raises(ValueError, match="no zone"):
        parse_time("2026-06-01T15:00:00")


def receptions(n: int) -> list[Reception]:
    return [Reception(1_000 * i, "tnc", "tnc2", b"N0CALL-1>APZ:>%d" % i) for i in range(n)]


def test_many_at_once_are_numbered_one_by_one(tmp_path: Path) -> None:
    """They are written by few statements; commands between them have numbers of their own."""
    command = Command(12.5, "vehicle", "Car 2", 38.1, -98.2)
    with Journal(tmp_path / "flight.sqlite3") as journal:
        given_: list[Reception | Command] = [
            *receptions(230),
            command,
            *receptions(3),
            command,
            command,
        ]
        with journal.transaction():
            numbers = journal.insert(given_)
        assert numbers == [*range(1, 231), 1, *range(231, 234), 2, 3]
        kept = list(journal.receptions())
        assert [n for n, _ in kept] == list(range(1, 234))
        assert [r for _, r in kept] == [*receptions(230), *receptions(3)]
        assert [after for after, _ in journal.commands()] == [230, 233, 233]


def test_append_read_and_go_on(tmp_path: Path) -> None:
    path = tmp_path / "flight.sqlite3"
    given_ = receptions(5)
    with Journal(path) as journal:
        assert journal.append(given_[:3]) == 3
        command = Command(12.5, "vehicle", "Car 2", 38.1, -98.2)
        journal.append([command])
        journal.describe(flight="Tern")
    with Journal(path) as journal:
        assert journal.append(given_[3:]) == 5
        assert [r for _, r in journal.receptions()] == given_
        assert [n for n, _ in journal.receptions(after=3)] == [4, 5]
        assert list(journal.commands()) == [(3, command)]
        assert journal.about() == {"schema": "1", "flight": "Tern"}


def test_what_is_no_journal_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.sqlite3"
    path.write_text("these are notes, and long enough not to be an empty database file" * 20)
    with pytest.raises(JournalError, match="not a database"):
        Journal(path)
    with pytest.raises(JournalError, match="unable to open"):
        Journal(tmp_path / "absent.sqlite3", read_only=True)


def test_a_refused_batch_leaves_nothing(tmp_path: Path) -> None:
    with Journal(tmp_path / "flight.sqlite3") as journal:
        bad = [*receptions(2), Reception(0, None, "tnc2", b"")]  # type: ignore[arg-type]
        with pytest.raises(JournalError, match="NOT NULL"):
            journal.append(bad)
        assert journal.last_number() == 0


def test_a_command_keeps_its_flight_and_older_journals_gain_the_column(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite3"
    said = Command(1_780_318_800.0, "phase", "landed", None, None, "car-1", "Lark 12")
    with Journal(path) as journal:
        journal.append([Command(1.0, "acknowledge", "burst-1")])
        with journal.transaction() as db:
            db.execute(
                "ALTER TABLE commands DROP COLUMN flight"
            )  # as it was before flights had names
            db.execute("DROP TABLE checked")
    with Journal(path, read_only=True) as journal:
        assert [command.flight for _, command in journal.commands()] == [""]
    with Journal(path) as journal:
        journal.append([said])
        assert [command for _, command in journal.commands()][1] == said
