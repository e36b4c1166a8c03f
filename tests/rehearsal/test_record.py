"""The recorded form: the same line as the station's own, and read back as it was."""

from __future__ import annotations

from pathlib import Path

import orjson
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from decoders.reports import Wire
from decoders.wires import WIRES
from server.commands.main import app
from server.flight.inputs import Reception
from server.journal.recording import read_recording
from server.journal.text import format_line, parse_line
from server.plan.file import load as load_plan
from server.rehearsal.flight import fly
from server.rehearsal.record import log_line
from tests.rehearsal.made import scenario


@given(
    st.integers(0, 4_000_000_000_000),
    st.sampled_from(sorted(WIRES)),
    st.binary(min_size=1, max_size=90),
)
def test_the_line_is_the_stations_own(heard_at_ms: int, wire: Wire, payload: bytes) -> None:
    reception = Reception(heard_at_ms, "tnc", wire, payload)
    line = log_line(heard_at_ms, "tnc", wire, payload)
    assert line == format_line(reception)
    assert parse_line(line) == reception


def test_record_writes_log_plan_and_truth(tmp_path: Path) -> None:
    log = tmp_path / "short.log"
    result = CliRunner().invoke(
        app, ["rehearse", "early-burst", "--seed", "9", "--record", str(log)]
    )
    assert result.exit_code == 0, result.output
    recording = read_recording(log)
    flown = fly(scenario("early-burst"), 9)
    assert [tuple(_fields(r)) for r in recording.receptions] == list(flown.receptions)
    assert recording.header["invented"].endswith("seed 9")
    assert load_plan(log.with_suffix(".toml")).name == "Lark 3"
    truth = orjson.loads(log.with_suffix(".truth.json").read_bytes())
    assert [event["kind"] for event in truth["events"]] == ["launch", "burst", "landing"]
    assert truth["faults"][0]["kind"] == "reboot"


def test_the_command_lists_and_refuses() -> None:
    run = CliRunner()
    listed = run.invoke(app, ["rehearse", "--list"])
    assert listed.stdout.splitlines() == sorted(listed.stdout.split())
    assert "two-teams" in listed.stdout.split()
    for wrong in (["rehearse"], ["rehearse", "clam"]):
        refused = run.invoke(app, wrong)
        assert refused.exit_code == 2
        assert refused.output.strip()


def _fields(r: Reception) -> tuple[int, str, Wire, bytes]:
    return r.heard_at_ms, r.source, r.wire, r.payload
