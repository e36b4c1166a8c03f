"""A run that was killed says so when it starts again; one that was closed does not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from server.flight.mission_state import Problem, ProblemKind
from server.flight.times import moment
from server.journal import ending
from server.journal.database import Journal
from server.journal.ending import not_closed, tell_for_a_while
from server.journal.recording import read_recording
from tests.seen import kinds
from tests.session.running import Tnc, leeward
from tests.session.test_journal import receptions
from tests.session.test_live import PLAN, TNC, line_at, shift_to_now


def begun(path: Path, running: str = "2026-06-06T12:00:00Z") -> Problem | None:
    """A run on that journal, which hears something and is killed; what it said at its start."""
    journal = Journal(path)
    told = not_closed(journal)
    journal.begin("Tern", running)
    journal.append(receptions(3))
    return told  # and nothing closes it, as where a process is killed


def test_only_a_run_that_was_not_closed_is_told(tmp_path: Path) -> None:
    path = tmp_path / "tern.sqlite3"
    assert begun(path) is None
    last_s = receptions(3)[-1].heard_at_ms / 1_000.0
    assert begun(path) == Problem(ProblemKind.NOT_CLOSED, time=moment(last_s))
    with Journal(path) as journal:
        journal.begin("Tern", "2026-06-06T12:10:00Z")
    with Journal(path) as journal:
        assert not_closed(journal) is None
        assert journal.about() == {"schema": "1", "flight": "Tern"}
    assert "running" not in read_recording(path).header


def test_who_only_reads_closes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "tern.sqlite3"
    begun(path)
    with Journal(path, read_only=True), Journal(path):
        pass
    with Journal(path) as journal:
        assert not_closed(journal) is not None


async def test_it_is_told_for_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ending, "TOLD_FOR_S", 0.0)
    said: list[Problem | None] = []
    killed = Problem(ProblemKind.NOT_CLOSED, time=moment(0.0))
    await tell_for_a_while(killed, said.append)
    await tell_for_a_while(None, said.append)
    assert said == [killed, None]


async def test_a_killed_station_says_so_at_its_next_start(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"

    def heard(state: dict[str, Any]) -> bool:
        return bool(state["number"])

    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        async with leeward("live", str(plan)) as station:
            await tnc.send(line_at(10.0, shift_to_now(3_000.0)))
            assert "not_closed" not in kinds(await station.until(heard))
            await station.kill()
        async with leeward("live", str(plan)) as station:
            assert "not_closed" in kinds(await station.until(heard))
            await station.end()
        async with leeward("live", str(plan)) as station:
            assert "not_closed" not in kinds(await station.until(heard))
            await station.end()
