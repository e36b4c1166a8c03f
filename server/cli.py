"""The command line: `leeward live`, `replay`, `rehearse`, `check`, `debrief`, `export-log`, `import-log`."""

from __future__ import annotations

import logging
import sys
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import orjson
import typer

from server.atlas.surroundings import Surroundings, SurroundingsError, open_surroundings
from server.flight.times import parse_time
from server.interrupt import until_interrupted
from server.journal import Journal, JournalError
from server.journal_text import LogError, format_line
from server.logs import DEMO_LOG, Recording, inferred_plan, read_recording
from server.plan import PlanError, PlanFile, load
from server.rehearsal.clock import ClockError
from server.replay import state_at
from server.screen.certificate import CertificateError
from server.screen.keys import KeysError, keys_beside

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    help="Follow a weather-balloon payload: where it is, where it comes down, how to get there.",
)

PlanPath = Annotated[Path, typer.Argument(metavar="PLAN.toml", help="The plan of the flight.")]
Host = Annotated[
    str, typer.Option(help="Address to listen on; 0.0.0.0 for other devices, which need a key.")
]
Https = Annotated[
    bool, typer.Option("--https", help="HTTPS, with a certificate that the station makes itself.")
]
Port = Annotated[int | None, typer.Option(min=1, max=65_535, help="Port; otherwise a free one.")]
NoBrowser = Annotated[bool, typer.Option("--no-browser", help="Do not open a browser.")]


def main() -> None:
    """Entry point of the `leeward` command."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    app()


def _fail(error: Exception | str) -> typer.Exit:
    typer.echo(str(error), err=True)
    return typer.Exit(2)


def _plan(path: Path) -> PlanFile:
    try:
        return load(path)
    except PlanError as error:
        raise _fail(error) from error


def _surroundings(plan: PlanFile, path: Path) -> Surroundings:
    try:
        return open_surroundings(
            path.parent,
            None if plan.terrain is None else plan.terrain.folder,
            () if plan.avoid is None else plan.avoid.files,
            None if plan.forecast is None else plan.forecast.file,
        )
    except SurroundingsError as error:
        raise _fail(error) from error


def _recording(path: Path | None) -> Recording:
    try:
        recording = read_recording(path or DEMO_LOG)
    except LogError as error:
        raise _fail(error) from error
    for problem in recording.problems[:5]:
        typer.echo(f"{recording.name}: {problem}; passed over", err=True)
    if len(recording.problems) > 5:
        typer.echo(f"{recording.name}: and {len(recording.problems) - 5} more", err=True)
    return recording


def _plan_beside(log: Path | None, plan: Path | None) -> tuple[Path, PlanFile] | None:
    """The plan that was named, or the one that lies beside the log."""
    beside = (log or DEMO_LOG).with_suffix(".toml")
    path = plan or (beside if beside.is_file() else None)
    return None if path is None else (path, _plan(path))


@app.command()
def live(
    plan: PlanPath,
    host: Host = "127.0.0.1",
    port: Port = None,
    journal: Annotated[
        Path | None,
        typer.Option(help="Journal file; otherwise beside the plan, its name and .sqlite3."),
    ] = None,
    no_browser: NoBrowser = False,
    https: Https = False,
    rehearsal: Annotated[
        str | None,
        typer.Option(
            metavar="HOST:PORT", help="Take the time from a running `leeward rehearse` there."
        ),
    ] = None,
) -> None:
    """Follow a flight: listen to the plan's sources, keep the journal, show the screen."""
    from server import run

    checked = _plan(plan)
    try:
        until_interrupted(
            run.live(
                checked,
                plan,
                _surroundings(checked, plan),
                run.face_of(checked, plan),
                journal or plan.with_suffix(".sqlite3"),
                run.Door(host, port, not no_browser, plan if https else None),
                rehearsal,
            )
        )
    except (JournalError, run.NoPort, ClockError, KeysError, CertificateError) as error:
        raise _fail(error) from error


@app.command()
def replay(
    log: Annotated[
        Path | None,
        typer.Argument(metavar="[LOG]", help="Text log or journal; the demo flight if none."),
    ] = None,
    plan: Annotated[Path | None, typer.Option(help="Plan of that flight.")] = None,
    speed: Annotated[float, typer.Option(min=0.1, max=1_000, help="Times real time.")] = 30.0,
    host: Host = "127.0.0.1",
    port: Port = None,
    no_browser: NoBrowser = False,
    to_end: Annotated[bool, typer.Option("--to-end", help="No screen: the final state.")] = False,
    until: Annotated[
        str | None, typer.Option(metavar="TIME", help="No screen: the state known then (RFC 3339).")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the state as JSON.")] = False,
) -> None:
    """Play a flight again, or print its state at the end or at any moment."""
    recording = _recording(log)
    named = _plan_beside(log, plan)
    flight_plan, surroundings = inferred_plan(recording), Surroundings()
    if named is not None:
        surroundings = _surroundings(named[1], named[0])
        flight_plan = named[1].for_flight(surroundings.avoid)
    if to_end or until is not None or as_json:
        try:
            until_ms = None if until is None else parse_time(until)
        except (ValueError, OverflowError) as error:
            raise _fail(f"--until: {error}") from error
        state = state_at(
            recording.receptions,
            flight_plan,
            until_ms,
            surroundings.terrain,
            surroundings.forecast,
        )
        sys.stdout.buffer.write(orjson.dumps(state, option=orjson.OPT_INDENT_2) + b"\n")
        sys.stdout.buffer.flush()
        return
    from server import run

    door = run.Door(host, port, not no_browser)
    face = run.Face()
    if named is not None:
        face = replace(
            face, basemap=run.maps_of(named[1], named[0].parent), units=named[1].screen.units
        )
    try:
        if door.guarded:  # beside the recording, which may be no plan's
            face = replace(face, keys=keys_beside(log or Path("demo"), None, None))
        until_interrupted(run.replay(recording, flight_plan, surroundings, face, speed, door))
    except (run.NoPort, KeysError) as error:
        raise _fail(error) from error


@app.command()
def links(
    plan: PlanPath,
    address: Annotated[
        str | None,
        typer.Option(help="The station's address for other devices, as http://192.168.8.21:8420."),
    ] = None,
    https: Annotated[bool, typer.Option("--https", help="The station runs with --https.")] = False,
) -> None:
    """Print the links to hand on, with QR codes: to watch, for the crew, for each phone."""
    from server import run
    from server.screen.links import BASE, in_terminal, links_of

    checked = _plan(plan)
    try:
        keys = keys_beside(plan, checked.access.watch, checked.access.crew)
    except KeysError as error:
        raise _fail(error) from error
    door = run.Door("0.0.0.0", run.FIRST_PORT, https=plan if https else None)
    base = address or run.addresses(door)[0]
    if not BASE.fullmatch(base):
        raise _fail(f"--address: http://host:port expected, not {base!r}")
    beacons = [(tracker.name, tracker.token) for tracker in checked.trackers if tracker.token]
    typer.echo(in_terminal(links_of(keys, beacons), base))
    if address is None:
        typer.echo(
            f"The address {base} is this machine's usual one: where the station printed another, "
            "give that with --address (or --https alone)."
        )


@app.command()
def check(
    plan: PlanPath,
    seconds: Annotated[float, typer.Option(min=0.1, max=600, help="How long to listen.")] = 5.0,
) -> None:
    """Read a plan, try each of its sources, and say what is wrong."""
    import asyncio

    from server import run

    checked = _plan(plan)
    surroundings = _surroundings(checked, plan)
    typer.echo(f"{plan}: the plan is sound ({len(checked.trackers)} trackers).")
    lift = checked.for_flight().balloon.lift
    if lift is not None:
        typer.echo(f"ok   balloon: {lift.text}")
    launch, terrain = checked.launch, surroundings.terrain
    sound = True
    forecast = run.check_forecast(checked, surroundings)
    if forecast is not None:
        sound, words = forecast
        typer.echo(f"{'ok  ' if sound else 'FAIL'} {words}")
    if terrain is not None and launch is not None:
        height_m = terrain(launch.latitude_deg, launch.longitude_deg)
        known = "not covered" if height_m is None else f"{height_m:,.0f} m"
        typer.echo(
            f"ok   terrain: the launch site is {known}, by the plan {launch.altitude_m:,.0f} m"
        )
    results = asyncio.run(run.try_sources(checked, plan.parent, seconds))
    for result in results:
        typer.echo(f"{'ok  ' if result.ok else 'FAIL'} {result.name}: {result.words}")
    if not results:
        typer.echo("FAIL the plan names no source: nothing can be heard.")
    maps = run.check_maps(checked, plan.parent, plan.with_suffix(".sqlite3"))
    for found in maps:
        typer.echo(f"{'ok  ' if found.ok else 'FAIL'} {found.words}")
    if not sound or not results or not all(one.ok for one in (*results, *maps)):
        raise typer.Exit(1)


@app.command("export-log")
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
        raise _fail(error) from error
    text = "\n".join(lines) + "\n"
    if out is None:
        sys.stdout.write(text)
    else:
        out.write_text(text, encoding="utf-8")
        typer.echo(f"{out}: {len(lines) - len(header)} receptions", err=True)


@app.command("import-log")
def import_log(
    log: Annotated[Path, typer.Argument(help="Text log to read.")],
    journal: Annotated[Path, typer.Argument(help="Journal to add it to; made if it is not there.")],
) -> None:
    """Add the receptions of a text log to a journal."""
    recording = _recording(log)
    try:
        with Journal(journal) as opened:
            opened.describe(**{k: v for k, v in recording.header.items() if k != "schema"})
            last = opened.append(recording.receptions)
    except JournalError as error:
        raise _fail(error) from error
    typer.echo(f"{journal}: {len(recording.receptions)} receptions added, {last} in all", err=True)


@app.command()
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
) -> None:
    """Write what happened: a page, tracks and tables for people, maps and the next plan."""
    from server.debrief.command import Given, write_debrief
    from server.debrief.salvage import read_what_is_there

    given = []
    for path in flights:
        try:
            recording = read_what_is_there(path)
        except LogError as error:
            raise _fail(error) from error
        named = _plan_beside(path, plan)
        if named is None:
            given.append(Given(path, recording, inferred_plan(recording), None))
            continue
        surroundings = _surroundings(named[1], named[0])
        flight_plan = named[1].for_flight(surroundings.avoid)
        given.append(Given(path, recording, flight_plan, surroundings.terrain))
    try:
        write_debrief(given, out)
    except OSError as error:
        raise _fail(f"{out}: cannot be written: {error.strerror or error}") from error


def _register_rehearsal() -> None:
    from server.rehearsal.command import rehearse

    app.command()(rehearse)


_register_rehearsal()

if __name__ == "__main__":
    main()
