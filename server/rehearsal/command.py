"""`leeward rehearse`: fly a made flight, record it, or list the scenarios."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .flight import fly
from .record import write
from .scenario import ScenarioError, load, names


def rehearse(
    scenario: Annotated[
        str | None, typer.Argument(help="A scenario of --list, or the path of a .toml file.")
    ] = None,
    list_all: Annotated[bool, typer.Option("--list", help="Names of the scenarios.")] = False,
    record: Annotated[
        Path | None,
        typer.Option(metavar="LOG", help="Write a replay log, its plan and the truth; no sockets."),
    ] = None,
    seed: Annotated[
        int | None, typer.Option(min=0, help="Another flight of the same kind.")
    ] = None,
) -> None:
    """Fly a made flight, to train on or to prove a station with."""
    if list_all:
        for name in names():
            typer.echo(name)
        return
    if scenario is None:
        typer.echo("Name a scenario; `leeward rehearse --list` names them.", err=True)
        raise typer.Exit(2)
    try:
        flight = load(scenario)
    except ScenarioError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from error
    if record is not None:
        for path in write(fly(flight, seed), record):
            typer.echo(f"{path}", err=True)
