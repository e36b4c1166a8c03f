"""The commands that work on records of flights: `export-log`, `import-log`, `debrief`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from server.commands.given import fail, plan_beside, recording_at, surroundings_of
from server.debrief.reader import Reader, UnitsName, zone_named
from server.journal.database import Journal, JournalError
from server.journal.recording import inferred_plan
from server.journal.text import LogError, format_line


def export_log(
    journal: Annotated[Path, typer.Argument(help="Journal file (.sqlite3).")],
    out: Annotated[
        Path | None, typer.Argument(help="Text log to write; standard output if none.")
    ] = None,
) -> None:
    """Write a journal as a text log."""
    try:
        with Journal(journal, read_only=True) as opened:
            header = [
                f"# {key}: {value}" for key, value in opened.about().items() if key != "schema"
            ]
            lines = [*header, *(format_line(r) for _, r in opened.receptions())]
    except JournalError as error:
        raise fail(error) from error
    text = "\n".join(lines) + "\n"
    if out is None:
        sys.stdout.write(text)
    else:
        try:
            out.write_text(text, encoding="utf-8")
        except OSError as error:
            raise fail(f"{out}: cannot be written: {error.strerror or error}") from error
        typer.echo(f"{out}: {len(lines) - len(header)} receptions", err=True)


def import_log(
    log: Annotated[Path, typer.Argument(help="Text log to read.")],
    journal: Annotated[Path, typer.Argument(help="Journal to add it to; made if it is not there.")],
) -> None:
    """Add the receptions of a text log to a journal."""
    recording = recording_at(log)
    try:
        with Journal(journal) as opened:
            opened.describe(**{k: v for k, v in recording.header.items() if k != "schema"})
            last = opened.append(recording.receptions)
    except JournalError as error:
        raise fail(error) from error
    typer.echo(f"{journal}: {len(recording.receptions)} receptions added, {last} in all", err=True)


def debrief(
    flights: Annotated[
        list[Path], typer.Argument(metavar="FLIGHT...", help="Journals or text logs.")
    ],
    out: Annotated[
        Path, typer.Option(help="Folder to write to; made if it is not there.")
    ] = Path(),
    plan: Annotated[
        Path | None, typer.Option(help="Plan of the flight; otherwise the one beside it.")
    ] = None,
    zone: Annotated[
        str,
        typer.Option(help="Time zone of the page, as Europe/Berlin; otherwise this computer's."),
    ] = "",
    units: Annotated[
        UnitsName | None,
        typer.Option(help="Units of the page; otherwise those of the (first) plan."),
    ] = None,
) -> None:
    """Write what happened: a page, tracks and tables for people, maps and the next plan."""
    try:
        read_in = zone_named(zone)
    except ValueError as error:
        raise fail(error) from error
    from server.debrief.files import Given, write_debrief
    from server.journal.salvage import read_what_is_there

    given = []
    for path in flights:
        try:
            recording = read_what_is_there(path)
        except LogError as error:
            raise fail(error) from error
        named = plan_beside(path, plan)
        if named is None:
            given.append(Given(path, recording, inferred_plan(recording), None))
            continue
        if units is None and named[1].screen.units == "aviation":
            units = "nautical"
        surroundings = surroundings_of(named[1], named[0])
        flight_plan = named[1].for_flight(surroundings.avoid)
        given.append(Given(path, recording, flight_plan, surroundings.terrain))
    try:
        write_debrief(given, out, Reader(read_in, units or "metric"))
    except OSError as error:
        raise fail(f"{out}: cannot be written: {error.strerror or error}") from error
