"""A damaged journal on a disk without room: the start has what can be read, and nothing of it is lost."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.flight.inputs import Reception
from server.journal import saving
from server.journal.database import Journal, JournalError
from server.journal.elsewhere import writable_beside
from server.journal.recover import open_journal
from server.journal.unsaved import Unsaved
from tests.faults.test_disk import GIVEN, journal_at, rot
from tests.flights import packet
from tests.seen import kinds
from tests.session.running import Tnc, leeward
from tests.session.test_live import PLAN, TNC, line_at, shift_to_now
from tests.small_disk import fill, read_only, small_disk_at


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk_at(tmp_path / "disk", 2_048) as folder:
        yield folder


def rotten_at(path: Path) -> Path:
    rot(journal_at(path), 3)
    return path


def asides(path: Path) -> list[bytes]:
    return [aside.read_bytes() for aside in path.parent.glob(f"{path.stem}.damaged-*.sqlite3")]


def heard(journal: Journal) -> list[Reception]:
    return [one for _, one in journal.receptions()]


async def test_a_start_has_what_can_be_read_and_writes_it_when_there_is_room(
    small_disk: Path, tmp_path: Path
) -> None:
    """All of the plan's folder is full, and the machine's temporary one with it."""
    plan, path = small_disk / "tern.toml", rotten_at(small_disk / "tern.sqlite3")
    damaged = path.read_bytes()
    with open_journal(Path(shutil.copy(path, tmp_path / "copy.sqlite3")))[0] as saved:
        readable = len(heard(saved))
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        ballast = fill(small_disk)
        async with leeward("live", str(plan)) as killed:
            state = await killed.whole()
            assert state["receptions"]["total"] == readable
            (told,) = [p for p in state["problems"] if p["kind"] == "journal_unsaved"]
            assert (told["name"], told["count"]) == ("tern.sqlite3", readable)
            await killed.kill()
        assert path.read_bytes() == damaged
        async with leeward("live", str(plan)) as running:
            await tnc.send(line_at(2_900.0, shift_s))
            state = await running.until(lambda s: s["receptions"]["total"] == readable + 1)
            await running.until(lambda s: "journal_refuses" in kinds(s))
            assert path.read_bytes() == damaged, "not a byte of it is lost"
            ballast.unlink()
            state = await running.until(lambda s: "journal_damaged" in kinds(s))
            assert "journal_unsaved" not in kinds(state)
            await running.until(lambda s: "journal_refuses" not in kinds(s))
            await running.kill()
    assert asides(path) == [damaged]
    journal, problems = open_journal(path)
    with journal:
        assert (len(heard(journal)), problems) == (readable + 1, [])


def test_what_was_not_saved_is_saved_with_the_first_writing(small_disk: Path) -> None:
    path = rotten_at(small_disk / "tern.sqlite3")
    ballast = fill(small_disk)
    journal, problems = open_journal(path)
    with journal:
        assert isinstance(journal, Unsaved)
        assert (problems, journal.problem.kind) == ([], "journal_unsaved")
        reading = iter(journal.receptions())
        first = next(reading)[1]
        readable = heard(journal)
        with pytest.raises(JournalError, match="no room"):
            journal.append(GIVEN[:1])
        ballast.unlink()
        assert journal.append(GIVEN[:1]) == len(readable) + 1
        assert journal.problem.kind == "journal_damaged"
        assert heard(journal) == [*readable, GIVEN[0]]
        assert [first, *(one for _, one in reading)] == readable, "who reads, reads on"
    assert not list(small_disk.glob("*.saving*"))
    with Journal(path) as again:
        assert heard(again) == [*readable, GIVEN[0]]


def test_what_lies_in_the_write_ahead_log_is_read_without_room(small_disk: Path) -> None:
    path, copied = rotten_at(small_disk / "old.sqlite3"), small_disk / "tern.sqlite3"
    late = [packet(20_000.0 + i) for i in range(20)]
    with contextlib.closing(Journal(path)) as open_still:
        open_still.append(late)
        shutil.copy(path, copied)
        shutil.copy(f"{path}-wal", f"{copied}-wal")
    path.unlink()
    fill(small_disk)
    with open_journal(copied)[0] as journal:
        assert heard(journal)[-20:] == late


@pytest.mark.parametrize("cut", [10, 5_000])
def test_a_cut_file_needs_no_room_elsewhere(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch, cut: int
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(small_disk))
    path = journal_at(small_disk / "tern.sqlite3")
    os.truncate(path, path.stat().st_size - cut)
    fill(small_disk)
    with open_journal(path)[0] as journal:
        assert len(heard(journal)) > 0.3 * len(GIVEN) * 10


def test_the_log_of_the_damaged_file_is_not_taken_for_the_new_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ended between the two files: SQLite would write the old one's pages into the new one."""
    path = rotten_at(tmp_path / "tern.sqlite3")
    log = path.with_name("tern.sqlite3-wal")

    def cut(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(saving, "_move_beside", cut)
        with pytest.raises(KeyboardInterrupt):
            open_journal(path)
    log.write_bytes(b"of the damaged one")
    journal, problems = open_journal(path)
    with journal:
        assert problems == []
        assert heard(journal)
    (aside,) = tmp_path.glob("tern.damaged-*.sqlite3")
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == b"of the damaged one"


def test_no_damaged_file_takes_the_place_of_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.strftime", lambda *_: "20260601T120000")
    for _ in range(3):
        open_journal(rotten_at(tmp_path / "tern.sqlite3"))[0].close()
    assert len(list(tmp_path.glob("tern.damaged-*.sqlite3"))) == 3


def test_half_a_file_that_was_being_saved_is_nothing(tmp_path: Path) -> None:
    path = rotten_at(tmp_path / "tern.sqlite3")
    with open_journal(Path(shutil.copy(path, tmp_path / "copy.sqlite3")))[0] as saved:
        readable = heard(saved)
    half = (tmp_path / "copy.sqlite3").read_bytes()[:50_000]
    (tmp_path / "tern.saving.sqlite3").write_bytes(half)
    with open_journal(path)[0] as journal:
        assert heard(journal) == readable
    assert not list(tmp_path.glob("tern.saving*"))


def test_no_room_anywhere_for_a_folder_that_cannot_be_written_to_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nowhere() -> str:
        raise FileNotFoundError("No usable temporary directory found")

    monkeypatch.setattr("tempfile.gettempdir", nowhere)
    with read_only(tmp_path), pytest.raises(JournalError, match="nor elsewhere: No usable"):
        writable_beside(tmp_path / "tern.sqlite3")


def test_a_table_that_is_hidden_on_a_full_disk_is_read(small_disk: Path) -> None:
    """The file is asked without room, and must not stay locked for who reads what is left of it."""
    path = journal_at(small_disk / "tern.sqlite3")
    data = path.read_bytes()
    path.write_bytes(data.replace(b"TABLE about", b"TABLE qbout"))
    fill(small_disk)
    with open_journal(path)[0] as journal:
        assert isinstance(journal, Unsaved)
        assert heard(journal) == GIVEN * 10
