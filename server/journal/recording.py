"""Reading a flight from a text log or a journal file, whichever it is, and what its header tells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from server.flight.boxes import boxes
from server.flight.inputs import (
    BalloonPlan,
    Command,
    DescentPlan,
    FlightPlan,
    Plan,
    Reception,
    TrackerPlan,
)
from server.flight.physics.lift import LiftPlan, usual_burst, work_out
from server.journal.database import Journal, JournalError
from server.journal.text import LogError, read_header, read_lines

_SQLITE = b"SQLite format 3\x00"
DEMO_LOG = Path(__file__).parents[2] / "replay_logs" / "demo.log"


@dataclass(frozen=True, slots=True)
class Recording:
    """What was heard, in the order of the file; lines that could not be read are told."""

    name: str
    receptions: Sequence[Reception]
    commands: Sequence[Command]
    header: Mapping[str, str]
    problems: Sequence[str]


def read_recording(path: Path) -> Recording:
    """A text log or a journal. LogError when it is neither, or holds nothing."""
    try:
        with path.open("rb") as file:
            start = file.read(len(_SQLITE))
    except OSError as error:
        raise LogError(f"{path}: cannot be read: {error.strerror or error}") from error
    if start == _SQLITE:
        return _from_journal(path)
    problems: list[str] = []
    with path.open(encoding="utf-8", errors="surrogateescape", newline="\n") as file:
        lines = file.read().split("\n")
    receptions = [line.reception for line in read_lines(lines, problems)]
    if not receptions:
        detail = f" First problem: {problems[0]}." if problems else ""
        raise LogError(f"{path}: no reception in it.{detail}")
    return Recording(path.name, receptions, (), read_header(lines), problems)


def _from_journal(path: Path) -> Recording:
    try:
        with Journal(path, read_only=True) as journal:
            receptions = [reception for _, reception in journal.receptions()]
            commands = [command for _, command in journal.commands()]
            problems = []
            if journal.altered.count:
                problems.append(
                    f"{journal.altered.count:,} entries are not what was written (altered on the disk), "
                    "and are left out"
                )
            return Recording(path.name, receptions, commands, journal.about(), problems)
    except JournalError as error:
        raise LogError(str(error)) from error


def inferred_plan(recording: Recording) -> Plan:
    """A plan for a log that has none: trackers show themselves by their altitude.

    Boxes far from each other are a flight each, with the names of their trackers. The header may give
    mass and parachute, and the name; a value that is no number is left out.
    """
    header = recording.header
    mass_kg = _number(header.get("neck_load_kg") or header.get("mass_kg"))
    diameter_m = _number(header.get("parachute_diameter_m"))
    known = mass_kg is not None and diameter_m is not None
    flight = FlightPlan(
        name=header.get("name") or header.get("flight") or recording.name,
        balloon=_balloon(header, mass_kg),
        descent=DescentPlan(mass_kg=mass_kg, parachute_diameter_m=diameter_m)
        if known
        else DescentPlan(),
    )
    plan = Plan(flights=(flight,), infer_trackers=True)
    found = boxes(recording.receptions, plan)
    if len(found) < 2:
        return plan
    flights = (
        replace(
            flight,
            name=" and ".join(names),
            trackers=tuple(TrackerPlan(name, callsign=name) for name in names),
        )
        for names in found
    )
    return replace(plan, flights=tuple(flights))


def _balloon(header: Mapping[str, str], load_kg: float | None) -> BalloonPlan:
    """Burst and climb by what the header says of balloon and gas."""
    balloon_g, neck_lift_kg = (
        _number(header.get("balloon_g"), 10_000.0),
        _number(header.get("neck_lift_kg")),
    )
    if balloon_g is None:
        return BalloonPlan()
    balloon_kg = balloon_g / 1_000.0
    plan = BalloonPlan(*usual_burst(balloon_kg))
    if neck_lift_kg is None or load_kg is None:
        return plan
    try:
        lift = work_out(LiftPlan(balloon_kg, load_kg, neck_lift_kg=neck_lift_kg), 0.0)
    except ValueError:  # it would not rise: the header is wrong
        return plan
    return replace(
        plan, ascent_rate_ms=lift.ascent_rate_ms, ascent_rate_sigma_ms=lift.ascent_rate_sigma_ms
    )


def _number(text: str | None, most: float = 1_000.0) -> float | None:
    try:
        value = float(text) if text is not None else None
    except ValueError:
        return None
    return value if value is not None and 0.0 < value < most else None
