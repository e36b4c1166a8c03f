"""`leeward rehearse`: fly a made flight, record it, judge a station by it, or list the scenarios."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from server.commands.interrupt import until_interrupted

if TYPE_CHECKING:
    from server.rehearsal.perform import Performance
    from server.rehearsal.scenario import Scenario


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
    speed: Annotated[float, typer.Option(min=0.1, max=200, help="Times real time.")] = 1.0,
    judged: Annotated[
        bool, typer.Option("--judge", help="At the end, compare what was shown with the truth.")
    ] = False,
    picture: Annotated[
        Path | None, typer.Option(help="Where --judge draws; otherwise beside the plan, .svg.")
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(help="Plan to write; otherwise SCENARIO.toml in this folder.")
    ] = None,
    port: Annotated[
        int, typer.Option(min=0, max=65_400, help="First of the ports (about 20); 0: free ones.")
    ] = 8_440,
) -> None:
    """Fly a made flight, to train on or to prove a station with.

    It writes a plan, waits for `leeward live PLAN --rehearsal HOST:PORT`, and flies.
    """
    # here, for every start of a station would wait for them
    from server.rehearsal.flight import fly
    from server.rehearsal.perform import Wishes, perform
    from server.rehearsal.real_gpsd import NotInstalled
    from server.rehearsal.record import write
    from server.rehearsal.scenario import ScenarioError, load, names

    if list_all:
        for name in names():
            typer.echo(name)
        return
    if scenario is None:
        _fail("Name a scenario; `leeward rehearse --list` names them.")
    try:
        flight = load(scenario)
        if record is not None:
            for path in write(fly(flight, seed), record):
                typer.echo(f"{path}", err=True)
            return
        where = plan or Path(f"{Path(scenario).stem}.toml")
        if where.suffix == ".toml" and where.resolve() == Path(scenario).resolve():
            _fail(f"{where} is the scenario itself; name another file with --plan")
        run = f"{datetime.now(UTC):%Y%m%dT%H%M%S}"
        wishes = Wishes(speed, port, where, run)
        done = until_interrupted(perform(flight, seed, wishes, typer.echo))
        if judged and done is not None:
            _judge(done, flight, picture or where.with_suffix(".svg"))
    except (ScenarioError, NotInstalled, OSError) as error:
        _fail(str(error))


def _judge(done: Performance, scenario: Scenario, picture: Path) -> None:
    from server.rehearsal.picture import svg
    from server.rehearsal.report import table

    if not done.judged:
        _fail("The station was never seen: nothing to judge.")
    for number, one in enumerate(done.judged):
        named = f", {one.ours.flight}" if len(done.judged) > 1 else ""
        title = f"{scenario.title}{named}, seed {done.stage.seed}"
        typer.echo(table(one.verdict, title))
        where = picture if number == 0 else picture.with_stem(f"{picture.stem}-{number + 1}")
        where.write_text(svg(one.ours.truth, one.looks, one.verdict, title), encoding="utf-8")
        typer.echo(f"picture: {where}")


def _fail(words: str) -> NoReturn:
    typer.echo(words, err=True)
    raise typer.Exit(2)
