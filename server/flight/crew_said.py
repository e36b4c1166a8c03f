"""What the crew said of the phase: commands in their order, with what was taken back left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import cast

from server.flight.inputs import Command, Plan
from server.flight.packets.station_clocks import StationClocks
from server.flight.state import Statement


def _of_phase(commands: Sequence[Command], plan: Plan, flight: str) -> Iterator[Command]:
    """What was said of that flight; a statement that names none is of the first."""
    first = plan.flights[0].name
    return (c for c in commands if c.kind == "phase" and (c.flight or first) == flight)


def last_said(commands: Sequence[Command], plan: Plan, flight: str) -> Command | None:
    """The last statement that was not withdrawn; `commands` in their canonical order."""
    said = None
    for command in _of_phase(commands, plan, flight):
        said = None if command.name == "withdrawn" else command
    return said


def statements(
    commands: Sequence[Command], clocks: StationClocks, plan: Plan, flight: str
) -> list[tuple[float, Statement]]:
    """All that holds, by its moment (UTC seconds, clocks put right), in order of time."""
    kept: list[tuple[float, Statement]] = []
    for command in _of_phase(commands, plan, flight):
        if command.name == "withdrawn":
            del kept[-1:]
        else:
            at_s = command.at_s - clocks.ahead_s(command.station, command.at_s)
            kept.append((at_s, cast(Statement, command.name)))
    return kept
