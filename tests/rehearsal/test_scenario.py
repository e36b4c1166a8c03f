"""Scenario files: what they promise, and a clear error for what they must not say."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.plan.file import parse as parse_plan
from server.rehearsal.plan_text import plan_text
from server.rehearsal.scenario import ScenarioError, load, names, parse

WANTED = {
    "calm",
    "jet",
    "early-burst",
    "float",
    "tangled",
    "both-lost",
    "lake",
    "two-teams",
    "three-boxes",
    "demo",
    "pad",
    "leak",
    "valley",
    "lost-at-12-km",
    "late-packet",
    "ridge",
}


def test_the_scenarios_that_come_with_the_program() -> None:
    assert set(names()) == WANTED


@pytest.mark.parametrize("name", sorted(WANTED))
def test_each_has_an_ordinary_plan(name: str) -> None:
    scenario = load(name)
    plan = parse_plan(plan_text(scenario))
    assert plan.planned[0].name == scenario.flight
    assert tuple(flight.name for flight in plan.planned) == scenario.flights
    others = (tracker for other in scenario.others if other.flight for tracker in other.trackers)
    callsigns = [t.callsign for t in (*scenario.trackers, *others)]
    assert [t.callsign for t in plan.all_trackers] == callsigns
    addressed = plan_text(scenario, {"tnc": {"host": "127.0.0.1", "port": 8001}})
    if scenario.feed.tnc == "kiss-tcp":
        assert parse_plan(addressed).source_specs()[0].address == ("127.0.0.1", 8001)


def test_a_real_gpsd_and_a_real_mosquitto_take_part() -> None:
    feeds = {name: load(name).feed for name in names()}
    assert [n for n, feed in feeds.items() if feed.car == "gpsd-real"] == ["float"]
    assert [n for n, feed in feeds.items() if feed.broker] == ["tangled"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("seed = 101", "seed = 101\nsed = 5"), "sed"),
        (('callsign = "N0CALL-11"', 'callsign = "W1AW"'), "callsign"),
        (("interval_s = 20", "interval_s = -20"), "greater than 0"),
        (("seed = 101", "seed = "), "not TOML"),
    ],
)
def test_bad_files_are_explained(tmp_path: Path, change: tuple[str, str], words: str) -> None:
    from importlib.resources import files

    text = (files("server.rehearsal") / "scenarios" / "calm.toml").read_text("utf-8")
    assert change[0] in text
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    with pytest.raises(ScenarioError, match=words):
        load(str(path))


def test_unknown_names_are_answered_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match="two-teams"):
        load("clam")
    with pytest.raises(ScenarioError, match="cannot be read"):
        load(str(tmp_path / "none.toml"))
    with pytest.raises(ScenarioError):
        parse("title = 3", "mine")
