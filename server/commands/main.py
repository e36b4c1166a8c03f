"""The command line: `leeward live`, `replay`, `rehearse`, `check`, `debrief`, `export-log`, `import-log`."""

from __future__ import annotations

import logging
import sys
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from server.commands.drive import drive, told_reading
from server.commands.given import (
    carried,
    fail,
    keys_of,
    plan_at,
    plan_beside,
    recording_at,
    surroundings_of,
)
from server.commands.interrupt import until_interrupted
from server.commands.listen import FIRST_PORT, Listening, NoPort, addresses
from server.commands.new import new
from server.commands.outlook import outlook
from server.commands.pack import pack
from server.commands.records import debrief, export_log, import_log
from server.commands.rehearse import rehearse
from server.commands.roads import check_roads, opened
from server.debrief.sentences import lift_words
from server.flight.times import parse_time
from server.geodata.roads.extract import NEEDED
from server.geodata.surroundings import Surroundings
from server.journal.database import JournalError
from server.journal.photos import photos_beside
from server.journal.recording import DEMO_LOG, inferred_plan
from server.rehearsal.clock import ClockError
from server.screen import replies
from server.screen.certificate import CertificateError
from server.screen.keys import KeysError, keys_beside
from server.session.replay import state_at

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


@app.command()
def live(
    plan: Annotated[
        Path | None, typer.Argument(metavar="PLAN.toml", help="The plan of the flight.")
    ] = None,
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
    if plan is None:
        raise fail(
            "live needs a plan. `leeward new PLAN.toml` asks a few questions and writes one."
        )
    from server.commands import wiring as run

    checked = plan_at(plan)
    try:
        until_interrupted(
            run.live(
                checked,
                plan,
                surroundings_of(checked, plan),
                run.face_of(checked, plan),
                journal or plan.with_suffix(".sqlite3"),
                Listening(host, port, not no_browser, plan if https else None),
                rehearsal,
            )
        )
    except (JournalError, NoPort, ClockError, KeysError, CertificateError) as error:
        raise fail(error) from error


@app.command()
def replay(
    log: Annotated[
        Path | None,
        typer.Argument(
            metavar="[LOG]",
            help="Text log or journal; the demo flight if none, and `valley` for another one.",
        ),
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
    log = carried(log)
    recording = recording_at(log)
    named = plan_beside(log, plan)
    flight_plan, surroundings = inferred_plan(recording), Surroundings()
    if named is not None:
        surroundings = surroundings_of(named[1], named[0])
        flight_plan = named[1].for_flight(surroundings.avoid)
    if to_end or until is not None or as_json:
        try:
            until_ms = None if until is None else parse_time(until)
        except (ValueError, OverflowError) as error:
            raise fail(f"--until: {error}") from error
        try:
            roads = opened(surroundings.roads)
        except ImportError as error:
            raise fail(f"{NEEDED}: {error}") from error
        state = state_at(
            recording.receptions,
            flight_plan,
            until_ms,
            surroundings.terrain,
            surroundings.forecast,
            surroundings.winds,
            roads,
        )
        if roads is not None:
            roads.close()
            if roads.problem is not None:
                typer.echo(roads.problem, err=True)
        sys.stdout.buffer.write(replies.as_json(state, indent=True) + b"\n")
        sys.stdout.buffer.flush()
        return
    from server.commands import wiring as run
    from server.commands.debriefing import Debriefing
    from server.commands.given import maps_of

    listening = Listening(host, port, not no_browser)
    face = run.Face()
    if named is not None:
        face = replace(face, basemap=maps_of(named[1], named[0]), units=named[1].screen.units)
    if log is not None:
        face = replace(face, photos=photos_beside(log))
    try:
        if listening.guarded:  # beside the recording, which may be no plan's
            face = replace(face, keys=keys_beside(log or Path("demo"), None, None))
        debriefing = Debriefing(log or DEMO_LOG, None if named is None else named[0])
        until_interrupted(
            run.replay(recording, flight_plan, surroundings, face, speed, listening, debriefing)
        )
    except (NoPort, KeysError) as error:
        raise fail(error) from error


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
    from server.screen.links import BASE, in_terminal, links_of

    checked = plan_at(plan)
    try:
        keys = keys_of(checked, plan)
    except KeysError as error:
        raise fail(error) from error
    listening = Listening("0.0.0.0", FIRST_PORT, https=plan if https else None)
    base = address or addresses(listening)[0]
    if not BASE.fullmatch(base):
        raise fail(f"--address: http://host:port expected, not {base!r}")
    beacons = [(tracker.name, tracker.token) for tracker in checked.all_trackers if tracker.token]
    typer.echo(in_terminal(links_of(keys, beacons), base))
    for source in checked.sources:
        if source.kind == "json-http":
            posted = f"{base.rstrip('/')}/api/json/{source.token}"
            typer.echo(f"{source.name}: JSON objects are posted to {posted}")
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

    from server.commands.check import (
        announced,
        check_disk,
        check_forecast,
        check_maps,
        check_pack,
        check_winds,
        try_sources,
    )

    checked = plan_at(plan)
    surroundings = surroundings_of(checked, plan)
    typer.echo(f"{plan}: the plan is sound ({len(checked.all_trackers)} trackers).")
    for flight in checked.for_flight().flights:
        if flight.balloon.lift is not None:
            typer.echo(f"ok   balloon of {flight.name}: {lift_words(flight.balloon.lift)}")
    terrain = surroundings.terrain
    sound = True
    for fit, words in check_forecast(checked, surroundings):
        sound = sound and fit
        typer.echo(f"{'ok  ' if fit else 'FAIL'} {words}")
    for fit, words in check_winds(checked, surroundings):
        sound = sound and fit
        typer.echo(f"{'ok  ' if fit else 'FAIL'} {words}")
    for launch in checked.launches:
        if terrain is not None:
            height_m = terrain(launch.latitude_deg, launch.longitude_deg)
            known = "not covered" if height_m is None else f"{height_m:,.0f} m"
            typer.echo(
                f"ok   terrain: the launch site is {known}, by the plan {launch.altitude_m:,.0f} m"
            )
    sites = [(launch.latitude_deg, launch.longitude_deg) for launch in checked.launches]
    for fit, words in check_roads(surroundings.roads, sites, told_reading):
        sound = sound and fit
        typer.echo(f"{'ok  ' if fit else 'FAIL'} {words}")
    for words in announced(checked):
        typer.echo(f"note {words}")
    results = asyncio.run(try_sources(checked, plan.parent, seconds))
    for result in results:
        typer.echo(f"{'ok  ' if result.ok else 'FAIL'} {result.name}: {result.words}")
    if not results:
        typer.echo("FAIL the plan names no source: nothing can be heard.")
    maps = check_maps(checked, plan, plan.with_suffix(".sqlite3"), surroundings)
    maps += check_pack(plan)
    maps.append(check_disk(plan.absolute().parent))
    for found in maps:
        typer.echo(f"{'ok  ' if found.ok else 'FAIL'} {found.words}")
    if not sound or not results or not all([*(r.ok for r in results), *(m.ok for m in maps)]):
        raise typer.Exit(1)


app.command("export-log")(export_log)
app.command("import-log")(import_log)
app.command()(debrief)
app.command()(rehearse)
app.command()(outlook)
app.command()(pack)
app.command()(drive)
app.command()(new)

if __name__ == "__main__":
    main()
