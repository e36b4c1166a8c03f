"""The disk of the journal is watched: scarce room is said, and said no more when there is some."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from pathlib import Path

import pytest

from server.debrief.sentences import problem_words
from server.flight.mission_state import Problem, ProblemKind
from server.journal.space import scarce, watch_space


def test_what_is_free_is_told_in_megabytes(tmp_path: Path) -> None:
    free_mb = shutil.disk_usage(tmp_path).free / 1e6
    found = scarce(tmp_path, least_bytes=10**18)
    assert found is not None
    assert found.count is not None
    assert found.kind is ProblemKind.DISK_FILLS
    assert found.count == pytest.approx(free_mb, rel=0.1, abs=200.0)
    assert f"{found.count:,} MB" in problem_words(found)
    assert scarce(tmp_path, least_bytes=0) is None


def test_a_folder_that_is_not_there_is_no_problem_of_room(tmp_path: Path) -> None:
    assert scarce(tmp_path / "gone", least_bytes=10**18) is None


async def test_it_is_told_and_withdrawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free = {"bytes": 400_000_000}
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=free["bytes"]))
    told: list[Problem | None] = []
    twice = asyncio.Event()

    def tell(found: Problem | None) -> None:
        told.append(found)
        free["bytes"] = 900_000_000
        if len(told) == 2:
            twice.set()

    watching = asyncio.create_task(watch_space(tmp_path, tell, every_s=0.0))
    await twice.wait()
    watching.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await watching
    assert told == [Problem(ProblemKind.DISK_FILLS, count=400), None]
