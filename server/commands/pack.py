"""`leeward pack`: fetch at home what the car will need where there is no internet."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from server.commands.given import fail, plan_at, surroundings_of
from server.commands.outlook import around_of, compared, hours_of
from server.geodata.packed import KINDS, Kind, PackError, pack_beside, pack_lines
from server.plan.pack import OFF

if TYPE_CHECKING:
    from server.outlook.pack.packing import Need, Packing
    from server.outlook.pack.region import Place, Region
    from server.plan.file import PlanFile
    from server.plan.flights import OneFlight

AROUND_SITE_M = 400_000.0  # winds are fetched so far: the longest flights, and a margin; our choice
MARGIN_M = 20_000.0  # roads beside the area; our choice
WITHOUT_WINDS_M = 150_000.0  # of 49 real flights none ended farther from its launch
BEFORE_S, AFTER_S = (
    3_600.0,
    6 * 3_600.0,
)  # winds from before the first launch to after the last landing
LATER_S = 2 * 3_600.0  # a launch is put off, seldom by more
MEMBERS = 300


def pack(
    plan: Annotated[Path, typer.Argument(metavar="PLAN.toml", help="The plan of the flight.")],
    from_: Annotated[
        str | None, typer.Option("--from", help="First launch hour; otherwise the plan's.")
    ] = None,
    to: Annotated[str | None, typer.Option(help="Last launch hour; otherwise two later.")] = None,
    only: Annotated[
        list[str] | None, typer.Option(help="map, terrain or forecast; may be repeated.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before fetching.")] = False,
) -> None:
    """Fetch map, heights and winds for where the flight can end, into PLAN.pack beside the plan."""
    from server.outlook.pack.packing import Packing
    from server.outlook.pack.transfer import Transfer

    checked = plan_at(plan)
    kinds = _kinds(checked, only)
    flights = [(one, hours_of(one, from_, to, 1.0, LATER_S)) for one in checked.planned]
    sound = True
    try:
        with Transfer() as transfer:
            packing = Packing(pack_beside(plan), transfer, datetime.now(UTC).timestamp())
            if "forecast" in kinds:
                sound = _winds(checked, packing, flights, ask=not yes)
            region = _region(checked, plan, flights)
            sound = _ground(checked, packing, region, kinds, ask=not yes) and sound
        sound = _roads(checked, plan, region) and sound
    except PackError as error:
        raise fail(str(error)) from error
    lines = pack_lines(packing.folder, packing.listed, datetime.now(UTC))
    there = {file.kind for file in packing.listed.files}
    for fit, words in lines:
        typer.echo(f"{'ok  ' if fit else 'FAIL'} {words}")
    for kind in KINDS:
        if kind not in there:
            typer.echo(f"FAIL pack: no {kind}")
    typer.echo("leeward check PLAN.toml says how much of the predicted area it covers.")
    if not sound or not all(fit for fit, _ in lines):
        raise typer.Exit(1)


Window = tuple["OneFlight", list[float]]


def _kinds(plan: PlanFile, only: list[str] | None) -> set[Kind]:
    named = set(only or KINDS)
    if unknown := named - set(KINDS):
        raise fail(f"--only: one of {', '.join(KINDS)} expected, not {unknown.pop()!r}")
    wanted: set[Kind] = {k for k in KINDS if k in named and getattr(plan.pack, k) != OFF}
    if "forecast" in wanted and importlib.util.find_spec("eccodes") is None:
        typer.echo("note winds are not fetched: to read them, pip install '.[grib]' first")
        wanted.discard("forecast")
    return wanted


def _places(plan: PlanFile) -> list[Place]:
    found = [(launch.latitude_deg, launch.longitude_deg) for launch in plan.launches]
    found += [(site.latitude_deg, site.longitude_deg) for site in plan.sites]
    if not found:
        raise fail("The plan names no place to launch from: [launch] or [[sites]].")
    return found


def _winds(plan: PlanFile, packing: Packing, flights: Sequence[Window], *, ask: bool) -> bool:
    from server.outlook.pack.region import region_around
    from server.outlook.pack.services import service

    times = [time_s for _, hours in flights for time_s in hours]
    window_s = min(times) - BEFORE_S, max(times) + AFTER_S
    around = region_around(_places(plan), AROUND_SITE_M).bounds
    used = service("forecast", plan.pack.forecast)
    return _fetch(packing, [packing.forecast(used, window_s, around)], ask=ask)


def _region(plan: PlanFile, path: Path, flights: Sequence[Window]) -> Region:
    """Launch sites, and the 90 % areas of all launch hours; without winds, what a flight reaches."""
    from server.outlook.pack.region import region_around

    surroundings = surroundings_of(plan, path)
    places = _places(plan)
    unknown = False
    for one, times_s in flights:
        around, sites = around_of(plan, one, surroundings)
        for hour in compared(around, sites, times_s, MEMBERS, quiet=False):
            if hour.landing is None:
                unknown = True
                continue
            places += [(lat, lon) for lon, lat in hour.landing.search_area.p90.coordinates[0]]
    if unknown:
        typer.echo(
            "note no winds for these hours: the map is fetched to "
            f"{WITHOUT_WINDS_M / 1_000:.0f} km about the launch"
        )
    return region_around(places, WITHOUT_WINDS_M if unknown else MARGIN_M)


def _ground(
    plan: PlanFile, packing: Packing, region: Region, kinds: set[Kind], *, ask: bool
) -> bool:
    from server.outlook.pack.services import service
    from server.outlook.pack.transfer import TransferError

    asked = plan.pack
    wanted: dict[Kind, Callable[[], list[Need]]] = {
        "map": lambda: packing.map(service("map", asked.map), region, asked.map_max_zoom),
        "terrain": lambda: packing.terrain(service("terrain", asked.terrain), region),
    }
    needs: list[Need] = []
    sound = True
    for kind, found in wanted.items():
        if kind not in kinds:
            continue
        try:
            needs += found()
        except TransferError as error:
            typer.echo(f"FAIL {kind}: {error}", err=True)
            sound = False
    return _fetch(packing, needs, ask=ask) and sound


def _roads(plan: PlanFile, path: Path, region: Region) -> bool:
    """Read the plan's extracts now and keep their graphs: in the car that would take minutes."""
    from server.commands.drive import told_reading
    from server.commands.roads import check_roads

    sound = True
    found = check_roads(
        surroundings_of(plan, path).roads, _places(plan), told_reading, region.bounds
    )
    for fit, words in found:
        typer.echo(f"{'ok  ' if fit else 'FAIL'} {words}", err=not fit)
        sound = sound and fit
    if not found:
        typer.echo("note no [roads] in the plan: drive times will be as the crow flies")
    return sound


def _fetch(packing: Packing, needs: Sequence[Need], *, ask: bool) -> bool:
    """Say what comes, on what terms; fetch it; False where something did not come."""
    from server.outlook.pack.part_file import NoRoom
    from server.outlook.pack.transfer import TransferError

    if not needs:
        return True
    total = sum(need.bytes or 0 for need in needs)
    for kind, terms in dict.fromkeys((need.kind, need.terms) for need in needs):
        mine = [need for need in needs if need.kind == kind]
        weight = sum(need.bytes or 0 for need in mine)
        about = "about " if any(n.about or n.bytes is None for n in mine) else ""
        names = mine[0].name if len(mine) == 1 else f"{len(mine)} tiles of heights"
        typer.echo(f"     {names}: {about}{weight / 1e6:,.1f} MB. {terms}")
    if total > packing.room_bytes():
        typer.echo(
            f"FAIL the disk has room for {max(packing.room_bytes(), 0) / 1e6:,.0f} MB, "
            f"{total / 1e6:,.0f} MB are needed: make room",
            err=True,
        )
        return False
    if ask and sys.stdin.isatty() and not typer.confirm("Fetch it?", default=True):
        return False
    sound = True
    for need in needs:
        try:
            with typer.progressbar(
                length=max(need.bytes or 1, 1), label=f"{need.name:<16}", file=sys.stderr
            ) as bar:
                need.fetch(bar.update)
        except (TransferError, NoRoom) as error:
            typer.echo(f"FAIL {need.name}: {error}", err=True)
            sound = False
            if isinstance(error, NoRoom):
                break
    return sound
