"""A clock set back an hour, a plan edited wrongly in mid-flight: told, and nobody is misled."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from server.commands.wiring import steady_clock
from server.flight.inputs import Reception
from server.flight.times import parse_time
from server.journal.database import Journal
from server.journal.recover import not_before
from tests.flights import T0
from tests.seen import kinds
from tests.session.running import Tnc, leeward
from tests.session.test_live import PLAN, TNC, line_at, shift_to_now


def test_a_clock_set_back_while_it_runs_moves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = steady_clock()
    before_s = clock()
    right = time.time
    monkeypatch.setattr(time, "time", lambda: right() - 3_600.0)
    assert 0.0 <= clock() - before_s < 60.0


def test_a_start_after_the_clock_was_set_back_goes_on_from_the_journal() -> None:
    clock, words = not_before(lambda: 1_000.0, 4_600.0)
    assert clock() == 4_600.0
    assert (words[0].kind, words[0].ahead_s) == ("clock_set_back", -3_600.0)
    same = lambda: 5_000.0  # noqa: E731
    assert not_before(same, 4_600.0) == (same, [])
    assert not_before(same, None) == (same, [])


def test_a_journal_written_once_with_the_clock_days_ahead_keeps_no_date() -> None:
    """A clock that has lost its time altogether still goes on from the journal."""
    right_s = parse_time("2026-12-05T12:00:00Z") / 1_000.0
    right = lambda: right_s  # noqa: E731
    assert not_before(right, right_s + 3 * 86_400.0) == (right, [])
    clock, _ = not_before(lambda: 0.0, right_s)
    assert clock() == right_s


async def test_a_station_whose_journal_is_days_ahead_shows_now_as_it_is(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        with Journal(plan.with_suffix(".sqlite3")) as journal:
            ahead_ms = round(1_000 * (time.time() + 3 * 86_400.0))
            journal.append([Reception(ahead_ms, "tnc", "tnc2", line_at(2_900.0, shift_s))])
        async with leeward("live", str(plan)) as running:
            for i in range(10):
                await tnc.send(line_at(2_910.0 + 10.0 * i, shift_s))
            state = await running.until(lambda s: s["receptions"]["total"] >= 10)
            assert abs(parse_time(state["now"]) / 1_000.0 - time.time()) < 600.0
            assert state["trackers"][0]["state"] == "reporting"
            assert await running.end() == 0
    with Journal(plan.with_suffix(".sqlite3"), read_only=True) as journal:
        heard_s = [reception.heard_at_s for _, reception in journal.receptions()]
    assert max(heard_s[1:]) < time.time() + 60.0


async def test_a_station_started_with_a_clock_an_hour_back_shows_no_old_figure_as_fresh(
    tmp_path: Path,
) -> None:
    """The journal was written while the clock was right; now it reads an hour less."""
    plan = tmp_path / "tern.toml"
    shift_s = shift_to_now(3_000.0) + 3_600.0
    heard = [
        Reception(
            round(1_000 * (T0 + 30.0 * i + shift_s + 1.5)),
            "tnc",
            "tnc2",
            line_at(30.0 * i, shift_s),
        )
        for i in range(100)
    ]
    with Journal(tmp_path / "tern.sqlite3") as journal:
        journal.append(heard)
    plan.write_text(PLAN)
    last_s = heard[-1].heard_at_s
    async with leeward("live", str(plan)) as running:
        state = await running.whole()
        assert "clock_set_back" in kinds(state)
        assert last_s <= parse_time(state["now"]) / 1_000.0 < last_s + 60.0
        later = await running.until(lambda s: s["now"] > state["now"])
        assert later["number"] == state["number"], "time goes on, so that ages grow"


async def test_a_plan_edited_wrongly_while_it_runs(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port))
        text = plan.read_text()
        async with leeward("live", str(plan)) as running:

            def told(kind: str, words: str = "") -> Callable[[dict[str, Any]], bool]:
                return lambda s: any(
                    problem["kind"] == kind and words in (problem["detail"] or "")
                    for problem in s["problems"]
                )

            plan.write_text(text.replace("altitude_m", "altitude_ft"))
            state = await running.until(
                told("plan_unusable", "line 7: launch.altitude_ft: unknown key")
            )
            plan.write_text("[[[")
            await running.until(told("plan_unusable", "not TOML"))
            plan.unlink()
            await running.until(told("plan_unusable", "cannot be read"))
            plan.write_text(text.replace("Tern test", "Tern 8"))
            state = await running.until(told("plan_edited"))
            assert state["name"] == "Tern test"
            plan.write_text(text)
            await running.until(lambda s: s["problems"] == [])
            await tnc.send(line_at(3_000.0, shift_to_now(3_000.0)))
            await running.until(lambda s: s["receptions"]["total"] == 1)
            assert await running.end() == 0
