"""The disk fills up, or has rotted: it is said on the screen, and what was heard is kept all the same."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from server.journal.database import Journal, JournalError
from server.journal.recording import read_recording
from server.journal.recover import open_journal
from tests.flights import made_flight
from tests.seen import kinds
from tests.session.running import Tnc, leeward
from tests.session.test_live import PLAN, TNC, beacon, line_at, shift_to_now
from tests.small_disk import fill, read_only, small_disk_at
from tests.sync.made import flip


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk_at(tmp_path / "disk") as folder:
        yield folder


async def test_a_full_disk_is_told_and_written_when_there_is_room(
    small_disk: Path, tmp_path: Path
) -> None:
    plan, journal = tmp_path / "tern.toml", small_disk / "tern.sqlite3"
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        async with leeward("live", str(plan), "--journal", str(journal)) as running:
            for i in range(20):
                await tnc.send(line_at(30.0 * i, shift_s))
            await running.until(lambda s: s["receptions"]["total"] == 20)
            ballast = fill(small_disk)
            for i in range(20, 80):
                await tnc.send(line_at(30.0 * i, shift_s))
            state = await running.until(
                lambda s: s["receptions"]["total"] == 80 and kinds(s)[:1] == ["journal_refuses"]
            )
            assert state["trackers"][0]["fixes"] == 80, "the flight goes on in memory"
            with pytest.raises(httpx.HTTPStatusError) as refused:
                await beacon(running.address, 2_400.0, shift_s)
            assert refused.value.response.status_code == 503, "the phone must keep it"
            assert "send it again" in refused.value.response.json()["detail"]
            async with httpx.AsyncClient() as crew:  # the crew's commands hold all the same
                place = {"id": state["alarms"][0]["id"]} if state["alarms"] else {"id": "none"}
                done = await crew.post(f"{running.address}/api/acknowledge", json=place)
            assert done.status_code == 200
            ballast.unlink()
            # little room is left all the same: the disk is small
            await running.until(lambda s: [p["kind"] for p in s["problems"]] == ["disk_fills"])
            number = await beacon(running.address, 2_400.0, shift_s)
            await running.kill()
        with Journal(journal, read_only=True) as opened:
            kept = dict(opened.receptions())
            commands = list(opened.commands())
        assert len([r for r in kept.values() if r.source == "tnc"]) == 80
        assert kept[number].wire == "phone"
        assert len(commands) == 1


GIVEN = list(made_flight())


def journal_at(path: Path) -> Path:
    """Several pages, all of them in the main file."""
    with Journal(path) as journal:
        journal.append(GIVEN * 10)
        journal.describe(flight="Tern test")
    return path


def rot(path: Path, seed: int) -> None:
    """One page of the middle overwritten with noise."""
    chance = random.Random(seed)
    data = bytearray(path.read_bytes())
    page = 4_096
    at = chance.randrange(3, len(data) // page - 1) * page
    data[at : at + page] = chance.randbytes(page)
    path.write_bytes(data)


@pytest.mark.parametrize("seed", range(6))
def test_a_rotten_page_costs_its_own_receptions_alone(tmp_path: Path, seed: int) -> None:
    path = journal_at(tmp_path / "tern.sqlite3")
    whole = len(GIVEN) * 10
    rot(path, seed)
    journal, problems = open_journal(path)
    with journal:
        kept = [reception for _, reception in journal.receptions()]
        assert whole > len(kept) > 0.5 * whole
        assert set(kept) <= set(GIVEN)
        assert journal.damage() is None
        assert journal.append(GIVEN[:1]) == len(kept) + 1, "and it can be written on"
    (aside,) = tmp_path.glob("tern.damaged-*.sqlite3")
    (told,) = problems
    assert (told.kind, told.name, told.count) == ("journal_damaged", aside.name, len(kept))
    assert "missing are" in (told.detail or "")


async def test_an_altered_packet_is_named_and_not_used(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(PLAN)
    path = plan.with_suffix(".sqlite3")
    with Journal(path) as journal:
        journal.append(GIVEN[:50])
    flip(path, "receptions", 17)
    async with leeward("live", str(plan)) as running:
        state = await running.until(lambda s: s["receptions"]["total"] == 49)
        (told,) = [p for p in state["problems"] if p["kind"] == "entries_altered"]
        assert (told["count"], told["detail"]) == (1, "reception 17")
    recording = read_recording(path)
    assert len(recording.receptions) == 49
    assert "1 entries are not what was written" in recording.problems[0]


@pytest.mark.parametrize("left", [0.9, 0.5, 0.1])
def test_a_journal_cut_short_keeps_its_beginning(tmp_path: Path, left: float) -> None:
    path = journal_at(tmp_path / "tern.sqlite3")
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * left)])
    journal, problems = open_journal(path)
    with journal:
        kept = [reception for _, reception in journal.receptions()]
    assert set(kept) <= set(GIVEN)
    if left >= 0.5:
        assert len(kept) > 0.3 * len(GIVEN) * 10
    assert problems[0].kind == "journal_damaged"


@pytest.mark.parametrize("content", [b"rubbish " * 2_000, bytes(8_192)])
def test_what_is_no_journal_at_all_is_put_aside(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "tern.sqlite3"
    path.write_bytes(content)
    journal, problems = open_journal(path)
    with journal:
        assert journal.append(GIVEN[:3]) == 3
    (aside,) = tmp_path.glob("tern.damaged-*.sqlite3")
    assert aside.read_bytes() == content, "not a byte of it is lost"
    assert (problems[0].kind, problems[0].count) == ("journal_damaged", 0)


def test_nothing_is_put_aside_that_is_only_locked_or_not_there(tmp_path: Path) -> None:
    with pytest.raises(JournalError):
        open_journal(tmp_path / "no-such-folder" / "tern.sqlite3")
    whole, problems = open_journal(journal_at(tmp_path / "tern.sqlite3"))
    with whole:
        assert problems == []
        assert whole.last_number() == len(GIVEN) * 10
    assert list(tmp_path.glob("*damaged*")) == []


async def test_a_station_with_a_rotten_journal_flies_on_and_says_so(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    rot(journal_at(tmp_path / "tern.sqlite3"), 1)
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        async with leeward("live", str(plan)) as running:
            state = await running.whole()
            assert kinds(state)[0] == "journal_damaged"
            saved = state["receptions"]["total"]
            assert saved > 0
            await tnc.send(line_at(3_000.0, shift_to_now(3_000.0)))
            await running.until(lambda s: s["receptions"]["total"] == saved + 1)
            assert await running.end() == 0
        async with leeward("live", str(plan)) as again:
            state = await again.whole()
            assert state["receptions"]["total"] == saved + 1
            assert "journal_damaged" not in kinds(state)


async def test_a_station_starts_on_a_full_disk_and_writes_when_there_is_room(
    small_disk: Path, tmp_path: Path
) -> None:
    """With a journal of before, and with none at all."""
    shift_s = shift_to_now(3_000.0)
    for name, before in (("old", 20), ("new", 0)):
        plan, journal = tmp_path / f"{name}.toml", small_disk / f"{name}.sqlite3"
        async with Tnc() as tnc:
            plan.write_text(PLAN + TNC.format(port=tnc.port))
            if before:
                with Journal(journal) as opened:
                    opened.append(GIVEN[:before])
            ballast = fill(small_disk)
            async with leeward("live", str(plan), "--journal", str(journal)) as running:
                state = await running.whole()
                assert state["receptions"]["total"] == before
                for i in range(20):
                    await tnc.send(line_at(30.0 * i, shift_s))
                await running.until(_held_in_memory(before + 20))
                ballast.unlink()
                await running.until(lambda s: "journal_refuses" not in kinds(s))
                assert await running.end() == 0
        with Journal(journal, read_only=True) as opened:
            assert len(list(opened.receptions())) == before + 20


def _held_in_memory(total: int) -> Callable[[dict[str, Any]], bool]:
    return lambda s: s["receptions"]["total"] == total and kinds(s)[:1] == ["journal_refuses"]


@pytest.mark.parametrize("ended_at", ["fsync", ".damaged", ".saving"])
def test_saving_that_is_interrupted_is_done_again(
    tmp_path: Path, ended_at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut while a damaged journal is saved: the next start has all that could be read."""
    path = journal_at(tmp_path / "tern.sqlite3")
    rot(path, 3)
    with open_journal(_copy(path, tmp_path / "other.sqlite3"))[0] as saved:
        wanted = [reception for _, reception in saved.receptions()]
    assert len(wanted) > 100

    def cut(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        if ended_at.startswith("."):  # before one of the two files takes its place
            whole = Path.replace

            def replacing(here: Path, there: Path) -> Path:
                if ended_at in here.name + there.name:
                    raise KeyboardInterrupt
                return whole(here, there)

            patched.setattr(Path, "replace", replacing)
        else:
            patched.setattr(os, ended_at, cut)
        with pytest.raises(KeyboardInterrupt):
            open_journal(path)
    journal, _ = open_journal(path)
    with journal:
        assert [reception for _, reception in journal.receptions()] == wanted
    assert not list(tmp_path.glob("*.saving*"))


def _copy(path: Path, to: Path) -> Path:
    to.write_bytes(path.read_bytes())
    return to


async def test_a_folder_that_cannot_be_written_to_stops_no_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was heard before is there, what is heard is kept elsewhere, and a second start goes on with it."""
    (tmp_path / "temporary").mkdir()
    monkeypatch.setenv("TMPDIR", str(tmp_path / "temporary"))
    folder = tmp_path / "stick"
    folder.mkdir()
    plan = folder / "tern.toml"
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        async with leeward("live", str(plan)) as running:
            await tnc.send(line_at(2_900.0, shift_s))
            await running.until(lambda s: s["receptions"]["total"] == 1)
            assert await running.end() == 0
        (folder / "tern.keys.json").unlink()
        with read_only(folder):
            for count in (2, 3):
                async with leeward("live", str(plan)) as running:
                    await tnc.send(line_at(2_900.0 + 10.0 * count, shift_s))
                    state = await running.until(lambda s: s["receptions"]["total"] == count)  # noqa: B023
                    assert "journal_elsewhere" in kinds(state)
                    assert await running.end() == 0
    (kept,) = (tmp_path / "temporary").glob("leeward-*/tern.sqlite3")
    with Journal(kept, read_only=True) as journal:
        assert len(list(journal.receptions())) == 3
    assert (kept.with_name("tern.keys.json")).exists()
