"""`leeward debrief` as a person types it, with sound, broken and several recordings."""

from __future__ import annotations

import random
import sqlite3
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import pytest
from typer.testing import CliRunner

from server.commands.main import app
from server.debrief.files import stems
from server.flight.inputs import Command, Reception
from server.journal.database import Journal
from server.journal.salvage import read_what_is_there
from server.journal.text import LogError, format_line
from tests.debrief.made import demo
from tests.flights import T0, made_flight

ENDINGS = (
    ".gpx",
    ".kml",
    ".geojson",
    "-track.csv",
    "-fixes.csv",
    "-predictions.csv",
    "-heard.log",
    "-sounding.csv",
    "-next-plan.toml",
    ".html",
    *(["-sounding.bufr"] if find_spec("eccodes") else []),
)


def write_log(path: Path, until_s: float = 9_000.0) -> Path:
    lines = [format_line(r) for r in made_flight(until_s, interval_s=60.0)]
    path.write_text("# name: Made\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


NOTE = Command(T0 + 100.0, "vehicle", "Bus", 38.25, -98.5)


def write_journal(path: Path) -> int:
    receptions = list(made_flight(interval_s=60.0))
    with Journal(path) as journal:
        journal.append([NOTE])
        journal.append(receptions * 20)  # several pages
    db = sqlite3.connect(path)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.execute("PRAGMA journal_mode=DELETE")
    db.close()
    return 20 * len(receptions)


def test_one_flight(tmp_path: Path) -> None:
    log = write_log(tmp_path / "flight one.log")
    result = CliRunner().invoke(app, ["debrief", str(log), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    written = {p.name for p in (tmp_path / "out").iterdir()}
    assert written == {f"flight_one{ending}" for ending in ENDINGS}


def test_several_flights_get_one_table_and_one_map(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    logs = [write_log(tmp_path / "a.log"), write_log(tmp_path / "b" / "a.log", 4_000.0)]
    out = tmp_path / "out"
    result = CliRunner().invoke(app, ["debrief", *map(str, logs), "--out", str(out)])
    assert result.exit_code == 0, result.output
    page = (out / "flights.html").read_text(encoding="utf-8")
    assert page.count("<tr><td>Made</td>") == 2
    assert "the burst was not heard" in page
    assert len((out / "flights.csv").read_text(encoding="utf-8").splitlines()) == 3
    assert (out / "a-2.html").is_file()


def test_a_recording_is_never_written_over(tmp_path: Path) -> None:
    log = write_log(tmp_path / "x-heard.log")
    before = log.read_bytes()
    other = write_log(tmp_path / "x.log", 4_000.0)
    result = CliRunner().invoke(app, ["debrief", str(other), str(log), "--out", str(tmp_path)])
    assert result.exit_code == 0, result.output
    assert log.read_bytes() == before
    assert "left as it is" in result.output


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_journal_cut_short_gives_what_it_holds(tmp_path: Path, share: float) -> None:
    path = tmp_path / "cut.sqlite3"
    total = write_journal(path)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    recording = read_what_is_there(path)
    assert 0 < len(recording.receptions) < total
    assert "damaged" in recording.problems[0]
    assert "could be read; missing are" in recording.problems[1]


def make_hole(path: Path) -> None:
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 8192] = b"\xff" * 8192
    path.write_bytes(content)


def test_a_journal_with_a_hole_gives_both_ends(tmp_path: Path) -> None:
    path = tmp_path / "hole.sqlite3"
    total = write_journal(path)
    make_hole(path)
    found = read_what_is_there(path)
    assert list(found.commands) == [NOTE]
    assert "1 of the crew's own notes" in found.problems[2]
    assert total * 0.8 < len(found.receptions) < total
    result = CliRunner().invoke(app, ["debrief", str(path), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    assert "damaged" in (tmp_path / "out" / "hole.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("seed", range(10))
def test_random_damage_never_stops_it(tmp_path: Path, seed: int) -> None:
    """Whatever bytes are spoilt, it is debriefed by what is left, or it is an error that says why."""
    path, chance = tmp_path / "spoilt.sqlite3", random.Random(seed)
    write_journal(path)
    content = bytearray(path.read_bytes())
    for _ in range(chance.choice([1, 10, 100])):
        start = chance.randrange(100, len(content))
        content[start : start + 50] = chance.randbytes(50)
    path.write_bytes(content[: chance.choice([len(content), len(content) // 2])])
    result = CliRunner().invoke(app, ["debrief", str(path), "--out", str(tmp_path)])
    assert result.exit_code in (0, 2), result.output
    assert (tmp_path / "spoilt.html").is_file() == (result.exit_code == 0)
    assert result.exit_code == 0 or "spoilt.sqlite3" in result.output


def test_moments_that_cannot_be_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "odd.sqlite3"
    write_journal(path)
    good = Reception(1_780_000_000_000, "tnc", "tnc2", b"x")
    with Journal(path) as journal:
        journal.append([good, replace(good, heard_at_ms=2**62), replace(NOTE, at_s=1e300)])
    make_hole(path)
    found = read_what_is_there(path)
    assert good in found.receptions
    assert 2**62 not in {one.heard_at_ms for one in found.receptions}
    assert list(found.commands) == [NOTE]


def test_what_cannot_be_read_at_all_is_an_error(tmp_path: Path) -> None:
    nothing = tmp_path / "nothing.log"
    nothing.write_text("no log\n", encoding="utf-8")
    with pytest.raises(LogError, match="no reception"):
        read_what_is_there(nothing)
    result = CliRunner().invoke(app, ["debrief", str(nothing)])
    assert result.exit_code == 2
    assert CliRunner().invoke(app, ["debrief", str(tmp_path / "absent")]).exit_code == 2


def test_recordings_without_a_flight_are_told_of(tmp_path: Path) -> None:
    empty, car = tmp_path / "empty.sqlite3", tmp_path / "car.log"
    Journal(empty).close()
    heard = [r for r in demo().recording.receptions if r.source == "gps"][:50]
    car.write_text("\n".join(map(format_line, heard)) + "\n", encoding="utf-8")
    out = tmp_path / "out"
    result = CliRunner().invoke(app, ["debrief", str(empty), str(car), "--out", str(out)])
    assert result.exit_code == 0, result.output
    for name in ("empty", "car"):
        page = (out / f"{name}.html").read_text(encoding="utf-8")
        assert "no tracker gave a position: there is no track" in page


def test_names_are_told_apart() -> None:
    paths = [Path("a/x.log"), Path("b/x.log"), Path("c/x y.sqlite3")]
    assert stems(paths) == ["x", "x-2", "x_y"]
