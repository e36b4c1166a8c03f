"""What the crew said of the phase: commands in their order, with what was taken back left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from server.flight.inputs import Command
from server.flight.packets.station_clocks import StationClocks
from server.flight.state import Statement


def last_said(commands: Sequence[Command]) -> Command | None:
    """The last statement that was not withdrawn; `commands` in their canonical order."""
    said = None
    for command in commands:
        if command.kind == "phase":
            said = None if command.name == "withdrawn" else command
    return said


def statements(commands: Sequence[Command], clocks: StationClocks) -> list[tuple[float, Statement]]:
    """All that holds, by its moment (UTC seconds, clocks put right), in order of time."""
    kept: list[tuple[float, Statement]] = []
    for command in commands:
        if command.kind != "phase":
            continue
        if command.name == "withdrawn":
            del kept[-1:]
        else:
            at_s = command.at_s - clocks.ahead_s(command.station, command.at_s)
            kept.append((at_s, cast(Statement, command.name)))
    return kept
