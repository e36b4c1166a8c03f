"""`leeward new`: from nothing to a plan that is accepted, by options and by answers."""

from __future__ import annotations

import os
import pty
import select
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from server.commands.main import app
from server.commands.new import found_here
from server.plan.file import load
from tests.session.running import free_port

ROOT = Path(__file__).parent.parent.parent
WHOLE = {
    "--name": 'Tern "9"',
    "--latitude": "38.35",
    "--longitude": "-98.2",
    "--altitude": "560",
    "--time": "2026-06-06T13:00:00Z",
}
PATIENCE_S = 30.0


def run(plan: Path, *more: str, **changes: str | None) -> tuple[int, str]:
    options = WHOLE | {f"--{key}": value for key, value in changes.items()}
    given = [part for key, value in options.items() if value is not None for part in (key, value)]
    result = CliRunner().invoke(app, ["new", str(plan), "--no-look", *given, *more])
    return result.exit_code, result.output


def test_by_options_alone(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    code, said = run(
        plan,
        *("--tracker", "Main=N0CALL-11", "--tracker", "Backup=N0CALL-12", "--phone"),
        *("--mass", "2.1", "--parachute", "1.8"),
        *("--source", "kiss-tcp:127.0.0.1:8001", "--source", "kiss-serial:/dev/ttyUSB0"),
        *("--gps", "gpsd-tcp:127.0.0.1:2947", "--car", "Car 1", "--car", "Car 2=N0CALL-9"),
    )
    assert code == 0, said
    assert f"leeward live {plan}" in said
    checked = load(plan)
    assert checked.name == 'Tern "9"'
    assert [(t.name, t.role, t.callsign) for t in checked.all_trackers] == [
        ("Main", "main", "N0CALL-11"),
        ("Backup", "backup", "N0CALL-12"),
        ("Phone", "phone", None),
    ]
    assert {s.name: s.kind for s in checked.sources} == {
        "phone": "phone",
        "radio-1": "kiss-tcp",
        "radio-2": "kiss-serial",
        "gps": "gpsd-tcp",
    }
    assert [(v.name, v.own, v.source, v.callsign) for v in checked.vehicles] == [
        ("Car 1", True, "gps", None),
        ("Car 2", False, None, "N0CALL-9"),
    ]
    flight = checked.for_flight().flights[0]
    assert flight.descent.mass_kg == 2.1
    assert flight.launch.time_s == 1_780_750_800.0


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"latitude": "98"}, "--latitude: Input should be less than or equal to 90"),
        ({"altitude": "high"}, "--altitude"),
        ({"time": "tomorrow"}, "--time"),
        ({"name": None}, "--name is missing"),
        ({"source": "kiss-tcp:here:there"}, "KIND:HOST:PORT"),
        ({"source": "morse-tcp:127.0.0.1:1"}, "sources.1.kind"),
    ],
)
def test_a_wrong_answer_is_told_and_nothing_is_written(
    tmp_path: Path, changes: dict[str, str | None], words: str
) -> None:
    plan = tmp_path / "tern.toml"
    code, said = run(plan, "--tracker", "Main=N0CALL-11", **changes)
    assert code == 2
    assert words in said
    assert not plan.exists()


def test_a_plan_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text("mine")
    code, said = run(plan, "--tracker", "Main=N0CALL-11")
    assert code == 2
    assert "is there already" in said
    assert plan.read_text() == "mine"


def test_live_without_a_plan_offers_it() -> None:
    result = CliRunner().invoke(app, ["live"])
    assert result.exit_code == 2
    assert "leeward new PLAN.toml" in result.output


def _read_until(master: int, wanted: str, heard: list[str]) -> None:
    while wanted not in "".join(heard):
        ready, _, _ = select.select([master], [], [], PATIENCE_S)
        assert ready, "".join(heard)
        heard.append(os.read(master, 4_096).decode())


def test_at_a_terminal_a_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    """A real pseudo-terminal; 8001 is somebody's KISS port, which is found and offered."""
    plan = tmp_path / "asked.toml"
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "server.commands.main", "new", str(plan), "--no-look"]
    process = subprocess.Popen(
        command, stdin=slave, stdout=slave, stderr=slave, cwd=ROOT, close_fds=True
    )
    os.close(slave)
    heard: list[str] = []
    answers = [
        ("Name of the flight", "Tern 9"),
        ("degrees north", "98"),
        ("less than or equal to 90", "38.35"),
        ("degrees east", "-98.2"),
        ("above mean sea level", "560"),
        ("Launch time", "later"),
        ("its callsign", "N0CALL-11"),
        ("Is a phone aboard", "y"),
        ("mass and parachute known", "n"),
    ]
    for wanted, answer in answers:
        _read_until(master, wanted, heard)
        heard.clear()
        os.write(master, f"{answer}\n".encode())
    assert process.wait(PATIENCE_S) == 0
    os.close(master)
    checked = load(plan)
    assert checked.launches[0].latitude_deg == 38.35
    assert checked.launches[0].time is None
    assert [t.role for t in checked.all_trackers] == ["main", "phone"]


def test_what_listens_on_this_machine_is_found() -> None:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        silent = free_port()
        servers = ((port, "kiss-tcp", "a TNC"), (silent, "agw-tcp", "x"))
        found = [one for one in found_here(servers, silent) if one.kind.endswith("-tcp")]
    assert [(one.kind, one.where["port"]) for one in found] == [("kiss-tcp", port)]
