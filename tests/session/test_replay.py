"""A replay shows what was known at each moment, and the commands print it."""

from __future__ import annotations

from pathlib import Path

import orjson
import pytest
from pydantic import TypeAdapter
from typer.testing import CliRunner

from server.commands.main import app
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, TrackerPlan
from server.flight.mission_state import State
from server.flight.times import rfc3339
from server.journal.database import Journal
from server.journal.text import format_line
from server.session.replay import Replay, state_at
from server.session.session import Refused
from tests.flights import LAUNCH, T0, made_flight
from tests.seen import seen

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", callsign="N0CALL-11"),)
        ),
    )
)
FLIGHT = list(made_flight(7_200.0))


class Clock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def player(clock: Clock, speed: float = 60.0) -> Replay:
    return Replay(FLIGHT, PLAN, name="made", speed=speed, clock=clock)


def test_what_is_known_then_does_not_depend_on_what_came_later() -> None:
    until_ms = FLIGHT[150].heard_at_ms
    cut = state_at(FLIGHT[:151], PLAN, until_ms)
    assert state_at(FLIGHT, PLAN, until_ms) == cut
    assert cut.flights[0].phase == "ascent"
    assert cut.flights[0].landing is not None


async def test_play_pause_seek_and_speed() -> None:
    clock = Clock()
    replay = player(clock)
    replay.advance()
    clock.now_s += 10.0
    replay.advance()
    assert replay.position_s == pytest.approx(replay.start_s + 600.0)
    assert seen(replay.state())["receptions"]["total"] == 21
    await replay.control("pause", None)
    clock.now_s += 50.0
    replay.advance()
    assert seen(replay.state())["replay"]["paused"]
    assert seen(replay.state())["receptions"]["total"] == 21
    await replay.control("seek", T0 + 6_000.0)
    assert seen(replay.state())["phase"] == "descent"
    await replay.control("seek", T0 + 1_000.0)
    assert seen(replay.state())["phase"] == "ascent"
    assert seen(replay.state())["receptions"]["total"] == 34
    assert not any(e["kind"] == "burst" for e in seen(replay.state())["events"])
    await replay.control("speed", 10.0)
    await replay.control("play", None)
    clock.now_s += 1_000.0
    replay.advance()
    assert replay.position_s == replay.end_s
    assert seen(replay.state())["receptions"]["total"] == len(FLIGHT)
    replay.close()


async def test_nonsense_is_refused_in_words() -> None:
    replay = player(Clock())
    for action, value, words in (
        ("fly", None, "'play', 'pause'"),
        ("speed", 0.0, "a speed from 0.1"),
        ("speed", "fast", "a speed from 0.1"),
        ("seek", float("nan"), "UTC seconds"),
    ):
        with pytest.raises(Refused, match=words):
            await replay.control(action, value)
    with pytest.raises(Refused, match="takes no new positions"):
        await replay.receive("phone", b"{}")
    replay.close()


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, list(arguments))
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "made.log"
    lines = ["# name: made", *map(format_line, FLIGHT), "rubbish"]
    path.write_text("\n".join(lines) + "\n")
    return path


def test_command_replay_prints_the_state(log: Path) -> None:
    code, out, err = run("replay", str(log), "--to-end", "--json")
    assert code == 0
    assert "line 243" in err
    state = orjson.loads(out)
    TypeAdapter(State).validate_python(state)
    assert state["flights"][0]["landing"] is not None
    assert state["receptions"] == {"total": 241, "undecodable": 0, "rejected": 0, "copies": 0}
    until = rfc3339(T0 + 3_000.0)
    code, out, _ = run("replay", str(log), "--until", until, "--json")
    assert code == 0
    state = orjson.loads(out)
    assert (state["now"], state["flights"][0]["phase"]) == (until, "ascent")


def test_command_errors_are_clear(tmp_path: Path, log: Path) -> None:
    assert run("replay", str(log), "--until", "noon", "--json")[0] == 2
    code, _, err = run("replay", str(tmp_path / "none.log"), "--to-end", "--json")
    assert (code, "cannot be read" in err) == (2, True)
    empty = tmp_path / "empty.log"
    empty.write_text("# nothing\n")
    code, _, err = run("replay", str(empty), "--to-end", "--json")
    assert (code, "no reception in it" in err) == (2, True)


def test_export_and_import_are_inverse(tmp_path: Path, log: Path) -> None:
    journal, out = tmp_path / "a.sqlite3", tmp_path / "out.log"
    assert run("import-log", str(log), str(journal))[0] == 0
    assert run("export-log", str(journal), str(out))[0] == 0
    code, _, words = run("export-log", str(journal), str(tmp_path))
    assert code == 2
    assert f"{tmp_path}: cannot be written" in words
    wanted = [line for line in log.read_text().splitlines() if line != "rubbish"]
    assert out.read_text().splitlines() == wanted
    with Journal(journal) as opened:
        assert opened.last_number() == len(FLIGHT)
    a = run("replay", str(journal), "--to-end", "--json")
    b = run("replay", str(out), "--to-end", "--json")
    assert a[1] == b[1]


@pytest.mark.parametrize("command", [("export-log",), ("replay", "--to-end", "--json")])
def test_a_damaged_journal_is_an_error_in_words(tmp_path: Path, command: tuple[str, ...]) -> None:
    journal = tmp_path / "rotten.sqlite3"
    with Journal(journal) as opened:
        opened.append(FLIGHT)
    data = bytearray(journal.read_bytes())
    middle = len(data) // 2 // 4_096 * 4_096
    data[middle : middle + 4_096] = bytes(range(256)) * 16
    journal.write_bytes(data)
    name, *options = command
    code, out, err = run(name, str(journal), *options)
    assert (code, out) == (2, "")
    assert "rotten.sqlite3: " in err
